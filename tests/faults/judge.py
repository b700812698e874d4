# SPDX-License-Identifier: Apache-2.0
"""Puts a fault into a running hand and judges what came of it."""

import re
import time
from contextlib import ExitStack
from dataclasses import dataclass

import numpy as np
from rosbags.rosbag2 import Reader, ReaderError

from tactile_nodes.errors import TactileError
from tactile_nodes.trials.store import load_trial

KEPT = 0.8               # of its rate just before, that a finger must keep
REPORTED_WITHIN = 1.0    # s
BACK_WITHIN = 5.0        # s
_PATIENCE = 15.0         # s, for what is to be measured even when it is too late
_BEFORE, _WINDOW, _AFTER = 3.0, 1.0, 1.5       # s
_SETTLE = 30.0           # s, longest wait for a hand that is well
_FLAG_WITHIN = 1.2       # s between a wrong number and a warning
# An error below this share of full scale (8 N normal, 4 N shear, 20 mN*m) is no wrong number.
_FLOOR = 0.03 * np.array([4.0, 4.0, 8.0, 0.02, 0.02, 0.02])
_WRONG = 4.0             # published standard deviations off is a wrong number
_RATE_TEXT = re.compile(r'frames lost|instead of|no frames')


def warns_of_numbers(text):
    """Whether a status text says more than that frames are missing."""
    return any(not _RATE_TEXT.search(part) for part in text.split('; '))


@dataclass(frozen=True)
class Check:
    """One demand: what it is about in a word, what was measured, and whether it was met."""

    about: str
    demand: str
    measured: str
    met: bool


