# SPDX-License-Identifier: Apache-2.0
"""The report of `tactile calibrate`: what was found, how well it fits, and where it does not."""

import html

import cv2
import numpy as np

from tactile_nodes.cli.page import BLUE, ORANGE, VERMILLION, document, picture, plot_style, svg
from tactile_nodes.core.types import AXES

_UNITS = (('N', 1),) * 3 + (('mN m', 1e3),) * 3
_WORST = 4                     # presses shown as pictures
_WORDS = """
<dl>
<dt>reference</dt><dd>what the reference sensor says, its zero and delay taken off</dd>
<dt>estimate</dt><dd>by a correction that was fitted without the press in question</dd>
<dt>full scale</dt><dd>largest load of the session on that axis; beyond it the stated standard
deviation grows and the diagnostics say so</dd>
<dt>rmse</dt><dd>root mean square of estimate less reference</dd>
<dt>non-linearity</dt><dd>largest distance of the curve of third degree through estimate against
reference from the best straight line through zero</dd>
<dt>hysteresis</dt><dd>mean distance between the errors at half of a press's largest load, going up
and coming down</dd>
<dt>repeatability</dt><dd>standard deviation between presses of a press's mean error, that curve
taken off</dd>
<dt>within one sd</dt><dd>share of the errors within the stated standard deviation and the
reference's own noise; 68 % would be right for these presses, fz, tx and ty are stated wider for
indenters that the session has not</dd>
</dl>
<p>The definitions follow the ideas of ISO 376 and ASTM E74; a press session has not the fixed
steps of load that their procedures ask for.</p>
"""


def calibration_page(outcome, recording):
    """HTML text of the report.

    Parameters
    ----------
    outcome : tactile_nodes.calibration.calibrate.Outcome
    recording : tactile_nodes.calibration.session.Recording
    """
    c = outcome.calibration
    title = 'Calibration of ' + ('a fingertip' if c.serial == 'unknown' else c.serial)
    parts = [f'<h1>{html.escape(title)}</h1>',
             f'<p class="sub">{html.escape(c.elastomer.name)} from {html.escape(recording.name)}, '
             f'{html.escape(c.created)}, version {html.escape(c.software_version)}</p>',
             '<h2>What was found</h2>', _findings(outcome.parts)]
    if outcome.force is not None:
        force = outcome.force
        with plot_style(recording.name):
            parts += [
                '<h2>How well it measures</h2>', _table(force), _WORDS,
                '<h2>Estimate against reference</h2>', _plot(_against(force)),
                '<h2>Errors by load</h2>', _plot(_by_load(force)),
                '<h2>Where was pressed, and errors by place</h2>',
                _plot(_by_place(force, c.geometry)),
                '<h2>Worst presses</h2>', _worst(force, recording, outcome.overview)]
    return document(title, parts)


def _findings(parts):
    rows = []
    for part in parts:
        text = html.escape(part.result)
        if not part.done:
            text = f'<strong>not calibrated:</strong> {text}'
        text += ''.join(f'<br><strong>caution:</strong> {html.escape(n)}' for n in part.notes)
        if part.advice:
            text += f'<br><strong>next:</strong> {html.escape(part.advice)}'
        rows.append(f'<dt>{html.escape(part.name)}</dt><dd>{text}</dd>')
    return f'<dl>{"".join(rows)}</dl>'


def _table(force):
    head = ('axis', 'full scale', 'rmse', 'non-linearity', 'hysteresis', 'repeatability',
            'within one sd')
    rows = []
    for axis, figures in force.figures.items():
        i = AXES.index(axis)
        unit, factor = _UNITS[i]
        error = np.abs(force.estimate[:, i] - force.reference[:, i])
        values = [f'{figures.full_scale * factor:.2f} {unit}']
        values += [f'{value:.2f} %' if np.isfinite(value) else 'not known' for value in (
            figures.rmse, figures.non_linearity, figures.hysteresis, figures.repeatability)]
        values.append(f'{100 * np.mean(error < force.sd[:, i]):.0f} %')
        rows.append(f'<tr><td>{axis}</td>' + ''.join(f'<td>{v}</td>' for v in values) + '</tr>')
    return ('<div class="wide"><table><thead><tr>' + ''.join(f'<th>{h}</th>' for h in head)
            + f'</tr></thead><tbody>{"".join(rows)}</tbody></table></div>')


def _plot(figure):
    import matplotlib.pyplot as plt

    text = svg(figure)
    plt.close(figure)
    return f'<div class="plot">{text}</div>'


