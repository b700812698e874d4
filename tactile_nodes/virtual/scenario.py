# SPDX-License-Identifier: Apache-2.0
"""Scripted grasps, solved ahead once and then played at any speed.

The script is solved at key moments and interpolated linearly in time: displacement and wrench are
linear in the traction, so what lies between two solutions is again consistent.
"""

import bisect
import fcntl
import hashlib
import logging
import os
import tempfile
import time
import zipfile
import zlib
from dataclasses import dataclass, fields, replace
from pathlib import Path

import cv2
import numpy as np

from tactile_nodes.core import layer
from tactile_nodes.core.types import Truth
from tactile_nodes.errors import DataError
from tactile_nodes.virtual import mechanics
from tactile_nodes.virtual.mechanics import Cylinder, LayerContact, Pose, Punch, Sphere, grid_axes

GRID_SHAPE, GRID_PITCH = (62, 82), 0.24e-3     # covers the field of view of every fingertip
_LARGEST = {'drag': 50e-6, 'roll': 50e-6, 'height': 30e-6,     # per key moment: m,
            'twist': np.deg2rad(0.6), 'tilt': np.deg2rad(0.2), 'force': 0.2}    # rad, N
_FEWEST = 6                                    # key moments of a step that moves anything

_log = logging.getLogger(__name__)


@dataclass(frozen=True, eq=False)
class Solution:
    """A solved scenario at its K key moments; one run, from the first moment to the last.

    Attributes
    ----------
    time : (K,) float64
        s, rising.
    displacement : (K, 3, ny, nx) float32
        Of the skin on the grid of `GRID_SHAPE` and `GRID_PITCH`, m.
    wrench : (K, 6) float64
        N, N*m.
    centroid : (K, 2) float64
        Pressure-weighted mean place of the touching skin, m; NaN without contact.
    stick_ratio : (K,) float64
    slipping : (K,) bool
        Whether the whole contact slid on the way to this moment.
    """

    time: np.ndarray
    displacement: np.ndarray
    wrench: np.ndarray
    centroid: np.ndarray
    stick_ratio: np.ndarray
    slipping: np.ndarray


def solution_of(scenario, elastomer, progress=None):
    """Solve a scenario, or fetch it from the cache when it has been solved before.

    The cache is in `$XDG_CACHE_HOME/tactile_nodes` (else `~/.cache`); several processes that want
    the same solution solve it once. A damaged file is replaced; without a writable cache folder
    the scenario is solved each time.

    Parameters
    ----------
    scenario : Scenario
    elastomer : Elastomer
    progress : callable, optional
        Called with the share done, 0 to 1, while solving.

    Returns
    -------
    Solution

    Raises
    ------
    DataError
        The script asks for something the mechanics cannot do.
    """
    base = os.environ.get('XDG_CACHE_HOME') or os.path.expanduser('~/.cache')
    folder = Path(base) / 'tactile_nodes' / 'scenarios'
    path = folder / f'{_key(scenario, elastomer)}.npz'
    solution = _load(path)
    if solution is not None:
        return solution
    try:
        folder.mkdir(parents=True, exist_ok=True)
        lock = path.with_suffix('.lock').open('w')
    except OSError as error:
        _log.warning('solutions are not kept: %s', error)
        return solve(scenario, elastomer, progress)
    with lock:
        fcntl.flock(lock, fcntl.LOCK_EX)       # whoever waited here finds the solution
        solution = _load(path)
        if solution is None:
            solution = solve(scenario, elastomer, progress)
            _store(path, solution)
    return solution


