# SPDX-License-Identifier: Apache-2.0
"""Runs a hand for long and looks whether anything grows, slows down or minds the clock.

    python -m tests.soak [--minutes M]

Four virtual fingers, hand node, a recorder that is given a trial a minute, and a viewer that looks
at the mosaic, every finger's markers and one camera. After a warm-up, memory, file handles and
threads of every process are watched, rate and latency of the last third are compared with those
of the first, and in between the hand's clock is set forward and back (see `tests.faults.clock` for
what that does not cover). Exit code 0: every bound was kept; 1: not.
"""

import argparse
import os
import shutil
import sys
import tempfile
import time
from collections import defaultdict
from pathlib import Path

import numpy as np
from scipy.stats import theilslopes

from tactile_nodes.cli.progress import Progress
from tests.faults.faults import call_trigger
from tests.faults.rig import Rig, alone, peer_process

GROWTH = 20.0                    # MB/h that a process may grow by; ten minutes tell no less
RATE_KEPT = 0.95                 # of the first third's, in the last
LATER, LATER_MS = 1.25, 2.0      # latency may become that many times and ms longer
STEP_KEPT = 0.8                  # of the rate, in the seconds after the clock was set
STEPS = (0.5, -0.5, 3600.0, -3600.0)                   # s
_WARM_SHARE, _WARM_LEAST, _WARM_MOST = 0.2, 20.0, 120.0
_PERIOD, _TRIAL, _AFTER_STEP = 2.0, 60.0, 3.0          # s
_IMAGE = 'sensor_msgs/msg/Image'


class Watch:
    """What is measured of one process, a row per look: time, own MB, file handles, threads."""

    def __init__(self):
        self._rows = []

    def look(self, number):
        """Look at the process now."""
        home = Path(f'/proc/{number}')
        # without what is shared: of the transport's shared memory more and more is touched, up to
        # its fixed size
        resident, shared = map(int, (home / 'statm').read_text().split()[1:3])
        self._rows.append((time.monotonic(),
                           (resident - shared) * os.sysconf('SC_PAGE_SIZE') / 1e6,
                           len(os.listdir(home / 'fd')), len(os.listdir(home / 'task'))))

    def since(self, begin):
        """(N, 4) rows from then on."""
        return np.array([row for row in self._rows if row[0] >= begin])


def growth(seconds, values):
    """Slope of values by the median of all pairs' slopes (Theil 1950, Sen 1968), per hour."""
    return float(theilslopes(values, seconds)[0]) * 3600


def thirds(begin, end):
    """(begin, end) of the first and of the last third of a time."""
    third = (end - begin) / 3
    return (begin, begin + third), (end - third, end)