class Judge:
    """Judges faults in one rig."""

    def __init__(self, rig):
        self._rig = rig

    def watch(self, seconds):
        """Watch the healthy hand; largest error of its wrenches in standard deviations."""
        begin = time.monotonic()
        self._rig.run(seconds)
        return max(self._strange(finger, begin, time.monotonic())[1].max(initial=0.0)
                   for finger in self._rig.fingers)

    def settle(self):
        """Wait until every finger delivers steadily and has nothing to complain of."""
        rig = self._rig

        def well():
            now = time.monotonic()
            newest = {r.source: r for r in rig.observer.reports[:] if r.at > now - 3.0}
            calm = not any(r.alarm and warns_of_numbers(r.text) and ': ' in r.source
                           and 'no calibration' not in r.text for r in newest.values())
            rates = [(rig.observer.rate(f, now - 2.0, now - 1.0),
                      rig.observer.rate(f, now - 1.0, now)) for f in rig.fingers]
            return calm and all(min(pair) > KEPT * max(pair) > 0 for pair in rates)

        return rig.until(well, _SETTLE)

    def try_out(self, *faults):
        """Strike with faults at once and return {fault name: list of Check}."""
        rig, observer = self._rig, self._rig.observer
        observer.forget(time.monotonic() - 1.0)
        self.settle()
        with ExitStack() as watches:
            for fault in faults:
                watches.enter_context(fault.watch(rig))
            rig.run(_BEFORE)
            before = time.monotonic()
            rates = {f: observer.rate(f, before - _BEFORE, before) for f in rig.fingers}
            struck, undone, more = self._strike(faults)
            hits = {finger for fault in faults for finger in fault.hits}
            back = {fault.name: self._wait_back(fault, rates, undone[fault.name],
                                                fault.hits or set(rates) - hits)
                    for fault in faults}
            rig.run(max(_AFTER, before + _BEFORE - time.monotonic()))
            end = time.monotonic()
            wrong = {name: ask() for name, ask in more.items() if ask is not None}
            shared = [self._others(rates, hits, before, end - _AFTER), self._numbers(before, end),
                      self._files()]
            checks = {}
            for fault in faults:
                own = []
                if fault.says:
                    own.append(self._reported(fault, struck[fault.name]))
                own.append(self._recovered(back[fault.name], undone[fault.name]))
                if fault.name in wrong:
                    own.append(Check('else', 'all else is as it must be',
                                     wrong[fault.name] or 'it is', not wrong[fault.name]))
                checks[fault.name] = own + shared
        return checks

    # --- doing it

    def _strike(self, faults):
        """Do and undo all; when each was done and undone, and what else is to be asked."""
        struck, undone, more, stacks = {}, {}, {}, {}
        for fault in faults:
            stacks[fault.name] = ExitStack()
            struck[fault.name] = time.monotonic()
            more[fault.name] = stacks[fault.name].enter_context(fault.strike(self._rig))
        for fault in sorted(faults, key=lambda f: f.lasts):
            self._rig.run(max(0.0, struck[fault.name] + fault.lasts - time.monotonic()))
            stacks[fault.name].close()
            undone[fault.name] = time.monotonic() if fault.lasts else struck[fault.name]
        return struck, undone, more

    def _wait_back(self, fault, rates, since, fingers):
        """When what was hit, or all that was not, worked again, monotonic s, or None."""
        rig, observer = self._rig, self._rig.observer
        if fault.back is not None:
            return rig.until(lambda: fault.back(rig, since), _PATIENCE)
        at = {}

        def all_back():
            now = time.monotonic()
            for finger in fingers:
                times = [a[0] for a in observer.arrivals[finger][:] if a[0] >= since]
                at[finger] = next((t for t in times if t + _WINDOW <= now and observer.rate(
                    finger, t, t + _WINDOW) >= KEPT * rates[finger]), None)
            return all(at.values())

        return max(at.values(), default=since) if rig.until(all_back, _PATIENCE) else None

    # --- judging it

    def _others(self, rates, hits, begin, end):
        observer = self._rig.observer
        kept = {f: observer.rate(f, begin, end) / max(rate, 1e-9)
                for f, rate in rates.items() if f not in hits}
        if not kept:
            return Check('others', 'other fingers keep their rate', 'there are none', True)
        worst = min(kept, key=kept.get)
        return Check('others', f'other fingers keep {100 * KEPT:.0f} % of their rate',
                     f'{100 * kept[worst]:.0f} % ({worst})', kept[worst] >= KEPT)

    def _reported(self, fault, since):
        found = next((r for r in self._rig.observer.reports[:] if r.at >= since and r.alarm
                      and re.search(fault.says, f'{r.source} {r.text}', re.DOTALL)), None)
        if found is None:
            return Check('reported', f'reported within {REPORTED_WITHIN:g} s', 'never', False)
        took = found.at - since
        return Check('reported', f'reported within {REPORTED_WITHIN:g} s', f'{took:.2f} s',
                     took <= REPORTED_WITHIN)

    def _recovered(self, at, since):
        if at is None:
            return Check('back', f'back within {BACK_WITHIN:g} s', f'not in {_PATIENCE:g} s',
                         False)
        return Check('back', f'back within {BACK_WITHIN:g} s', f'{max(0.0, at - since):.1f} s',
                     at - since <= BACK_WITHIN)

    def _numbers(self, begin, end):
        """Wrong wrenches that nothing warns of."""
        wrong, total = 0, 0
        for finger in self._rig.fingers:
            times, strange = self._strange(finger, begin, end)
            total += len(times)
            flags = np.array([r.at for r in self._rig.observer.reports[:] if r.alarm
                              and re.search(rf'\b{finger}\b', r.source)
                              and warns_of_numbers(r.text)])
            for at in times[strange > _WRONG]:
                wrong += not np.any(np.abs(flags - at) < _FLAG_WITHIN)
        return Check('numbers', 'no wrong number without a warning', f'{wrong} of {total}',
                     wrong == 0)

    def _strange(self, finger, begin, end):
        """Times (N,) and largest error in standard deviations (N,) of a finger's wrenches."""
        times, error, sd = self._rig.observer.errors(finger, begin, end)
        measured = np.isfinite(sd)
        strange = np.abs(error) / np.hypot(np.where(measured, sd, 1.0), _FLOOR)
        strange = np.where(np.isnan(error), np.inf, np.where(measured, strange, 0.0))
        return times, strange.max(axis=1, initial=0.0)

    def recordings(self):
        """Whether all recordings are whole, once the hand has ended."""
        trials, messages, found = 0, 0, self._rig.half_written()
        for path in sorted(self._rig.disk.rglob('trial.yaml')):
            try:
                load_trial(path.parent)
                with Reader(path.parent) as bag:
                    messages += sum(1 for _ in bag.messages())
            except (TactileError, ReaderError) as error:
                found.append(str(error))
            trials += 1
        return Check('files', 'all recordings are whole and readable',
                     found[0] if found else f'{trials} trials, {messages} messages', not found)

    def _files(self):
        found = self._rig.half_written()
        return Check('files', 'nothing half written', found[0] if found else 'nothing', not found)
