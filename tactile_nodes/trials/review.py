# SPDX-License-Identifier: Apache-2.0
"""What a recorded trial says: a finger's series over time, the grasp, slips, a drop."""

from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tactile_nodes.device.bags import Bag
from tactile_nodes.errors import FileError
from tactile_nodes.files.trial import Trial
from tactile_nodes.trials.drops import Drop, grasps, propose_drop, stretches
from tactile_nodes.trials.run import joined, nearest, six, stamped
from tactile_nodes.trials.store import load_trial

_SHORT_SLIP = 0.03          # s that a contact must slide for it to count as a slip
_SLIP_GAP = 0.1             # s of sticking that separates two slips


@dataclass(frozen=True, eq=False)
class FingerSeries:
    """A finger over time, one row per frame with a wrench.

    Attributes
    ----------
    stamp_ns : (N,) int64
        When the frames were exposed.
    time : (N,) float64
        The same, s after the start of the trial.
    wrench, sd : (N, 6) float64
        fx fy fz tx ty tz and standard deviation, N and N*m; inf = not measured.
    in_contact, slipping : (N,) bool
    stick_ratio : (N,) float64
    centroid : (N, 3) float64
        Contact keypoint, m; NaN without contact.
    goal : (N, 2) float64
        Where the contact should be, m; NaN where nobody said.
    """

    stamp_ns: np.ndarray
    time: np.ndarray
    wrench: np.ndarray
    sd: np.ndarray
    in_contact: np.ndarray
    slipping: np.ndarray
    stick_ratio: np.ndarray
    centroid: np.ndarray
    goal: np.ndarray

    @property
    def press(self):
        """(N,) float64: normal force, N."""
        return -self.wrench[:, 2]

    @property
    def shear(self):
        """(N,) float64: tangential force, N."""
        return np.hypot(self.wrench[:, 0], self.wrench[:, 1])

    @property
    def sliding(self):
        """(N,) bool: the whole contact slides; `slipping` warns of that, too."""
        return self.slipping & (self.stick_ratio == 0)

    def slips(self):
        """(begin, end) in s of every slip: the contact slid as a whole."""
        found = []
        for begin, end in stretches(self.time, self.sliding):
            if found and begin - found[-1][1] < _SLIP_GAP:
                found[-1] = (found[-1][0], end)
            else:
                found.append((begin, end))
        return [(begin, end) for begin, end in found if end - begin >= _SHORT_SLIP]

    def row_at(self, seconds):
        """Row of the frame nearest to a time after the start of the trial."""
        return int(np.argmin(np.abs(self.time - seconds)))


@dataclass(frozen=True, eq=False)
class Review:
    """A trial and what its bag says.

    Attributes
    ----------
    trial : Trial
    fingers : dict of str to FingerSeries
    grasp : (float, float) or None
        When the first grasp began and when it or the recording ended, s.
    proposed : Drop or None
        From touch; `drop_at` is what counts.
    """

    trial: Trial
    fingers: dict[str, FingerSeries]
    grasp: tuple[float, float] | None
    proposed: Drop | None

    @property
    def drop_at(self):
        """When the object was dropped, s: as a person said, else as proposed; None if it was not.

        None too where a person says that it was dropped and nobody knows when.
        """
        if self.trial.outcome != 'dropped':
            return None
        if self.trial.drop_at is not None:
            return self.trial.drop_at
        return self.proposed.at if self.proposed else None


def review(folder):
    """Read a trial.

    Returns
    -------
    Review

    Raises
    ------
    TactileError
        It is unfinished or has no wrench in it.
    """
    trial = load_trial(folder)
    fingers = read_fingers(folder, trial.start_ns)
    if not fingers:
        raise FileError('no wrench in the bag', where=str(folder),
                        fix='Without one there is nothing to compare; was the hand running?')
    held, last = grasps(fingers), max(series.time[-1] for series in fingers.values())
    grasp = held[0] if held else _open_grasp(fingers, last)
    return Review(trial, fingers, grasp, propose_drop(fingers))


def read_fingers(path, start_ns):
    """Read every finger that has a wrench in a bag, {name: FingerSeries}."""
    bag = Bag(Path(path))
    names = [topic.removesuffix('/wrench') for topic in sorted(bag.topics)
             if topic.endswith('/wrench') and not topic.endswith('/truth/wrench')
             and bag.topics[topic] == 'geometry_msgs/msg/WrenchStamped']
    parts = ('wrench', 'wrench/stddev', 'contact/in_contact', 'contact/slipping',
             'contact/stick_ratio', 'contact/centroid', 'contact/goal')
    wanted = [f'{name}/{part}' for name in names for part in parts
              if f'{name}/{part}' in bag.topics]
    found = defaultdict(list)
    for topic, log_ns, message in bag.messages(wanted):
        if message is not None:
            found[topic].append((log_ns, message))
    return {name.rpartition('/')[2]: _series(found, name, start_ns)
            for name in names if found[f'{name}/wrench']}


