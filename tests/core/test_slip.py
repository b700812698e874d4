# SPDX-License-Identifier: Apache-2.0
from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import map_coordinates

from tactile_nodes.core.layer import PunchStiffness
from tactile_nodes.core.slip import SlipDetector
from tactile_nodes.core.types import Elastomer, ElastomerKind, MarkerField
from tactile_nodes.virtual.mechanics import LayerContact, Pose, Sphere

SOFT = Elastomer('soft', ElastomerKind.REFLECTIVE_MARKERS, 3e-3, 0.41e6, 0.48, 1.5e-3, 0.5e-3)
HALF_SPACE = replace(SOFT, thickness=0.1)
FRAME = 1 / 60
CELL = 0.12e-3
_x, _y = (np.arange(n) * 1.5e-3 - (n - 1) * 0.75e-3 for n in (13, 9))
REST = np.stack([a.ravel() for a in np.meshgrid(_x + 0.3e-3, _y - 0.2e-3)], -1)


def markers_of(displacement, rest=REST):
    return MarkerField(np.arange(len(rest), dtype=np.int32), rest.astype(np.float32),
                       np.asarray(displacement, np.float32))


def disc(centre, radius):
    """Cells of a round contact, and their depth under a ball."""
    x, y = np.meshgrid((np.arange(160) - 79.5) * CELL, (np.arange(120) - 59.5) * CELL)
    r = np.hypot(x - centre[0], y - centre[1])
    inside = r < radius
    return (np.stack([x[inside], y[inside]], -1),
            (1e-4 * (1.2 - (r[inside] / radius)**2)).astype(np.float32))


PRESS = (0.0, 0.0, -2.0)


def pressed_and_pulled(shift, radius):
    """Force on a contact that sticks and was moved along by `shift` (2,) m."""
    return *(PunchStiffness(SOFT)(radius) * np.array(shift)), -2.0


class Player:
    """Hands frames to a detector at the frame rate."""

    def __init__(self, elastomer=SOFT, noise=0.0, seed=0):
        self.detector, self.frame = SlipDetector(elastomer), 0
        self._noise, self._rng = noise, np.random.default_rng(seed)

    def __call__(self, places, depths, displacement, force=PRESS):
        self.frame += 1
        noisy = displacement + self._rng.normal(0, self._noise, np.shape(displacement))
        return self.detector.process(places, depths, markers_of(noisy),
                                     int(self.frame * FRAME * 1e9), np.array(force))


# --- Cattaneo and Mindlin -----------------------------------------------------------------------
def hertzian_shear(places, radius, q0, g, nu):
    """Motion of a half-space under q0 sqrt(1 - r^2 / radius^2) along x.

    Inside Johnson, Contact Mechanics (1985), eqs. 3.91a, b; outside a sum of Cerruti's point
    forces, eq. 3.75.
    """
    x, y = places.T
    unit = np.pi * q0 / (32 * g * radius)
    motion = np.stack([
        unit * (4 * (2 - nu) * radius**2 - (4 - 3 * nu) * x**2 - (4 - nu) * y**2),
        unit * 2 * nu * x * y], -1)
    grid = (np.arange(60) + 0.5) / 30 - 1
    sx, sy = (c.ravel() * radius for c in np.meshgrid(grid, grid))
    pull = q0 * np.sqrt(np.maximum(1 - (sx**2 + sy**2) / radius**2, 0)) * (radius / 30)**2
    out = np.hypot(x, y) > radius
    dx, dy = x[out, None] - sx, y[out, None] - sy
    r = np.hypot(dx, dy)
    motion[out] = np.stack([((1 - nu) / r + nu * dx**2 / r**3) @ pull,
                            (nu * dx * dy / r**3) @ pull], -1) / (2 * np.pi * g)
    return motion


def sheared(angle, friction=0.6, before=0.0):
    """Frames (places, depths, motion, force, stick ratio) of a pull until everything slides.

    Along `angle`, after one of `before` times that of full sliding.

    Johnson section 7.2: c / a = (1 - Q / mu P)^(1/3); the traction is that of full sliding less
    the same on the circle c, scaled by c / a.
    """
    a, q0, nu, g = 3.2e-3, 60e3, SOFT.poissons_ratio, SOFT.shear_modulus
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    near = REST[np.hypot(*REST.T) < 1.2 * a]       # others are never in the contact
    for load in np.linspace(0, 0.97, 60):
        c = a * (1 - load)**(1 / 3)
        motion = np.full(REST.shape, np.nan)
        motion[np.hypot(*REST.T) < 1.2 * a] = (
            hertzian_shear(near @ turn.T, a, q0, g, nu)
            - hertzian_shear(near @ turn.T, c, q0 * c / a, g, nu)) @ turn
        stuck = np.pi * q0 / (8 * g * a) * (2 - nu) * (a**2 - c**2)      # at the middle
        full = 2 / 3 * np.pi * a**2 * q0
        force = np.append((before + load) * full * turn[0], -full / friction)
        yield *disc(stuck * turn[0], a), motion, force, (c / a)**2


