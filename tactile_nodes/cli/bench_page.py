# SPDX-License-Identifier: Apache-2.0
"""The benchmark's page: tables and charts of what `tactile bench` measured."""

import html

from tactile_nodes.cli.bench_stages import FARNEBACK, STAGES, WHOLE
from tactile_nodes.cli.page import BLUE, ORANGE, VERMILLION, document, plot_style, svg

_NOTES = """
<p>Stages and other methods ran on the same frames, one after the other frame by frame; times are
one thread's processor time, median and quartiles. The hand ran from recorded JPEG pictures;
<em>source</em> is what decoding them takes. Latency is from a frame's exposure to the arrival of
its wrench in another process. Only ratios hold between machines.</p>
"""


def write_page(path, numbers):
    """Write the page of the numbers that `tactile bench` measured."""
    of = numbers['machine']
    parts = [
        '<h1>What a frame costs</h1>',
        f'<p class="sub">{html.escape(numbers["began"][:16])}, tactile_nodes '
        f'{html.escape(numbers["software_version"])}, {of["cores"]} cores of '
        f'{html.escape(of["processor"])}, Python {of["python"]}</p>', _NOTES,
        '<h2>Budgets</h2>', _table(('what', 'found', 'at most', ''), (
            (b['what'], f'{b["found"]:g}', f'{b["bound"]:g}', 'holds' if b['holds'] else
             'exceeded') for b in numbers['budgets'])),
        '<h2>Stages</h2>', f'<div class="plot">{_stages(numbers["stages"])}</div>',
        _table(('per frame', 'median, ms', 'quartiles, ms', 'of Farneback'), (
            (name, f'{middle:.3f}', f'{low:.3f} to {high:.3f}',
             f'{middle / numbers["stages"][FARNEBACK][0]:.3f}')
            for name, (middle, low, high) in numbers['stages'].items())),
        '<h2>Growth of the whole finger</h2>', f'<div class="plot">{_growth(numbers)}</div>',
        '<h2>The running hand</h2>', f'<div class="plot">{_hands(numbers["hand"])}</div>',
        _table(('fingers x frames/s', 'rate, Hz', 'dropped', 'p50, ms', 'p99, ms', 'p99.9, ms',
                'cores', 'source', 'memory a process, MB'), map(_row, numbers['hand']))]
    path.write_text(document('What a frame costs', parts), encoding='utf-8')


def _row(run):
    late = run['latency_ms']
    return (f'{run["fingers"]} x {run["rate"]}, {run["layout"]}', f'{run["rate_hz"]:.1f}',
            f'{100 * run["dropped"]:.1f} %', *(f'{late[p]:.1f}' for p in ('p50', 'p99', 'p99.9')),
            f'{run["cores"]:.2f}', f'{run["source_cores"]:.2f}', f'{run["memory_mb"]:.0f}')


def _table(heads, rows):
    head = ''.join(f'<th>{html.escape(text)}</th>' for text in heads)
    body = ''.join('<tr>' + ''.join(f'<td>{html.escape(text)}</td>' for text in row) + '</tr>'
                   for row in rows)
    return (f'<div class="wide"><table><thead><tr>{head}</tr></thead>'
            f'<tbody>{body}</tbody></table></div>')


def _stages(stages):
    """Bars of all methods on a logarithmic scale."""
    from matplotlib.figure import Figure

    names = list(stages)[::-1]
    own = {*STAGES, WHOLE, 'overlay', 'decode (JPEG)'}
    with plot_style('stages'):
        figure = Figure(figsize=(11, 0.4 * len(names) + 0.8), layout='constrained')
        axes = figure.subplots()
        bars = axes.barh(names, [stages[name][0] for name in names], height=0.6,
                         color=[BLUE if name in own else ORANGE for name in names])
        axes.bar_label(bars, [f'{stages[name][0]:.1f}' for name in names], padding=4)
        axes.set_xscale('log')
        axes.set_xlabel('ms a frame, logarithmic; blue: this package, orange: other methods')
        axes.set_axisbelow(True)
        axes.grid(axis='y', visible=False)
        return svg(figure)


def _growth(numbers):
    from matplotlib.figure import Figure

    with plot_style('growth'):
        figure = Figure(figsize=(11, 3), layout='constrained')
        left, right = figure.subplots(1, 2)
        for axes, key, label in ((left, 'by_size', 'image size'),
                                 (right, 'by_markers', 'markers')):
            names, values = zip(*numbers[key].items(), strict=True)
            axes.plot(names, values, 'o-', color=BLUE, clip_on=False)
            axes.set_xlabel(label)
            axes.set_ylim(bottom=0)
        left.set_ylabel('ms a frame')
        return svg(figure)


def _hands(hands):
    from matplotlib.figure import Figure

    runs = [run for run in hands if run['layout'] == 'composed']
    names = [f'{run["fingers"]} x {run["rate"]}' for run in runs]
    with plot_style('hands'):
        figure = Figure(figsize=(11, 3), layout='constrained')
        cores, latency = figure.subplots(1, 2)
        cores.bar(names, [run['cores'] for run in runs], color=BLUE, width=0.6)
        cores.set_ylabel('cores')
        for p, style, colour in (('p50', 'o-', BLUE), ('p99', 's--', VERMILLION)):
            latency.plot(names, [run['latency_ms'][p] for run in runs], style, color=colour,
                         label=p, clip_on=False)
        latency.set_ylabel('exposure to wrench, ms')
        latency.set_ylim(bottom=0)
        latency.legend(frameon=False)
        for axes in (cores, latency):
            axes.set_xlabel('fingers x frames/s')
            axes.tick_params(axis='x', rotation=30)
            axes.set_axisbelow(True)
            axes.grid(axis='x', visible=False)
        return svg(figure)