def _axes(force, height):
    """A figure with one plot per measured axis: (figure, [(plot, index, unit, factor)])."""
    import matplotlib.pyplot as plt

    measured = [AXES.index(axis) for axis in force.figures]
    figure, plots = plt.subplots(-(-len(measured) // 3), 3, layout='constrained', squeeze=False,
                                 figsize=(11, height * -(-len(measured) // 3)))
    for plot in plots.flat[len(measured):]:
        plot.set_visible(False)
    return figure, [(plot, i, *_UNITS[i]) for plot, i in zip(plots.flat, measured, strict=False)]


def _thin(force, most=800):
    return slice(None, None, max(1, len(force.press) // most))


def _against(force):
    figure, plots = _axes(force, 3.4)
    few = _thin(force)
    for plot, i, unit, factor in plots:
        x, y = force.reference[few, i] * factor, force.estimate[few, i] * factor
        ends = [min(x.min(), y.min()), max(x.max(), y.max())]
        plot.plot(ends, ends, color='#888888', linestyle='--', linewidth=1, zorder=1)
        plot.scatter(x, y, s=7, color=BLUE, alpha=0.5, linewidths=0)
        plot.set(title=AXES[i], xlabel=f'reference, {unit}', ylabel=f'estimate, {unit}')
    return figure


def _by_load(force):
    figure, plots = _axes(force, 3.0)
    few = _thin(force)
    for plot, i, unit, factor in plots:
        x = force.reference[few, i] * factor
        error = (force.estimate - force.reference)[few, i] * factor
        sd = force.sd[few, i] * factor
        order = np.argsort(x)
        bins = np.array_split(order, 12)
        middle = [np.median(x[b]) for b in bins]
        typical = np.array([np.median(sd[b]) for b in bins])
        plot.scatter(x, error, s=7, color=BLUE, alpha=0.4, linewidths=0)
        for sign in (-1, 1):
            plot.plot(middle, sign * typical, color=VERMILLION, linestyle='--', linewidth=1.5,
                      label='stated standard deviation' if sign > 0 else None)
        plot.set(title=AXES[i], xlabel=f'reference, {unit}', ylabel=f'error, {unit}')
    plots[0][0].legend(loc='upper left', fontsize=8)
    return figure


def _by_place(force, geometry):
    """Map of the presses at their largest load: size is load, colour and sign the error of fz."""
    import matplotlib.pyplot as plt

    figure, plot = plt.subplots(figsize=(8, 5.4), layout='constrained')
    half = np.array([geometry.width_px, geometry.height_px]) * geometry.metres_per_px / 2e-3
    for number in np.unique(force.press):
        frames = np.flatnonzero((force.press == number) & np.isfinite(force.places[:, 0]))
        if not len(frames):
            continue
        top = frames[np.argmin(force.reference[frames, 2])]
        x, y = force.places[top] * 1e3
        error = force.estimate[top, 2] - force.reference[top, 2]
        plot.scatter(x, y, s=30 + 60 * abs(force.reference[top, 2]),
                     color=ORANGE if error > 0 else BLUE,
                     marker='^' if error > 0 else 'v', alpha=0.7, linewidths=0)
        plot.annotate(f'{error:+.2f}', (x, y), fontsize=7, ha='center', va='center')
    plot.set(xlim=(-half[0], half[0]), ylim=(half[1], -half[1]), aspect='equal',
             xlabel='x, mm', ylabel='y, mm (down as in the image)',
             title='error of fz at the largest load of each press, N (size: load; the frame is '
                   'the image)')
    return figure


def _worst(force, recording, overview):
    """Pictures of the presses with the largest errors, in stated standard deviations."""
    measured = [AXES.index(axis) for axis in force.figures]
    ratio = (np.abs(force.estimate - force.reference) / force.sd)[:, measured].max(axis=1)
    chosen = []
    for row in np.argsort(ratio)[::-1]:
        if force.press[row] not in [force.press[other] for other in chosen]:
            chosen.append(row)
        if len(chosen) == _WORST:
            break
    stamps = overview.stamps_ns[np.searchsorted(overview.seconds, force.seconds[chosen] - 1e-6)]
    images = {stamp: image for stamp, image in recording.images() if stamp in set(stamps)}
    shown = []
    for row, stamp in zip(chosen, stamps, strict=True):
        image = cv2.resize(images[stamp], None, fx=2, fy=2, interpolation=cv2.INTER_LINEAR)
        errors = ', '.join(
            f'{AXES[i]} {force.estimate[row, i] * _UNITS[i][1]:.2f} for '
            f'{force.reference[row, i] * _UNITS[i][1]:.2f} {_UNITS[i][0]}' for i in measured)
        shown.append(picture(image, f'press {force.press[row] + 1}, {force.seconds[row]:.2f} s: '
                                    f'{errors}'))
    return f'<div class="pictures">{"".join(shown)}</div>'