@pytest.mark.parametrize('angle', [0.0, 0.7])
def test_stick_ratio_of_cattaneo_and_mindlin(angle):
    play, seen, wanted = Player(HALF_SPACE, noise=0.3e-6), [], []
    for *frame, ratio in sheared(angle):
        seen.append(play(*frame))
        wanted.append(ratio)
    ratio = np.array([s[0] for s in seen])
    announced = [s[1] for s in seen].index(True)
    assert wanted[announced] < 0.6
    error = (ratio - wanted)[6:]
    assert np.sqrt(np.mean(error**2)) < 0.07
    assert np.abs(error).max() < 0.2


@pytest.mark.parametrize('angle', [0.0, 0.7])
def test_stick_ratio_of_a_contact_between_the_markers(angle):
    """Too small for markers, as a light touch is: imprint and force alone tell."""
    play, few = Player(HALF_SPACE), np.full(REST.shape, np.nan)
    few[:3] = 0.0
    error = np.array([play(places, depths, few, force)[0] - ratio
                      for places, depths, _, force, ratio in sheared(angle)])[12:]
    assert np.sqrt(np.mean(error**2)) < 0.1


@pytest.mark.parametrize(('friction', 'before', 'announced'),
                         [(0.5, 0.0, True), (0.1, 0.0, False), (0.5, -2.0, False)])
def test_a_slip_needs_a_pull_along_the_motion(friction, before, announced):
    """What comes back from a pull to the other side cannot slide before that pull is gone."""
    play = Player(HALF_SPACE, noise=0.3e-6)
    assert any(play(*frame)[1] for *frame, _ in sheared(0.7, friction, before)) == announced


# --- a solved grasp: press, drag until it slides, hold, roll ------------------------------------
@pytest.fixture(scope='module')
def grasp():
    """Frames (phase, places, depths, motion, force, stick ratio, slipping) under a ball.

    The ball touches the skin where the skin is, so the gap is taken at its displaced points.
    """
    contact = LayerContact(SOFT, (48, 64), 0.3e-3)
    ball, pose = Sphere(10e-3), np.array([-1.2e-3, 0.2e-3])
    x, y = contact.axes
    frames = []

    def run(phase, count, drag=(0.0, 0.0), roll=(0.0, 0.0), keep=2):
        nonlocal pose
        for _ in range(count):
            pose = pose + drag + roll
            u = contact.state.displacement
            gap = ball.gap(x[None, :] + u[0], y[:, None] + u[1], Pose(*pose))
            before, pulled = contact.state.displacement, contact.state.wrench[:3]
            state = contact.step(gap, (*drag, 0.0), friction=0.6, force=2.0)
            for part in range(1, keep + 1):          # between solutions, as the mechanics allow
                share = part / keep
                moved = before + share * (state.displacement - before)
                motion = np.stack([map_coordinates(
                    moved[j], [(REST[:, 1] - y[0]) / 0.3e-3, (REST[:, 0] - x[0]) / 0.3e-3],
                    order=3) for j in (0, 1)], -1)
                radius = np.sqrt(state.contact.sum() * 0.3e-3**2 / np.pi)
                centre = pose - (np.array(drag) + roll) * (1 - share)
                force = pulled + share * (state.wrench[:3] - pulled)
                frames.append((phase, *disc(centre, radius), motion, force, state.stick_ratio,
                               state.slipping))
    run('press', 4)
    run('drag', 36, drag=(40e-6, 10e-6))
    run('hold', 5)
    run('back', 4, drag=(-40e-6, -10e-6))
    run('rest', 4)
    run('roll', 16, roll=(0.0, 45e-6))
    return frames


@pytest.fixture(scope='module')
def judged(grasp):
    play = Player(noise=0.3e-6)
    return [(frame[0], *frame[5:], *play(*frame[1:5])) for frame in grasp]


def test_slip_is_seen_and_announced(judged):
    drag = [j for j in judged if j[0] == 'drag']
    begins = next(i for i, j in enumerate(drag) if j[2])
    seen = next(i for i, j in enumerate(drag) if j[4])
    assert 20 < begins < 60                                   # the scenario is a fair one
    assert 3 <= begins - seen <= 18                           # 50 to 300 ms ahead
    assert all(j[4] for j in drag[seen:])
    assert all(j[3] < 0.1 for j in drag[begins + 6:])


