# SPDX-License-Identifier: Apache-2.0
"""Minutes of contact in which nothing slides, straight through the live core: is a slip told?

Objects of all loads and frictions are gripped, pulled at, and held: still, with a load and a pull
that slowly change, and shaken a little, in light that drifts. At least half of the contact sticks
all the time. Nothing is recorded: a picture between two solved moments is made from the light and
the places of both, which is faster than to read it from a bag.
"""

import cv2
import numpy as np

from tests.accuracy.fingertip import make_fingertip
from tests.accuracy.grid import SkinGrid
from tests.accuracy.indenters import Ball, Box, Cylinder
from tests.accuracy.optics import Optics, Scene, SkinWindow
from tests.accuracy.press import Key, PressPlan, solve_press
from tests.accuracy.session import Session, lamp_levels
from tests.accuracy.sessions import KINDS

_FRICTIONS, _LOADS = (0.3, 0.5, 0.75, 1.0), (0.5, 1.2, 2.7, 6.0)
_SHAPES = (Ball(4e-3), Cylinder(3e-3), Box(5e-3, 4e-3), Ball(6e-3))
_STICKS = 0.5              # least part of a contact, and most of what friction could bear as pull
_HELD = 36.0               # s, every grip
_RATES = (60.0, 30.0)      # images a second, each with half the grips
_IDLE, _BETWEEN = 40, 10   # pictures of untouched skin: first, for the reference, and after a grip
_DRIFT = 0.02              # of the lamps


def hold(seed, calibration, part, parts, skin='marked'):
    """Grip, hold, and count the slips that are told.

    Parameters
    ----------
    seed : int
        Which fingertip.
    calibration : path-like
        Of that one.
    part, parts : int
        Which of the grips, in that many shares.

    Returns
    -------
    told : list of (float, str)
        Part of the contact that stuck when a slip was told, and what went on.
    seconds : float
        Of contact.
    """
    from tactile_nodes.core.pipeline import FingerPipeline
    from tactile_nodes.core.reference import ReferenceBuilder
    from tactile_nodes.files.calibration import read_calibration

    cv2.setNumThreads(1)
    known = read_calibration(calibration)
    pipeline = FingerPipeline(known.geometry, known.elastomer, known.shading, known.force)
    builder = ReferenceBuilder(known.geometry.shape, known.elastomer)
    told, seconds, slipping, last = [], 0.0, False, 0.0
    for i, (time, picture, moment) in enumerate(_pictures(seed, skin, part, parts)):
        if i < _IDLE:
            builder.add(picture)
            continue
        if i == _IDLE:
            pipeline.set_reference(builder.finish())
        *_, force = pipeline.process(picture, round(time * 1e9))
        if moment is not None:
            seconds += time - last
            if force.slipping and not slipping:
                told.append(moment)
        slipping, last = force.slipping, time
    return told, seconds


def _pictures(seed, skin, part, parts):
    """Yield time, picture, and (part that sticks, what goes on), or None without contact."""
    tip = make_fingertip(seed, KINDS[skin])
    session = Session('steady', tip, (), seed=31 + part, drift=_DRIFT)
    grid = SkinGrid(tip.layer, session.pitch, (240, 300))
    optics = _KeyedOptics(tip, SkinWindow(grid, tip.camera.metres_per_px), session.seed)
    time = 0.0

    def idle(count):
        nonlocal time
        for _ in range(count):
            time += 1 / _RATES[0]
            yield time, optics.image(scene=Scene(lamp_levels(session, time), time)), None

    yield from idle(_IDLE)
    for number, plan in list(enumerate(_plans(seed)))[part::parts]:
        press = _gripped(grid, plan, np.random.default_rng([17, seed, number]))
        rate = _RATES[(number + number // 4) % 2]
        for i in range(int(press.duration * rate)):
            time += 1 / rate
            key, share = press.between(i / rate)
            picture = optics.between(press, key, share, Scene(lamp_levels(session, time), time))
            yield time, picture, (press.stick(i / rate)[0], press.keys[key + 1].phase)
        yield from idle(_BETWEEN)


def _plans(seed):
    """Grips of every load and friction; a pull that friction bears with ease."""
    rng = np.random.default_rng([16, seed])
    for i, (load, friction) in enumerate((n, m) for n in _LOADS for m in _FRICTIONS):
        angle, pull = rng.uniform(0, 2 * np.pi), rng.uniform(0, _STICKS) * friction * load
        yield PressPlan(_SHAPES[(i + i // 4) % 4], *(rng.uniform(-1, 1, 2) * [3e-3, 2e-3]),
                        load=load, friction=friction, turn=float(rng.uniform(0, np.pi)),
                        moves=(('shear', pull * np.cos(angle), pull * np.sin(angle)),))


def _gripped(grid, plan, rng):
    """A solved press that is not let go: its load and pull wander, and it is shaken a little."""
    press = solve_press(grid, plan)
    press.keys = [k for k in press.keys if k.phase not in ('release', 'end')]
    end = press.keys[-1].time + _HELD
    while press.keys[-1].time < end:
        last = press.keys[-1]
        what = rng.choice(['still', 'load', 'pull', 'shake'])
        if what == 'still':
            press.keys.append(Key(last.time + rng.uniform(0.3, 2), last.state, what))
            continue
        state = _changed(press.solver, last.state, plan.load, what, rng)
        if state.stick < _STICKS:
            continue
        there_and_back = int(rng.integers(2, 10)) if what == 'shake' else 0
        seconds = 1 / rng.uniform(4, 16) if there_and_back else rng.uniform(0.3, 1.5)
        for i in range(2 * there_and_back or 1):
            press.keys.append(Key(press.keys[-1].time + seconds, last.state if i % 2 else state,
                                  what))
    return press


def _changed(solver, state, load, what, rng):
    """State after another load within a third of `load` (N), or a small way and turn."""
    if what == 'load':
        wanted = -solver.load(state)[2] * rng.uniform(0.75, 1.3)
        return solver.press_to(state, float(np.clip(wanted, load / 1.33, load * 1.33)))
    way = rng.normal(0, 8e-5 if what == 'pull' else 8e-6, 2)
    return solver.step(state, state.pose.moved(*way, turn=rng.normal(0, 2e-3)))


class _KeyedOptics(Optics):
    """Pictures between two solved moments that are close to one another."""

    _known = ()

    def between(self, press, i, share, scene):
        """(H, W, 3) uint8 picture `share` of the way from key i of a Press to the next."""
        found = []
        for state in (press.keys[i].state, press.keys[i + 1].state):
            old = [drawn for known, drawn in (*self._known, *found) if known is state]
            found.append((state, old[0] if old else self._drawn(press.solver, state)))
        self._known, (now, then) = found, (drawn for _, drawn in found)
        if now is not then:
            now = (1 - np.float32(share)) * now + np.float32(share) * then
        paint = self._painted(self._paintwork, now[..., 0], now[..., 1])
        seen = now[..., 2:] * np.asarray(scene.levels, np.float32) * paint[..., None]
        return self._expose(seen + self.tip.ambient * self._exposure)

    def _drawn(self, solver, state):
        """(H, W, 5) float32: the place of the skin that a pixel sees, m, and its light."""
        x, y, bent = self._where(self.window.fields(solver, state))
        return np.dstack([x, y, self._light(bent)])
