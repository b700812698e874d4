# SPDX-License-Identifier: Apache-2.0
"""The demo's page: one HTML file that needs nothing else, readable on screen and on paper."""

import html
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from tactile_nodes import __version__
from tactile_nodes.cli.page import BLUE, VERMILLION, document, picture, plot_style, svg
from tactile_nodes.core.types import AXES
from tactile_nodes.trials.run import FingerRun

_COLUMNS = """
<dl>
<dt>frames</dt><dd>wrench messages that arrived in another process during the measurement</dd>
<dt>rate</dt><dd>frames divided by the time measured</dd>
<dt>dropped</dt><dd>frame periods without a wrench, told by gaps of the time stamps</dd>
<dt>latency</dt><dd>from the middle of a frame's exposure to the arrival of its wrench in a
subscriber's callback in another process: exposure, read-out, all processing and transport
(50 and 99 % of frames took at most this long)</dd>
<dt>error</dt><dd>root mean square difference between the estimated wrench and the truth that the
virtual fingertip knows, over the frames in which something touches. A wrench is what the object
exerts on the fingertip, in the fingertip's frame: x to the image's right, y to its bottom, z out
of the skin</dd>
</dl>
"""
_CAUTIONS = """
<div class="caution"><p><strong>Cautions.</strong> The wrenches are estimates from pictures of a
soft skin, with the standard deviation given beside each; without a calibration against a reference
sensor that standard deviation is large. Virtual fingertips leave out much that real skin does:
creep, wear, dirt, stray light. Do not use any of this as a safety function: it must not be what
keeps a person or a machine from harm.</p></div>
"""


@dataclass(frozen=True, eq=False)
class FingerReport:
    """What the page says about a finger.

    Attributes
    ----------
    numbers : dict
        From `trials.summary.summarise`.
    run : FingerRun
    pictures : list of (int, str, (H, W, 3) uint8)
        Row of the run, what it is, and its overlay.
    """

    numbers: dict
    run: FingerRun
    pictures: list


def write_page(path, namespace, span, fingers):
    """Write the page.

    Parameters
    ----------
    path : Path
    namespace : str
        Of the hand.
    span : (int, int)
        Beginning and end of the measurement, ns.
    fingers : dict of str to FingerReport
    """
    began = datetime.fromtimestamp(span[0] * 1e-9).astimezone()
    seconds = (span[1] - span[0]) * 1e-9
    name = html.escape(namespace)
    parts = [
        f'<h1>What the hand {name} felt in {seconds:.0f} seconds</h1>',
        f'<p class="sub">{began:%Y-%m-%d %H:%M:%S %Z}, tactile_nodes {__version__}. The same '
        'numbers are in <code>summary.json</code>, every message in <code>bag/</code>.</p>',
        _table(fingers), _COLUMNS, _CAUTIONS]
    parts += [_finger(finger, report, span) for finger, report in fingers.items()]
    path.write_text(document(f'{namespace}: demo', parts), encoding='utf-8')


def _table(fingers):
    heads = ''.join(f'<th>{axis}<br>{"N" if axis[0] == "f" else "mN&middot;m"}</th>'
                    for axis in AXES)
    rows = ''.join(_row(finger, report.numbers) for finger, report in fingers.items())
    return ('<div class="wide"><table><thead><tr><th rowspan="2">finger</th>'
            '<th rowspan="2">frames</th><th rowspan="2">rate<br>Hz</th>'
            '<th rowspan="2">dropped</th><th colspan="2">latency, ms</th>'
            '<th colspan="6">error in contact</th></tr>'
            f'<tr><th>50 %</th><th>99 %</th>{heads}</tr></thead><tbody>{rows}'
            '<tr class="goal"><td>goal at 60 Hz</td><td></td><td>&ge; 58</td><td>&le; 1 %</td>'
            '<td></td><td>&le; 16.7</td><td colspan="6"></td></tr></tbody></table></div>')


