# SPDX-License-Identifier: Apache-2.0
"""A recorded session: presses one after the other, pictures, reference sensor, and the truth."""

import csv
from dataclasses import dataclass

import numpy as np

from tests.accuracy.bag import SessionBag
from tests.accuracy.fingertip import Fingertip
from tests.accuracy.grid import SkinGrid
from tests.accuracy.optics import Optics, Scene, SkinWindow
from tests.accuracy.press import solve_press

_FIRST = 1_750_000_000.0          # s, of the first image; any date will do


@dataclass(frozen=True)
class Session:
    """What is recorded.

    Attributes
    ----------
    name : str
    fingertip : Fingertip
    plans : tuple of PressPlan
    seed : int
        Of noise and pauses.
    rate : float
        Frames per second.
    encoding : str
        jpeg, png (CompressedImage), bgr8 or rgb8 (Image).
    idle_first : float
        s without contact before the first press.
    pause : float
        Mean s between presses.
    drift : float
        Relative change of the lamps' light over the session.
    pitch : float
        Cells of the mechanics, m.
    contact_points : bool
        Also record where the reference says the contact is.
    """

    name: str
    fingertip: Fingertip
    plans: tuple
    seed: int = 0
    rate: float = 25.0
    encoding: str = 'jpeg'
    idle_first: float = 2.0
    pause: float = 0.7
    drift: float = 0.003
    pitch: float = 1.2e-4
    contact_points: bool = False


def lamp_levels(session, time):
    """Light of the three colours: warm-up and a slow wander, together at most the drift."""
    warm = 1 - np.exp(-time / 60)
    return tuple(1 + session.drift * (sign * 0.6 * warm + 0.4 * np.sin(time / slow + phase))
                 for sign, slow, phase in ((-1, 14, 0.0), (-1, 23, 1.0), (1, 31, 2.0)))