def _series(found, name, start_ns):
    arrived = np.array([log_ns for log_ns, _ in found[f'{name}/wrench']], np.int64)
    stamps, wrench = stamped(found[f'{name}/wrench'], six)
    order = np.argsort(stamps, kind='stable')
    arrived, stamps, wrench = arrived[order], stamps[order], wrench[order]
    sd = joined(stamps, *stamped(found[f'{name}/wrench/stddev'], six))
    centroid = joined(stamps, *stamped(found[f'{name}/contact/centroid'], _three, 3))
    goals = found[f'{name}/contact/goal']
    goal = _held(arrived, goals, lambda message: (message.point.x, message.point.y), (np.nan,) * 2)
    contact, slipping, stick = (
        nearest(arrived, found[f'{name}/contact/{part}'], default)
        for part, default in (('in_contact', False), ('slipping', False), ('stick_ratio', 1.0)))
    return FingerSeries(stamps, (stamps - start_ns) * 1e-9, wrench, sd, contact.astype(bool),
                        slipping.astype(bool), stick.astype(float), centroid, goal)


def _three(message):
    return message.point.x, message.point.y, message.point.z


def _held(arrived, pairs, values, default):
    """(N, K) the last value that had come at each time."""
    held = np.tile(np.array(default, float), (len(arrived), 1))
    if pairs:
        times = np.array([log_ns for log_ns, _ in pairs], np.int64)
        rows = np.array([values(message) for _, message in pairs], float)
        last = np.searchsorted(times, arrived, side='right') - 1
        held[last >= 0] = rows[last[last >= 0]]
    return held


def _open_grasp(fingers, last):
    """A grasp that goes on to the end of the recording, or None."""
    begins = sorted(found[-1][0] for series in fingers.values()
                    if (found := stretches(series.time, series.in_contact, 0.15))
                    and found[-1][1] >= series.time[-1])
    return (begins[1], float(last)) if len(begins) > 1 else None


def numbers(reviewed):
    """Numbers of a trial for comparison, as plain values.

    Returns
    -------
    dict
        `seconds` (of the recording), `grasp_s` (how long the object was held; None without a
        grasp), `dropped_after_s` (from the beginning of the grasp; None if not dropped),
        `proposed_drop_s`, `slips`, `slips_per_minute` (of the grasp), `first_slip_s` (after the
        beginning of the grasp; None), and `fingers`: by name `frames`, `rate_hz`, `lost` (frame
        periods without a wrench), `peak_press_n`, `mean_press_n` (in contact), `peak_shear_n`,
        `slips`, `goal_error_mm` (mean distance of the contact from its goal; None without).
    """
    grasp, fingers = reviewed.grasp, reviewed.fingers
    begin, end = grasp or (0.0, 0.0)
    drop_at = reviewed.drop_at
    slips = sorted(begun for series in fingers.values() for begun, _ in series.slips()
                   if begin <= begun <= end)
    held = (drop_at if drop_at is not None else end) - begin
    return {
        'seconds': reviewed.trial.duration,
        'grasp_s': _rounded(held) if grasp else None,
        'dropped_after_s': None if drop_at is None else _rounded(max(0.0, drop_at - begin)),
        'proposed_drop_s': _rounded(reviewed.proposed.at) if reviewed.proposed else None,
        'slips': len(slips),
        'slips_per_minute': _rounded(60 * len(slips) / held) if grasp and held > 0 else None,
        'first_slip_s': _rounded(slips[0] - begin) if slips else None,
        'fingers': {name: _finger_numbers(series) for name, series in fingers.items()}}


def _finger_numbers(series):
    touching, gaps = series.in_contact, np.diff(series.stamp_ns) * 1e-9
    period = float(np.median(gaps)) if len(gaps) else np.nan
    span = series.time[-1] - series.time[0]
    error = np.hypot(*(series.centroid[:, :2] - series.goal).T)
    error = error[np.isfinite(error) & touching]
    return {
        'frames': len(series.time),
        'rate_hz': _rounded((len(series.time) - 1) / span) if span > 0 else None,
        'lost': int(np.maximum(np.rint(gaps / period) - 1, 0).sum()) if len(gaps) else 0,
        'peak_press_n': _rounded(series.press.max()),
        'mean_press_n': _rounded(series.press[touching].mean()) if touching.any() else None,
        'peak_shear_n': _rounded(series.shear.max()),
        'slips': len(series.slips()),
        'goal_error_mm': _rounded(1e3 * error.mean()) if len(error) else None}


def _rounded(value):
    return round(float(value), 3) + 0.0        # no negative zero