def solve(scenario, elastomer, progress=None):
    """Solve a scenario; parameters, result and errors of `solution_of`."""
    _log.info('solving scenario %s for elastomer %s', scenario.name, elastomer.name)
    began = time.monotonic()
    script = _Script(scenario, elastomer)
    keys = [(0.0, script.contact.state)]
    for step in scenario.steps:
        start = script.time
        for moment in script.run(step):
            keys.append(moment)
            if progress:
                progress(moment[0] / scenario.seconds)
        script.time = start + step.seconds
    _log.info('scenario %s solved in %.1f s, %d moments', scenario.name,
              time.monotonic() - began, len(keys))
    touching = [state.contact.any() for _, state in keys]
    # while nothing touches only the ends of the stretch are needed
    kept = [key for i, key in enumerate(keys)
            if i in (0, len(keys) - 1) or any(touching[i - 1:i + 2])]
    return Solution(
        time=np.array([moment for moment, _ in kept]),
        displacement=np.array([state.displacement for _, state in kept], np.float32),
        wrench=np.array([state.wrench for _, state in kept]),
        centroid=np.array([state.centroid for _, state in kept]),
        stick_ratio=np.array([state.stick_ratio for _, state in kept]),
        slipping=np.array([state.slipping for _, state in kept]))


class _Script:
    """Carries the indenter through the steps and the skin with it."""

    def __init__(self, scenario, elastomer):
        self.contact = LayerContact(elastomer, GRID_SHAPE, GRID_PITCH)
        self.time = 0.0
        self._name, self._friction = scenario.name, scenario.friction
        self._indenter = _rigid(scenario.indenter)
        x, y, height = scenario.start
        self._pose = Pose(x, y, height)
        self._force = None                     # None: the height is given, not the force

    def run(self, step):
        """Yield (time, SkinState) at the key moments of a step."""
        pose = self._pose
        pressing = -float(self.contact.state.wrench[2])
        height = pose.height if step.height is None else step.height
        tilt = pose.tilt if step.tilt is None else step.tilt
        force = pressing if step.force is None else step.force
        if step.height is not None:
            self._force = None
        changes = {'drag': np.hypot(*step.drag), 'roll': np.hypot(*step.roll),
                   'twist': step.twist, 'tilt': tilt - pose.tilt, 'height': height - pose.height,
                   'force': force - pressing}
        count = max(int(np.ceil(abs(change) / _LARGEST[name])) for name, change in changes.items())
        count = max(count, _FEWEST) if count else 1
        motion = (step.drag[0] / count, step.drag[1] / count, step.twist / count)
        for i in range(1, count + 1):
            done = i / count
            if step.force is not None:
                self._force = pressing + done * (force - pressing)
            self._pose = Pose(
                self._pose.x + motion[0] + step.roll[0] / count,
                self._pose.y + motion[1] + step.roll[1] / count,
                pose.height + done * changes['height'] if self._force is None
                else self._pose.height,
                self._pose.yaw + motion[2], pose.tilt + done * changes['tilt'])
            # starts and ends at rest: position goes with (1 - cos) / 2 in time
            moment = self.time + step.seconds * np.arccos(1 - 2 * done) / np.pi
            self._solve(motion, moment)
            yield moment, self.contact.state

    def _solve(self, motion, moment):
        contact, pose, force = self.contact, self._pose, self._force
        gap = contact.gap(self._indenter, pose)
        if force == 0 or (force is None and gap.min() >= 0):
            contact.reset()
            lift = max(0.0, -gap.min())
        else:
            try:
                contact.step(gap, motion, (pose.x, pose.y), self._friction, force)
            except DataError as error:
                raise DataError(f'cannot be solved: {error}', where=f'scenario {self._name}, '
                                f'{moment:.2f} s') from None
            lift = -contact.state.approach
        self._pose = replace(pose, height=pose.height + lift)


