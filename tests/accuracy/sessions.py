# SPDX-License-Identifier: Apache-2.0
"""The sessions that are recorded: to calibrate from, and to be judged by."""

import numpy as np

from tests.accuracy.fingertip import HEIGHT, WIDTH, make_fingertip
from tests.accuracy.indenters import Ball, Box, Cylinder, Ridges, Wedge
from tests.accuracy.press import PressPlan
from tests.accuracy.session import Session

KINDS = {'marked': 'reflective_markers', 'plain': 'reflective', 'clear': 'clear_markers'}


def _places(tip, count, rng, margin=2.8e-3):
    """Evenly scattered places on the image (x, y), m, in random order."""
    k = np.arange(1, count + 1)
    spread = np.stack([(k * 0.7548776662 + rng.random()) % 1,
                       (k * 0.5698402910 + rng.random()) % 1], axis=1)
    half = np.array([WIDTH, HEIGHT]) * tip.camera.metres_per_px / 2 - margin
    return rng.permutation((2 * spread - 1) * half)


def _moves(rng, load, friction, kind):
    """Shear and twist that friction mostly carries: 'none', 'shear', 'twist' or 'both'."""
    moves = []
    if kind in ('shear', 'both'):
        angle = rng.uniform(0, 2 * np.pi)
        size = min(4.0, friction * load) * rng.uniform(0.35, 0.9)
        direction = np.array([np.cos(angle), np.sin(angle)])
        moves.append(('shear', *(size * direction)))
        if rng.random() < 0.5:
            moves.append(('shear', *(-rng.uniform(0, 0.8) * size * direction)))
        elif rng.random() < 0.5:
            moves.append(('shear', *(0.7 * size * direction[::-1] * [1, -1])))
    if kind in ('twist', 'both'):
        moves.append(('twist', rng.choice([-1, 1]) * friction * load * rng.uniform(2e-4, 9e-4)))
    return tuple(moves)


def presses(tip, indenters, count, seed, *, loads=(0.15, 8.0), friction=0.7,
            mix=(0.25, 0.45, 0.1), margin=2.8e-3):
    """Presses all over the image: loads spread evenly in the logarithm, moves of every kind.

    Parameters
    ----------
    indenters : list
        Taken in turn.
    mix : tuple of float
        Parts of presses without moves, with shear, with twist; the rest has both.
    margin : float
        Least way from a press's centre to the image's border, m.
    """
    rng = np.random.default_rng([12, seed])
    levels = rng.permutation(np.geomspace(*loads, count))
    plans = []
    for i, (place, load) in enumerate(zip(_places(tip, count, rng, margin), levels,
                                          strict=True)):
        kind = rng.choice(['none', 'shear', 'twist', 'both'], p=[*mix, 1 - sum(mix)])
        plans.append(PressPlan(
            indenters[i % len(indenters)], *place, load=float(load),
            turn=float(rng.uniform(0, np.pi)), friction=friction,
            moves=_moves(rng, load, friction, kind), tempo=float(rng.uniform(0.5, 1.2))))
    return tuple(plans)


def taps(tip, count, seed):
    """Short light touches from 0.02 N."""
    rng = np.random.default_rng([13, seed])
    shapes = [Ball(4e-3), Ball(2.5e-3), Cylinder(3e-3), Ball(6e-3)]
    return tuple(PressPlan(shapes[i % 4], *place, load=float(load), hold=0.25,
                           turn=float(rng.uniform(0, np.pi)))
                 for i, (place, load) in enumerate(zip(
                     _places(tip, count, rng), rng.permutation(np.geomspace(0.02, 0.08, count)),
                     strict=True)))


def slides(tip, frictions, loads, seed):
    """Sideways until gross slip and a little beyond, at several frictions, loads and speeds."""
    rng = np.random.default_rng([14, seed])
    shapes = [Ball(4e-3), Ball(6e-3), Cylinder(3e-3), Ball(3e-3)]
    plans = []
    for friction in frictions:
        for load in loads:
            x, y = rng.uniform(-1, 1, 2) * [3e-3, 2e-3]
            plans.append(PressPlan(
                shapes[len(plans) % 4], x, y, load=load, friction=friction, hold=0.6,
                turn=float(rng.uniform(0, np.pi)), tempo=float(rng.uniform(0.6, 1.8)),
                moves=(('slide', float(rng.uniform(0, 2 * np.pi)), 4e-4), ('hold', 0.3))))
    return tuple(plans)


