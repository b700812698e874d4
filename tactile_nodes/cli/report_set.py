# SPDX-License-Identifier: Apache-2.0
"""The page of a set of trials: conditions side by side."""

import html
from pathlib import Path

import numpy as np

from tactile_nodes.cli.page import document, plot_style, svg
from tactile_nodes.cli.report_trial import COLOURS, DASHES
from tactile_nodes.files.trial import OUTCOMES
from tactile_nodes.trials.compare import conditions, difference, proposals, same_hand

_MARKERS = 'osD^vP'
_NOTES = """
<dl>
<dt>success</dt><dd>share of the labelled trials that were not aborted, with the 95 % interval of
Wilson (1927)</dd>
<dt>held</dt><dd>from the moment at which at least two fingers are in contact. A trial that ends
without a drop says only that the object was held so long (censored)</dd>
<dt>curve</dt><dd>Kaplan and Meier (1958) with the pointwise 95 % band on the log-log scale
(variance of Greenwood); compared by the log-rank test</dd>
<dt>slip</dt><dd>the whole contact of a finger slides for at least 30 ms; a slip warning alone
does not count</dd>
<dt>press</dt><dd>normal force; peak: of the strongest finger, mean: of all fingers while they
touch; mean &plusmn; standard deviation over the trials, as for slips and goal error; forces are
estimates, see the calibrations in the trials' pages</dd>
</dl>
"""


def write_set_page(path, trials, left_out):
    """Write the page of several trials.

    Parameters
    ----------
    path : Path
    trials : list of dict
        As `write_trial_page` returns them; at least one.
    left_out : list of (str, str)
        What is not in it, and why.
    """
    trials, others = same_hand(trials)
    found = conditions(trials)
    left_out = [*left_out, *others]
    unlabelled = sum(trial['outcome'] is None for trial in trials)
    title = f'{len(trials)} trials of the hand {trials[0]["hand"]}'
    parts = [f'<h1>{html.escape(title)}</h1>',
             f'<p class="sub">{len(found)} conditions, {trials[0]["started"][:10]}</p>',
             _summary(found),
             f'<h2>How long it was held</h2><div class="plot">{_curves(found)}</div>',
             _verdict(found),
             f'<h2>Forces and slips</h2><div class="plot">{_strips(found)}</div>', _NOTES,
             _touch(trials)]
    if unlabelled:
        parts.append(f'<p class="caution">Not labelled: {unlabelled} of {len(trials)} trials. '
                     'They count neither as success nor as drop. Label them with '
                     '<code>tactile trial label</code>.</p>')
    parts += [f'<h2>Trials</h2>{_list(trials)}']
    if left_out:
        rows = ''.join(f'<li><code>{html.escape(Path(name).name)}</code>: {html.escape(why)}</li>'
                       for name, why in left_out)
        parts.append(f'<h2>Left out</h2><ul>{rows}</ul>')
    path.write_text(document(title, parts), encoding='utf-8')


def _summary(found):
    heads = ('condition', 'trials', 'success/dropped/<br>aborted/not labelled',
             'success, %<br>95 % interval', 'held, s<br>median', 'peak press<br>N',
             'mean press<br>N', 'slips<br>per min', 'first slip<br>s, median',
             'goal error<br>mm')
    rows = ''
    for c in found:
        rate = '&ndash;' if c.success is None else \
            '{:.0f} ({:.0f} to {:.0f})'.format(*(100 * value for value in c.success))
        outcomes = '/'.join(str(c.outcomes[o]) for o in (*OUTCOMES, None))
        cells = [html.escape(c.name), len(c.trials), outcomes, rate,
                 _median(c.over_trials('grasp_s')),
            _spread(c.over_fingers('peak_press_n', max)),
            _spread(c.over_fingers('mean_press_n', np.mean)),
            _spread(c.over_trials('slips_per_minute')), _median(c.over_trials('first_slip_s')),
            _spread(c.over_fingers('goal_error_mm', np.mean))]
        rows += '<tr>' + ''.join(f'<td>{cell}</td>' for cell in cells) + '</tr>'
    return ('<div class="wide"><table><thead><tr>'
            + ''.join(f'<th>{head}</th>' for head in heads)
            + f'</tr></thead><tbody>{rows}</tbody></table></div>')