def _row(finger, numbers):
    due = numbers['frames'] + numbers['dropped']
    share = f' ({100 * numbers["dropped"] / due:.1f} %)' if due else ''
    cells = [html.escape(finger), numbers['frames'], f'{numbers["rate_hz"]:.1f}',
             f'{numbers["dropped"]}{share}',
             *(_number(numbers['latency_ms'][p], 1) for p in ('p50', 'p99')),
             *(_number(numbers['wrench_rmse_in_contact'][axis],
                         *((3, 1) if axis[0] == 'f' else (2, 1e3)))
               for axis in AXES)]
    return '<tr>' + ''.join(f'<td>{cell}</td>' for cell in cells) + '</tr>'


def _number(value, digits, scale=1):
    return '&ndash;' if value is None else f'{scale * value:.{digits}f}'


def _finger(finger, report, span):
    head = f'<section class="finger"><h2>{html.escape(finger)}</h2>'
    run = report.run
    if not len(run.stamp_ns):
        return f'{head}<p>No wrench was recorded.</p></section>'
    shown = ''.join(
        picture(image, f'{what}, at {(run.stamp_ns[row] - span[0]) * 1e-9:.2f} s')
        for row, what, image in report.pictures)
    return (f'{head}<div class="pictures">{shown}</div>'
            f'<div class="plot">{_plot(finger, run, span)}</div></section>')


def _plot(finger, run, span):
    """SVG of press, shear and torsion over time, estimate with its band against the truth."""
    from matplotlib.figure import Figure

    time = (run.stamp_ns - span[0]) * 1e-9
    with plot_style(finger):
        figure = Figure(figsize=(11, 6.6), layout='constrained')
        press, shear, torsion = figure.subplots(3, 1, sharex=True)
        band = 'estimate \u00b1 1 sd'
        _line(press, time, _column(run, 'fz', -1), BLUE, band)
        _line(shear, time, _column(run, 'fx', 1), BLUE, f'fx, {band}')
        _line(shear, time, _column(run, 'fy', 1), VERMILLION, f'fy, {band}')
        _line(torsion, time, _column(run, 'tz', 1e3), BLUE, band)
        for axes, label in ((press, 'press (\u2212fz), N'), (shear, 'shear, N'),
                            (torsion, 'torsion tz, mN\u00b7m')):
            axes.set_ylabel(label)
            _shade_slip(axes, time, run.slipping)
            lines, names = axes.get_legend_handles_labels()
            last = sorted(range(len(names)), key=lambda i: names[i] == 'truth')   # noqa: B023
            axes.legend([lines[i] for i in last], [names[i] for i in last], loc='upper left',
                        bbox_to_anchor=(1.0, 1.0), frameon=False)
        torsion.set_xlabel('time, s')
        torsion.set_xlim(0, (span[1] - span[0]) * 1e-9)
        return svg(figure)


def _column(run, axis, scale):
    """Estimate, standard deviation and truth of one axis, (3, N)."""
    i = AXES.index(axis)
    return scale * run.wrench[:, i], abs(scale) * run.sd[:, i], scale * run.truth[:, i]


def _line(axes, time, column, colour, label):
    """One axis of the wrench: estimate with a band of one standard deviation, truth dashed."""
    values, sd, truth = column
    measured = np.isfinite(sd)
    if measured.any():
        axes.fill_between(time, values - sd, values + sd, where=measured, color=colour,
                          alpha=0.22, linewidth=0)
        axes.plot(time[measured], values[measured], color=colour, linewidth=1.3, label=label)
    else:
        axes.plot([], [], color=colour, label=f'{label}: not measured')
    if np.isfinite(truth).any():
        named = any(line.get_label() == 'truth' for line in axes.lines)
        axes.plot(time, truth, color='black', linewidth=1.0, dashes=(4, 2),
                  label='_truth' if named else 'truth')


def _shade_slip(axes, time, slipping):
    """Hatch the times of slip warnings."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], slipping.astype(np.int8), [0]])))
    for index, (begin, end) in enumerate(edges.reshape(-1, 2)):
        axes.axvspan(time[begin], time[end - 1], facecolor='#e3e3e3', edgecolor='#b8b8b8',
                     hatch='////', linewidth=0, zorder=0,
                     label='slip warning' if index == 0 else '_slip')
