# SPDX-License-Identifier: Apache-2.0
"""The demo's live table: in place on a terminal, else a line per second and finger."""

import sys
from time import time_ns

import numpy as np

_RECENT_NS, _SILENT_NS = 5 * 10**9, 10**9
_COLUMNS = ('finger', 'rate', 'dropped', 'latency p50 / p99', 'contact', 'press', 'shear',
            'torsion')


def row_of(name, watch, frame_rate, now):
    """Texts of a finger's row, over the last five seconds before `now`, ns.

    `frame_rate` is the one wanted, Hz.
    """
    arrivals = np.array(watch.arrivals[-1500:], np.int64).reshape(-1, 2)
    recent = arrivals[arrivals[:, 0] > now - _RECENT_NS]
    if len(recent) < 2 or recent[-1, 0] < now - _SILENT_NS:
        silent = ['silent'] if len(arrivals) else []
        return (name, *silent, *('-' for _ in _COLUMNS[1 + len(silent):]))
    gaps = np.diff(recent[:, 1]) * 1e-9 * frame_rate
    latency = (recent[:, 0] - recent[:, 1]) / 1e6
    force, torque = watch.wrench.wrench.force, watch.wrench.wrench.torque
    state = 'no' if not watch.in_contact else 'slip warning' if watch.slipping else 'holds'
    return (name, f'{(len(recent) - 1) / np.ptp(recent[:, 1]) * 1e9:.1f} Hz',
            f'{int(np.maximum(np.rint(gaps) - 1, 0).sum())}',
            f'{np.percentile(latency, 50):.1f} / {np.percentile(latency, 99):.1f} ms', state,
            f'{-force.z:.2f} N', f'{np.hypot(force.x, force.y):.2f} N',
            f'{1e3 * torque.z:+.1f} mNm')


class LiveTable:
    """Shows what arrives from each finger; a context manager.

    `frame_rates` maps the fingers' names to the rates wanted, Hz.
    """

    def __init__(self, title, duration, frame_rates):
        self._title, self._duration, self._rates = title, duration, frame_rates
        self._live = None
        self._last_line = -1

    def __enter__(self):
        if sys.stdout.isatty():
            try:
                from rich.live import Live
            except ImportError:
                return self
            self._live = Live(auto_refresh=False)
            self._live.start()
        return self

    def __exit__(self, *_):
        if self._live:
            self._live.stop()

    def update(self, elapsed, fingers):
        """Show the state after `elapsed` seconds; `fingers` maps names to FingerWatch."""
        if self._live:
            rows = [row_of(name, watch, self._rates[name], time_ns())
                    for name, watch in fingers.items()]
            self._live.update(self._table(elapsed, rows), refresh=True)
        elif int(elapsed) > self._last_line:
            self._last_line = int(elapsed)
            for name, watch in fingers.items():
                texts = row_of(name, watch, self._rates[name], time_ns())[1:]
                row = ', '.join(f'{column} {text}' for column, text in
                                zip(_COLUMNS[1:], texts, strict=True))
                print(f'{elapsed:5.1f} s  {name}: {row}', flush=True)

    def _table(self, elapsed, rows):
        from rich.table import Table
        table = Table(title=f'{self._title}: {elapsed:.0f} of {self._duration:g} s '
                            '(numbers of the last 5 s)', title_justify='left')
        for column in _COLUMNS:
            table.add_column(column, justify='left' if column in ('finger', 'contact')
                             else 'right')
        for row in rows:
            style = 'bold yellow' if row[4] == 'slip warning' else None
            table.add_row(*row, style=style)
        return table