def _curves(found):
    """SVG of the share still held over time with its band."""
    from matplotlib.figure import Figure

    longest = max((c.times.max() for c in found if len(c.times)), default=1.0)
    with plot_style('held'):
        figure = Figure(figsize=(11, 4.2), layout='constrained')
        axes = figure.subplots()
        for index, c in enumerate(found):
            if c.curve is None:
                continue
            colour, dash = COLOURS[index % len(COLOURS)], DASHES[index % len(DASHES)]
            last = c.times.max()
            time = np.concatenate([[0], c.curve.time, [last]])
            share, low, high = (np.concatenate([[1], v, v[-1:] if len(v) else [1]])
                                for v in (c.curve.share, c.curve.low, c.curve.high))
            axes.step(time, share, where='post', color=colour, linestyle=dash, linewidth=1.8,
                      label=f'{c.name} ({len(c.times)} trials, {int(c.events.sum())} dropped)')
            axes.fill_between(time, low, high, step='post', color=colour, alpha=0.15, linewidth=0)
            ended = c.times[~c.events]
            after = np.searchsorted(c.curve.time, ended, side='right')
            axes.plot(ended, np.concatenate([[1], c.curve.share])[after], '|', color=colour,
                      markersize=9)
        axes.set_ylim(-0.03, 1.05)
        axes.set_xlim(0, 1.02 * longest)
        axes.set_xlabel('time since the grasp began, s')
        axes.set_ylabel('share still held')
        axes.set_title('| marks a trial that ended without a drop', loc='left', fontsize=10)
        if any(c.curve is not None for c in found):
            axes.legend(loc='upper left', bbox_to_anchor=(1.0, 1.0), frameon=False)
        return svg(figure)


def _verdict(found):
    result = difference(found)
    if result is None:
        return '<p>There is only one condition with labelled grasps: nothing to compare.</p>'
    statistic, p = result
    if np.isnan(statistic):
        return '<p>Nothing was dropped: the log-rank test has nothing to compare.</p>'
    freedom = len([c for c in found if len(c.times)]) - 1
    return (f'<p>Log-rank test between the conditions: &chi;&sup2; = {statistic:.2f}, {freedom} '
            f'degree{"s" if freedom > 1 else ""} of freedom, p = {p:.3g}. With few trials only a '
            'large difference shows.</p>')


def _strips(found):
    """SVG: a point per trial and condition for forces and slips, the mean as a bar."""
    from matplotlib.figure import Figure

    with plot_style('strips'):
        figure = Figure(figsize=(11, 3.6), layout='constrained')
        panels = figure.subplots(1, 4)
        for axes, (label, values) in zip(panels, (
                ('peak press, N', lambda c: c.over_fingers('peak_press_n', max)),
                ('mean press, N', lambda c: c.over_fingers('mean_press_n', np.mean)),
                ('slips per minute', lambda c: c.over_trials('slips_per_minute')),
                ('first slip, s', lambda c: c.over_trials('first_slip_s'))), strict=True):
            for index, c in enumerate(found):
                points = values(c)
                if not points:
                    continue
                # spread sideways in the order of the trials, so that equal ones stay visible
                places = index + 0.3 * (np.linspace(-1, 1, len(points)) if len(points) > 1
                                        else np.zeros(1))
                axes.plot(places, points, _MARKERS[index % len(_MARKERS)], markersize=5,
                          color=COLOURS[index % len(COLOURS)], alpha=0.8, clip_on=False)
                axes.hlines(np.mean(points), index - 0.38, index + 0.38, color='black',
                            linewidth=1.6)
            axes.set_xticks(range(len(found)), [c.name for c in found])
            axes.set_xlim(-0.6, len(found) - 0.4)
            axes.set_ylim(bottom=0)
            axes.set_title(label, fontsize=10)
        return svg(figure)


def _touch(trials):
    counts = proposals(trials)
    if not sum(counts.values()):
        return ''
    return (f'<p>Drops proposed from touch alone, against the labels: {counts["right"]} right, '
            f'{counts["false"]} proposed where nothing was dropped, {counts["missed"]} missed, '
            f'{counts["none"]} rightly none.</p>')


def _list(trials):
    heads = ('trial', 'condition', 'outcome', 'held, s', 'dropped after, s', 'slips',
             'peak press, N')
    rows = ''
    for trial in sorted(trials, key=lambda trial: trial['started']):
        peak = max(f['peak_press_n'] for f in trial['fingers'].values())
        problem = f'<br><small>{html.escape(trial["problem"])}</small>' if trial['problem'] else ''
        link = f'<a href="{html.escape(trial["page"])}">{html.escape(trial["name"])}</a>'
        cells = [link + problem,
                 html.escape(trial['condition']), trial['outcome'] or 'not labelled',
                 _value(trial['grasp_s']), _value(trial['dropped_after_s']), trial['slips'],
                 _value(peak)]
        rows += '<tr>' + ''.join(f'<td>{cell}</td>' for cell in cells) + '</tr>'
    return ('<div class="wide"><table><thead><tr>'
            + ''.join(f'<th>{head}</th>' for head in heads)
            + f'</tr></thead><tbody>{rows}</tbody></table></div>')


def _value(value):
    return '&ndash;' if value is None else f'{value:.2f}'


def _median(values):
    return _value(float(np.median(values)) if values else None)


def _spread(values):
    if not values:
        return '&ndash;'
    digits = 0 if np.mean(values) >= 20 else 2
    spread = f' &plusmn; {np.std(values, ddof=1):.{digits}f}' if len(values) > 1 else ''
    return f'{np.mean(values):.{digits}f}{spread}'