class ScenarioPlayer:
    """What the camera looks at, and the truth, at any time of a scenario.

    Parameters
    ----------
    scenario : Scenario
    solution : Solution
    camera : SkinCamera
        On the grid of `GRID_SHAPE` and `GRID_PITCH`.
    """

    def __init__(self, scenario, solution, camera):
        self._scenario, self._slipping = scenario, solution.slipping
        seen = np.array([camera.as_seen(u) for u in solution.displacement])
        self._seen_shape = seen.shape[1:]
        self._seen = seen.reshape(len(seen), -1, seen.shape[-1])     # OpenCV adds 2-d fields
        self._time = solution.time.tolist()
        deepest = np.maximum(-solution.displacement[:, 2].min(axis=(1, 2)), 0)
        places = np.nan_to_num(solution.centroid)                # no pressure, no place
        self._known = np.column_stack([solution.wrench, solution.stick_ratio, deepest,
                                       solution.wrench[:, 2:3] * places])

    def at(self, seconds):
        """Return (seen, Truth) at a time since the beginning; see `SkinCamera.as_seen`."""
        length = self._scenario.seconds
        seconds = seconds % length if self._scenario.repeat else min(seconds, length)
        after = bisect.bisect_right(self._time, seconds, 1, len(self._time) - 1)
        before = after - 1
        begins, ends = self._time[before], self._time[after]
        share = min(max((seconds - begins) / (ends - begins), 0.0), 1.0)
        seen = cv2.addWeighted(self._seen[before], 1 - share, self._seen[after], share, 0)
        known = (1 - share) * self._known[before] + share * self._known[after]
        wrench, stick_ratio, deepest, moments = known[:6], known[6], known[7], known[8:]
        touching = bool(wrench[2] < 0)
        centroid = np.array([*(moments / wrench[2]), deepest] if touching else [np.nan] * 3)
        return seen.reshape(self._seen_shape), Truth(
            wrench=wrench, centroid=centroid, stick_ratio=float(stick_ratio),
            slipping=bool(touching and self._slipping[after]), in_contact=touching)


def grid():
    """x (nx,) and y (ny,) of the displacement fields of a Solution, m."""
    return grid_axes(GRID_SHAPE, GRID_PITCH)


def _rigid(indenter):
    if indenter.shape == 'sphere':
        return Sphere(indenter.radius)
    if indenter.shape == 'cylinder':
        return Cylinder(indenter.radius, indenter.length)
    return Punch(indenter.radius, indenter.edge_radius)


def _key(scenario, elastomer):
    """Name of a solution: whatever could change it, the code that solves it included."""
    digest = hashlib.sha256()
    for part in (scenario.indenter, scenario.friction, scenario.start, scenario.steps,
                 elastomer.thickness, elastomer.youngs_modulus, elastomer.poissons_ratio):
        digest.update(f'{part!r}\n'.encode())
    for source in (layer.__file__, mechanics.__file__, __file__):
        digest.update(Path(source).read_bytes())
    return digest.hexdigest()[:32]


def _load(path):
    """Solution in a file, or None when it is missing or damaged."""
    names = [field.name for field in fields(Solution)]
    try:
        with path.open('rb') as file, np.load(file) as arrays:
            solution = Solution(*(arrays[name] for name in names))
    except FileNotFoundError:
        return None
    except (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile, zlib.error) as error:
        _log.warning('%s is damaged (%s), the scenario is solved again', path, error)
        return None
    count = len(solution.time)
    shapes = ((count,), (count, 3, *GRID_SHAPE), (count, 6), (count, 2), (count,), (count,))
    if count < 2 or any(getattr(solution, name).shape != shape
                        for name, shape in zip(names, shapes, strict=True)):
        _log.warning('%s is damaged (wrong shapes), the scenario is solved again', path)
        return None
    return solution


def _store(path, solution):
    try:
        with tempfile.NamedTemporaryFile(dir=path.parent, suffix='.part', delete=False) as file:
            try:
                np.savez(file, **{f.name: getattr(solution, f.name) for f in fields(solution)})
                os.replace(file.name, path)
            except BaseException:
                os.unlink(file.name)
                raise
    except OSError as error:
        _log.warning('the solution is not kept: %s', error)