class Soak:
    """One run; `frames` has by finger a row per wrench: when it came, s, and how late, ms."""

    def __init__(self, rig, seconds):
        self._rig, self._seconds = rig, seconds
        self._watches = defaultdict(Watch)
        self.frames = {finger: [] for finger in rig.fingers}
        self.steps = []
        self._epoch = time.time() - time.monotonic()

    def run(self):
        """Let the hand run for its time; returns when the warm-up was over and when it ended."""
        warm = time.monotonic() + min(max(_WARM_SHARE * self._seconds, _WARM_LEAST), _WARM_MOST)
        end = warm + self._seconds
        steps = list(zip(np.linspace(*self._middle(warm, end), len(STEPS) + 2)[1:-1], STEPS,
                         strict=True))
        begin, trial = time.monotonic(), time.monotonic() + _TRIAL
        with Progress('soak', round(end - begin), 's') as say:
            while (now := time.monotonic()) < end:
                self._rig.run(_PERIOD)
                self._look()
                if steps and now >= steps[0][0]:
                    self._rig.clock.turn(steps[0][1])
                    self.steps.append((time.monotonic(), steps.pop(0)[1]))
                if now >= trial:
                    self._next_trial()
                    trial = now + _TRIAL
                say(round(now - begin))
        return warm, end

    @staticmethod
    def _middle(begin, end):
        (_, first), (last, _) = thirds(begin, end)
        return first, last

    def _look(self):
        for name, number in self._rig.supervisor.running.items():
            self._watches[name].look(number)
        observer, before = self._rig.observer, time.monotonic() - 1.0
        for finger, frames in self.frames.items():
            frames += [(at, 1e3 * (at + self._epoch + self._offset(at) - stamp * 1e-9))
                       for at, stamp in observer.arrivals[finger][:] if at < before]
        observer.forget(before)

    def _offset(self, at):
        return sum(step for when, step in self.steps if when <= at)

    def _next_trial(self):
        """End the trial, remove what is there and begin another."""
        call_trigger(self._rig, 'trial/stop')
        for folder in self._rig.disk.iterdir():
            shutil.rmtree(folder)
        call_trigger(self._rig, 'trial/start')

    # --- the table

    def lines(self, warm, end):
        """Yield (text, whether the bound is kept)."""
        yield from self._processes(warm, end)
        yield from self._fingers(warm, end)
        for when, step in self.steps:
            kept = min(self._rate(finger, when, when + _AFTER_STEP)
                       / self._rate(finger, when - _AFTER_STEP, when) for finger in self.frames)
            yield f'clock set by {step:+g} s: {100 * kept:.0f} % of the rate', kept >= STEP_KEPT
        for name, count in self._rig.supervisor.restarts.items():
            yield f'{name} died {count} times', False

    def _processes(self, warm, end):
        yield f'{"process":14} {"MB":>7} {"MB/h":>7} {"handles":>9} {"threads":>9}', True
        first, last = thirds(warm, end)
        for name, watch in self._watches.items():
            rows = watch.since(warm)
            early, late = (rows[(rows[:, 0] >= a) & (rows[:, 0] <= b)] for a, b in (first, last))
            slope = growth(rows[:, 0], rows[:, 1])
            counts = [(int(np.median(early[:, i])), int(np.median(late[:, i]))) for i in (2, 3)]
            yield (f'{name:14} {np.median(late[:, 1]):7.1f} {slope:+7.1f} '
                   + ' '.join(f'{a:4}->{b:<3}' for a, b in counts),
                   slope <= GROWTH and all(b <= a for a, b in counts))

    def _fingers(self, warm, end):
        yield f'{"finger":14} {"Hz":>14} {"p50 ms":>14} {"p99 ms":>14}', True
        for finger in self.frames:
            (rate, *late), (rate_after, *late_after) = (
                (self._rate(finger, *span), *np.percentile(self._latency(finger, *span), (50, 99)))
                for span in thirds(warm, end))
            yield (f'{finger:14} {rate:6.2f}->{rate_after:6.2f} ' + ' '.join(
                f'{a:6.1f}->{b:6.1f}' for a, b in zip(late, late_after, strict=True)),
                rate_after >= RATE_KEPT * rate and all(
                    b <= LATER * a + LATER_MS for a, b in zip(late, late_after, strict=True)))

    def _rate(self, finger, begin, end):
        return sum(begin <= at < end for at, _ in self.frames[finger]) / (end - begin)

    def _latency(self, finger, begin, end):
        return [late for at, late in self.frames[finger] if begin <= at < end]


def main(argv=None):
    """Run and print the table; 0 when every bound is kept."""
    parser = argparse.ArgumentParser(prog='python -m tests.soak', description=__doc__,
                                     formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument('--minutes', type=float, default=10.0, metavar='M',
                        help='after the warm-up (default 10)')
    args = parser.parse_args(argv)
    alone()
    with tempfile.TemporaryDirectory(prefix='soak') as folder:
        return soak(Path(folder), 60 * args.minutes)


def soak(folder, seconds):
    """Run a hand for some seconds after the warm-up; 0 when every bound is kept."""
    rig = Rig(folder, split=None, own_disk=False)
    hand = rig.plan.namespace
    rig.add(peer_process('viewer', [
        f'{hand}/overlay:{_IMAGE}', f'{hand}/{rig.fingers[0]}/image_raw:{_IMAGE}',
        *(f'{hand}/{finger}/visualization:visualization_msgs/msg/MarkerArray'
          for finger in rig.fingers)], hand))
    with rig:
        if rig.wait_ready() is None:
            print('the hand did not come up')
            return 1
        run = Soak(rig, seconds)
        span = run.run()
        missed = 0
        for text, kept in run.lines(*span):
            print(f'{"  " if kept else "NO"} {text}')
            missed += not kept
    print(f'{seconds / 60:g} minutes after the warm-up; {missed} bounds broken')
    return int(missed > 0)


if __name__ == '__main__':
    sys.exit(main())