def test_stick_ratio_follows_the_solved_contact(judged):
    drag = [j for j in judged if j[0] == 'drag' and not j[2]][6:]
    error = np.array([j[3] - j[1] for j in drag])
    assert np.sqrt(np.mean(error**2)) < 0.15


def test_sliding_ends_and_sticking_begins_anew(judged):
    hold = [j for j in judged if j[0] == 'hold']
    assert not hold[-1][4]
    back = [j for j in judged if j[0] == 'back']
    assert back[-1][3] > 0.6 and not back[-1][4]


def test_rolling_from_rest_is_not_sliding(judged):
    assert not any(j[4] for j in judged if j[0] in ('rest', 'roll'))


# --- rules --------------------------------------------------------------------------------------
def rigid(shift, twist, centre):
    arm = REST - centre
    return np.array(shift) + twist * np.stack([-arm[:, 1], arm[:, 0]], -1)


@pytest.mark.parametrize(('shift', 'twist'), [((8e-6, -5e-6), 0), ((0, 0), 5e-3),
                                              ((6e-6, 0), -4e-3)])
def test_what_moves_rigidly_sticks(shift, twist):
    play = Player()
    for i in range(20):
        centre = np.array([0.2e-3, 0.1e-3]) + i * np.array(shift)
        result = play(*disc(centre, 3e-3), i * rigid(shift, twist, centre),
                      pressed_and_pulled(i * np.array(shift), 3e-3))
    assert result == (1.0, False)


@pytest.mark.parametrize(('pull', 'slides'), [(1.0, True), (-1.0, False)])
def test_skin_that_snaps_back_under_an_imprint_at_rest_slides(pull, slides):
    """It was drawn out by the pull; friction that drew it back would not be sliding."""
    play = Player()
    for i in range(30):
        back = 0 if i < 15 else -(i - 14) * 20e-6
        _, slipping = play(*disc((0, 0), 3e-3), np.full(REST.shape, 4e-4 + back) * [1, 0],
                           (pull, 0, -2))
    assert slipping == slides


def test_nothing_moves_nothing_changes():
    play = Player(noise=0.4e-6)
    results = {play(*disc((0, 0), 3e-3), np.zeros(REST.shape)) for _ in range(100)}
    assert results == {(1.0, False)}


def test_no_contact_sticks_and_forgets():
    play = Player()
    for i in range(30):
        play(*disc((0, 0), 3e-3), np.full(REST.shape, -i * 20e-6) * [1, 0])
    nowhere = np.zeros((0, 2)), np.zeros(0, np.float32)
    assert play.detector.process(*nowhere, markers_of(np.zeros(REST.shape)), 10**12,
                                 np.array(PRESS)) == (1, False)
    again = play(*disc((2e-3, 0), 3e-3), np.full(REST.shape, 9e-4))
    assert again == (1.0, False)


def test_repeated_frames_and_gaps_and_a_clock_set_back_are_no_motion():
    detector, places = SlipDetector(SOFT), disc((0, 0), 3e-3)
    far = markers_of(np.full(REST.shape, 5e-4) * [1, 0])
    here = markers_of(np.zeros(REST.shape))

    def look(markers, stamp_ns):
        return detector.process(*places, markers, stamp_ns, np.array(PRESS))

    for k in range(10):
        look(here, k * 16_000_000)
    assert look(far, 9 * 16_000_000) == (1.0, False)      # repeated
    for k in range(10):          # a second later everything is elsewhere, then at rest
        assert look(far, 1_200_000_000 + k * 16_000_000) == (1.0, False)
    for k in range(10):
        assert look(here, k * 16_000_000) == (1.0, False)


def test_lost_markers_and_other_markers_are_tolerated():
    detector, places = SlipDetector(SOFT), disc((0, 0), 3e-3)
    for k in range(12):
        moved = np.full(REST.shape, k * 8e-6) * [1, 0]
        moved[k % 3::3] = np.nan
        centre = disc((k * 8e-6, 0), 3e-3)
        force = np.array(pressed_and_pulled((k * 8e-6, 0), 3e-3))
        result = detector.process(*centre, markers_of(moved), k * 16_000_000, force)
    assert result[1] is False and result[0] > 0.8
    few = markers_of(np.zeros((2, 2)), REST[:2])
    assert detector.process(*places, few, 13 * 16_000_000, force) == result
    assert detector.process(*places, MarkerField.empty(), 14 * 16_000_000, None) == result


def test_without_depth_gross_slip_is_not_claimed():
    detector = SlipDetector(SOFT)
    for k in range(30):
        places, depths = disc((k * 30e-6, 0), 3e-3)
        result = detector.process(places, np.full_like(depths, np.nan),
                                  markers_of(np.zeros(REST.shape)), k * 16_000_000,
                                  np.array(PRESS))
    assert result == (1.0, False)