class Recorder:
    """Plays a session into a folder: bag, indentations.csv, elastomer.yaml, truth.npz."""

    def __init__(self, session, folder):
        self.session, self.folder = session, folder
        tip = session.fingertip
        scale = 1.2e-4 / session.pitch
        shape = tuple(2 * round(n * scale / 2) for n in (240, 300))
        self.grid = SkinGrid(tip.layer, session.pitch, shape)
        self.window = SkinWindow(self.grid, tip.camera.metres_per_px)
        self.optics = Optics(tip, self.window, session.seed)
        self.rng = np.random.default_rng([77, session.seed, tip.seed])
        self.frames, self.dense, self.presses = [], [], []
        self.onsets, self.maps = [], []
        self._frame = self._sample = 0

    def record(self):
        """Write everything."""
        with SessionBag(self.folder / 'bag', self.session) as self.bag:
            now = self.session.idle_first
            self._play(None, 0.0, now)
            for plan in self.session.plans:
                press = solve_press(self.grid, plan)
                self._note(press, now)
                self._play(press, now, now + press.duration)
                now += press.duration
                pause = self.session.pause * self.rng.uniform(0.6, 1.6)
                self._play(None, now, now + pause)
                now += pause
        self._write()

    def _note(self, press, start):
        plan = press.plan
        at = len(self.presses)
        loads = [-press.solver.load(k.state)[2] for k in press.keys]
        self.presses.append((start, start + press.duration, plan.indenter.name,
                             plan.indenter.radius if plan.indenter.name == 'ball' else np.nan,
                             max(loads), max(k.state.pose.depth for k in press.keys[:-1]),
                             plan.friction, plan.turn))
        self.onsets += [(start + t, at, phase) for t, phase in press.slip_onsets()]
        hold = [k for k in press.keys if k.phase == 'hold']
        self._map_at = start + hold[0].time - plan.hold / plan.tempo / 2 if hold else np.inf

    def _play(self, press, start, end):
        """Frames and sensor samples from `start` to `end`; `press` begins at `start`."""
        rate, sensor = self.session.rate, self.session.fingertip.sensor
        cache = {}
        while True:
            frame, sample = self._frame / rate, self._sample / sensor.rate
            if min(frame, sample) >= end:
                return
            time = min(frame, sample)
            wrench, centroid = (np.zeros(6), np.full(2, np.nan)) if press is None \
                else press.truth(time - start)
            if sample <= frame:
                self._sample += 1
                self.dense.append((time, *wrench))
                noisy = wrench + sensor.zero + self.rng.normal(0, 1, 6) * (
                    [sensor.force_noise] * 3 + [sensor.torque_noise] * 3)
                self.bag.add_wrench(_FIRST + time + sensor.late, noisy)
            else:
                self._frame += 1
                self._see(press, time, start, (wrench, centroid), cache)

    def _see(self, press, time, start, known, cache):
        wrench, centroid = known
        scene = Scene(lamp_levels(self.session, time), time)
        stick, slips, area, fields, touching = 1.0, False, 0.0, None, None
        if press is not None:
            fields, touching, area = self._moment(press, time - start, cache)
            stick, slips = press.stick(time - start)
            if time >= self._map_at:
                self.maps.append((self._frame - 1, len(self.presses) - 1,
                                  self.optics.depth(fields).astype(np.float32)))
                self._map_at = np.inf
        self.frames.append((time, *wrench, *centroid, press is not None, area, stick, slips))
        self.bag.add_image(_FIRST + time, self.optics.image(fields, scene, touching))
        if self.session.contact_points and press is not None and np.isfinite(centroid[0]):
            self.bag.add_point(_FIRST + time, centroid + self.rng.normal(0, 2e-5, 2))

    def _moment(self, press, time, cache):
        """Fields of the skin, (indenter, pose) and area of contact between two keys."""
        i, part = press.between(time)
        for j in (i, i + 1):
            if j not in cache:
                cache[j] = self.window.fields(press.solver, press.keys[j].state)
        for j in [j for j in cache if j < i]:
            del cache[j]
        fields = (1 - np.float32(part)) * cache[i] + np.float32(part) * cache[i + 1]
        a, b = press.keys[i].state, press.keys[i + 1].state
        mixed = (1 - part) * a.pressure + part * b.pressure
        area = (mixed > 0.01 * mixed.max()).sum() * self.grid.pitch ** 2 if mixed.any() else 0.0
        pose = type(a.pose)(*((1 - part) * getattr(a.pose, n) + part * getattr(b.pose, n)
                              for n in ('x', 'y', 'depth', 'turn')))
        return fields, (press.plan.indenter, pose), float(area)

    def _write(self):
        folder = self.folder
        (folder / 'elastomer.yaml').write_text(self.session.fingertip.elastomer_yaml(),
                                               encoding='utf-8')
        with open(folder / 'indentations.csv', 'w', newline='', encoding='utf-8') as file:
            table = csv.writer(file)
            table.writerow(['start_s', 'end_s', 'shape', 'radius_mm'])
            for start, end, shape, radius, *_ in self.presses:
                if shape == 'ball':
                    table.writerow([f'{start:.4f}', f'{end:.4f}', shape, f'{radius * 1e3:.3f}'])
        frames = np.array(self.frames, float)
        presses = list(zip(*self.presses, strict=True)) or [()] * 8
        onsets = list(zip(*self.onsets, strict=True)) or [()] * 3
        tip = self.session.fingertip
        np.savez_compressed(
            folder / 'truth.npz', first_stamp=_FIRST, t=frames[:, 0], wrench=frames[:, 1:7],
            centroid=frames[:, 7:9], contact=frames[:, 9] > 0, area=frames[:, 10],
            stick=frames[:, 11], slipping=frames[:, 12] > 0, dense=np.array(self.dense),
            press_start=np.array(presses[0]), press_end=np.array(presses[1]),
            press_shape=np.array(presses[2], str), press_radius=np.array(presses[3]),
            press_load=np.array(presses[4]), press_depth=np.array(presses[5]),
            press_friction=np.array(presses[6]), press_turn=np.array(presses[7]),
            onset=np.array(onsets[0]), onset_press=np.array(onsets[1], int),
            onset_phase=np.array(onsets[2], str),
            map_frame=np.array([m[0] for m in self.maps], int),
            map_press=np.array([m[1] for m in self.maps], int),
            map_depth=np.array([m[2] for m in self.maps]),
            metres_per_px=tip.camera.metres_per_px, modulus=tip.layer.modulus,
            thickness=tip.layer.thickness, poisson=tip.layer.poisson, late=tip.sensor.late,
            zero=tip.sensor.zero, gamma=tip.camera.gamma)