def _boxes(rng):
    return [Box(w, h, tuple(rng.normal(0, 3e-3, 2))) for w, h in
            ((6e-3, 4e-3), (4e-3, 4e-3), (5e-3, 2.5e-3))]


TEST_INDENTERS = {
    'ball': [Ball(4e-3), Ball(2.5e-3), Ball(5e-3)],
    'cylinder': [Cylinder(3e-3), Cylinder(1.5e-3), Cylinder(5e-3)],
    'box': _boxes(np.random.default_rng(5)),
    'grating': [Ridges(), Ridges(4, 1.5e-3, 3e-4, 8e-4), Ridges(6, 1e-3, 2e-4, 5e-4)],
    'edge': [Wedge(), Wedge(0.5, 5e-4), Wedge(1.0, 3e-4, 4e-3)],
}


def _style(seed):
    """How that fingertip's rig records."""
    return [{'encoding': 'jpeg', 'rate': 20.0},
            {'encoding': 'rgb8', 'rate': 20.0, 'contact_points': True},
            {'encoding': 'png', 'rate': 25.0}][(seed - 1) % 3]


def train(seed, skin='marked', count=60):
    """The session to calibrate from: balls of three radii."""
    tip = make_fingertip(seed, KINDS[skin])
    plans = presses(tip, [Ball(3e-3), Ball(4e-3), Ball(6e-3)], count, 100 * seed)
    extra = {'contact_points': True} if skin == 'plain' else {}
    return Session(f'train_{skin}_{seed}', tip, plans, seed=1, idle_first=3.0,
                   **{**_style(seed), **extra})


def other(shape, seed, skin='marked', count=10):
    """A session with other indenters, to be judged by."""
    tip = make_fingertip(seed, KINDS[skin])
    plans = presses(tip, TEST_INDENTERS[shape], count, 100 * seed + len(shape) + 50,
                    margin=2.8e-3 if shape == 'ball' else 4e-3)
    if shape == 'ball':
        plans += tuple(PressPlan(Ball(4e-3), x, y, load=8.0, depth=5e-4, hold=0.5) for x, y in
                       ((0, 0), (3e-3, 2e-3), (-4e-3, 1e-3), (2e-3, -2.5e-3)))
    return Session(f'test_{skin}_{shape}_{seed}', tip, plans, seed=len(shape) + 2,
                   **_style(seed))


def light_taps(seed, skin='marked', count=50):
    tip = make_fingertip(seed, KINDS[skin])
    return Session(f'test_{skin}_light_taps_{seed}', tip, taps(tip, count, seed), seed=21,
                   **_style(seed))


def two_ridges(seed, skin='marked'):
    """Two ridges 0.5 mm apart, pressed at several turns, on a finer grid."""
    tip = make_fingertip(seed, KINDS[skin])
    rng = np.random.default_rng([15, seed])
    shape = Ridges(2, 5e-4, 1.2e-4, 3e-4, 4e-3, name='two_ridges', reach=3.2e-3)
    plans = tuple(PressPlan(shape, *place, load=float(load), turn=float(turn), hold=0.8)
                  for place, load, turn in zip(_places(tip, 6, rng), np.geomspace(0.1, 1, 6),
                                               np.linspace(0, np.pi, 6), strict=True))
    return Session(f'test_{skin}_two_ridges_{seed}', tip, plans, seed=22, pitch=6e-5,
                   **_style(seed))


def slip(seed, skin='marked', frictions=(0.3, 0.5, 0.7, 1.0), loads=(0.5, 1.0, 2.0, 4.0, 6.0)):
    tip = make_fingertip(seed, KINDS[skin])
    style = {**_style(seed), 'rate': 60.0}
    return Session(f'slip_{skin}_{seed}', tip, slides(tip, frictions, loads, seed), seed=23,
                   **style)


def idle_drift(seed, skin='marked', seconds=600.0):
    """A long idle time in which the lamps drift by 5 %, then two light presses."""
    tip = make_fingertip(seed, KINDS[skin])
    plans = tuple(PressPlan(Ball(4e-3), x, y, load=load) for x, y, load in
                  ((1e-3, 1e-3, 0.05), (-3e-3, 0, 0.5)))
    return Session(f'idle_drift_{skin}_{seed}', tip, plans, seed=24, drift=0.05,
                   idle_first=seconds, **{**_style(seed), 'rate': 5.0})
