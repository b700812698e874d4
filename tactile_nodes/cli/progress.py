# SPDX-License-Identifier: Apache-2.0
"""Progress of a long command: one line in place on a terminal, else a line now and then."""

import sys
import time

_PERIOD, _LINE_PERIOD = 0.2, 10.0      # s, on a terminal and elsewhere
_PATIENCE = 1.0                        # s before the time left is worth anything


class Progress:
    """Says how much of a task is done and how long the rest takes; a context manager.

    Parameters
    ----------
    task : str
        Such as 'processing'.
    total : int or None
        How many there are; None when nobody knows.
    unit : str
        '' where only the share counts.
    """

    def __init__(self, task, total=None, unit='frames'):
        self._task, self._total, self._unit = task, total, unit
        self._in_place = sys.stderr.isatty()
        self._began = self._said = time.monotonic()

    def __call__(self, done):
        """Say it, unless that was done a moment ago."""
        now = time.monotonic()
        if now - self._said < (_PERIOD if self._in_place else _LINE_PERIOD):
            return
        self._said = now
        text = f'{self._task}: {done} {self._unit}'
        if self._total:
            count = f'{done} of {self._total} {self._unit}, ' if self._unit else ''
            text = f'{self._task}: {count}{100 * done // self._total} %'
            if now - self._began > _PATIENCE and done:
                left = (now - self._began) / done * (self._total - done)
                text += f', {int(left) // 60}:{int(left) % 60:02d} left'
        print(f'\r{text}\x1b[K' if self._in_place else text, file=sys.stderr, flush=True,
              end='' if self._in_place else '\n')

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.end()

    def end(self):
        """Take the line away."""
        if self._in_place:
            print('\r\x1b[K', file=sys.stderr, end='', flush=True)
