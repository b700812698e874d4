# SPDX-License-Identifier: Apache-2.0
"""The independent mechanics against closed solutions that neither side was written from."""

import numpy as np
import pytest

from tests.accuracy.contact import ContactSolver, Pose
from tests.accuracy.elastic import Layer
from tests.accuracy.grid import SkinGrid
from tests.accuracy.indenters import Ball, Box, Cylinder, Ridges, Wedge
from tests.accuracy.press import PressPlan, solve_press

NU = 0.48
MODULUS = 0.4e6
RADIUS = 4e-3
THICK = SkinGrid(Layer(14e-3, MODULUS, NU), shape=(480, 600))
THIN = SkinGrid(Layer(3e-3, MODULUS, NU))


def pressed(grid, friction, load, radius=RADIUS):
    solver = ContactSolver(grid, Ball(radius), friction,
                           (grid.shape[0] // 2 - 40, grid.shape[1] // 2 - 40), (80, 80))
    return solver, solver.press_to(solver.start(Pose(0, 0, 0)), load)


def test_short_waves_see_a_half_space():
    """Boussinesq and Cerruti in Fourier space; Johnson, Contact Mechanics (1985), ch. 3."""
    layer, k = Layer(3e-3, MODULUS, NU), 2e4
    found = np.array(layer.compliance(k)) * k * layer.shear_modulus
    assert found == pytest.approx([1 - NU, -(1 - 2 * NU) / 2, 1 - NU, 1], abs=2e-6)


def test_long_waves_see_shear_and_compression_of_a_slab():
    """Hooke's law for a uniformly loaded bonded slab: h / G along, h / (lambda + 2 G) out."""
    layer = Layer(3e-3, MODULUS, NU)
    along, coupling, out, across = layer.compliance(1.0)
    slab = layer.thickness / layer.shear_modulus
    assert along == pytest.approx(slab, rel=1e-4)
    assert across == pytest.approx(slab, rel=1e-4)
    assert out == pytest.approx(layer.thickness / (layer.lame + 2 * layer.shear_modulus), rel=1e-3)
    assert abs(coupling) < 0.01 * along


def test_uniform_traction_moves_the_skin_as_a_whole():
    """Hooke's law for a slab, and no direction is preferred."""
    traction = np.ones((3, *THIN.shape)) * np.array([100.0, -50.0, -20.0])[:, None, None]
    layer = THIN.layer
    expected = layer.thickness * np.array([100 / layer.shear_modulus, -50 / layer.shear_modulus,
                                           -20 / (layer.lame + 2 * layer.shear_modulus)])
    found = THIN.displacement(traction).reshape(3, -1)
    assert found.mean(axis=1) == pytest.approx(expected, rel=1e-6)
    assert np.ptp(found, axis=1).max() < 1e-10


def test_the_table_of_waves_is_the_finite_element_solution():
    layer = Layer(2.2e-3, MODULUS, 0.49)
    k = np.array([37.0, 412.0, 1903.0, 15000.0])
    exact = np.array([layer.compliance(x) for x in k]).T
    assert layer.compliances(k) == pytest.approx(exact, rel=1e-3, abs=1e-3 * exact.max() * 1e-3)


def test_a_ball_on_a_thick_layer_obeys_hertz():
    """Johnson, Contact Mechanics (1985), ch. 4: a^3 = 3PR/4E*, p0 = 3P/(2 pi a^2).

    The layer is 16 contact radii thick or more. The approach is left to other tests: it is
    smaller than a half-space's by what lies below the layer.
    """
    modulus = MODULUS / (1 - NU ** 2)
    for wanted in (0.02, 0.1, 0.4):
        solver, state = pressed(THICK, 0.0, wanted)
        load = -solver.load(state)[2]
        a = (0.75 * load * RADIUS / modulus) ** (1 / 3)
        assert state.pressure.max() == pytest.approx(1.5 * load / (np.pi * a * a), rel=0.03)
        area = (state.pressure > 0).sum() * THICK.pitch ** 2
        assert np.sqrt(area / np.pi) == pytest.approx(a, abs=0.6 * THICK.pitch)


def test_a_thin_layer_is_far_stiffer():
    """Johnson ch. 5: once the contact is as wide as a nearly incompressible layer is thick."""
    solver, state = pressed(THIN, 0.0, 5.0)
    load, depth = -solver.load(state)[2], state.pose.depth
    half_space = 4 / 3 * MODULUS / (1 - NU ** 2) * np.sqrt(RADIUS) * depth ** 1.5
    assert load > 2 * half_space


def test_no_pressure_outside_and_no_gap_inside():
    """Signorini's conditions on the skin that the solution really has."""
    solver, state = pressed(THIN, 0.6, 2.0)
    gap = solver.lowest(state.plane, state.pose) - state.rise
    touching = state.pressure > 0
    assert np.abs(gap[touching]).max() < 0.01 * state.pose.depth
    assert gap[~touching].min() > -0.01 * state.pose.depth
    assert not state.pressure[[0, -1]].any()
    assert not state.pressure[:, [0, -1]].any()


def test_forces_do_the_same_work_either_way():
    """Betti's theorem: work of load 1 on displacement 2 = of load 2 on displacement 1."""
    rng = np.random.default_rng(0)
    box = THIN.box(20, 24)
    one, two = rng.normal(size=(2, 3, 20, 24))

    def moved(t):
        plane = box.tangential(t[:2]) - box.plane_under_pressure(t[2])
        return np.concatenate([plane, [box.rise_under_shear(t[:2]) + box.normal(t[2])]])

    first, second = float((one * moved(two)).sum()), float((two * moved(one)).sum())
    assert first == pytest.approx(second, rel=1e-4)


def test_box_and_whole_skin_agree():
    solver, state = pressed(THIN, 0.6, 1.0)
    state = solver.step(state, state.pose.moved(dx=2e-4, turn=0.02))
    traction = np.zeros((3, *THIN.shape))
    box = (slice(80, 160), slice(110, 190))
    traction[0][box], traction[1][box] = state.shear
    traction[2][box] = -state.pressure
    u = THIN.displacement(traction)
    assert u[0][box] == pytest.approx(state.plane[0], abs=2e-7)
    assert u[2][box] == pytest.approx(state.rise, abs=2e-7)


def test_sticking_stiffness_sideways_is_mindlins():
    """Mindlin (1949), Johnson ch. 7: kt / kn = 2 (1 - nu) / (2 - nu) for a half-space.

    The layer is 28 contact radii thick; its lower side adds some per cent to kn.
    """
    solver, state = pressed(THICK, 50.0, 0.02)
    sideways = solver.step(state, state.pose.moved(dx=2e-6))
    deeper, higher = (solver.step(state, state.pose.moved(depth=d)) for d in (4e-6, -4e-6))
    along = (solver.load(sideways) - solver.load(state))[0] / 2e-6
    down = (solver.load(higher) - solver.load(deeper))[2] / 8e-6
    assert along / down == pytest.approx(2 * (1 - NU) / (2 - NU), rel=0.04)


def test_partial_slip_leaves_mindlins_stick_circle():
    """Cattaneo (1938), Mindlin (1949): c/a = (1 - Q / mu P)^(1/3)."""
    solver, state = pressed(THICK, 0.5, 0.4, radius=8e-3)
    stick = []
    for _ in range(12):
        state = solver.step(state, state.pose.moved(dx=2.5e-5))
        force = solver.load(state)
        ratio = force[0] / (0.5 * -force[2])
        if 0.3 < ratio < 0.9:
            stick.append((np.sqrt(state.stick), (1 - ratio) ** (1 / 3)))
    assert len(stick) >= 3
    for found, expected in stick:
        assert found == pytest.approx(expected, abs=0.06)


def test_gross_slip_carries_mu_times_load_against_the_motion():
    """Coulomb."""
    solver, state = pressed(THIN, 0.4, 0.5)
    for _ in range(8):
        state = solver.step(state, state.pose.moved(dx=1.5e-4, dy=-1e-4))
    force = solver.load(state)
    assert state.stick == 0
    assert np.hypot(*force[:2]) == pytest.approx(-0.4 * force[2], rel=0.01)
    assert force[1] / force[0] == pytest.approx(-2 / 3, rel=0.02)


def test_a_patch_that_sticks_travels_with_the_indenter():
    solver, state = pressed(THIN, 2.0, 2.0)
    centre = (40, 40)
    before = state.plane[0][centre]
    for _ in range(4):
        state = solver.step(state, state.pose.moved(dx=1e-4))
    assert state.plane[0][centre] - before == pytest.approx(4e-4, rel=0.01)
    assert state.stick > 0.6


@pytest.mark.parametrize('indenter', [Ball(3e-3), Cylinder(2e-3), Box(), Ridges(), Wedge()],
                         ids=lambda i: i.name)
def test_every_indenter_starts_at_its_lowest_point(indenter):
    x = np.linspace(-6e-3, 6e-3, 241)
    height = indenter(x[None, :], x[:, None])
    assert 0 <= height.min() < 3e-5
    assert np.isfinite(height).all()


def test_wrench_of_a_press_is_at_the_origin_with_the_skin_where_it_is():
    """Statics: moments of the traction about the tip origin; press gives fz < 0."""
    plan = PressPlan(Ball(RADIUS), 2e-3, -1e-3, 0.6, moves=(('shear', 0.25, 0.0),))
    press = solve_press(THIN, plan)
    key = next(k for k in press.keys[::-1] if k.phase == 'shear')
    wrench, centroid = press.truth(key.time)
    state, area = key.state, THIN.pitch ** 2
    force = np.stack([*state.shear, -state.pressure]).reshape(3, -1).T.astype(float) * area
    place = np.stack([press.solver.x + state.plane[0], press.solver.y + state.plane[1],
                      state.rise]).reshape(3, -1).T
    assert wrench[:3] == pytest.approx(force.sum(axis=0), abs=1e-5)
    assert wrench[3:] == pytest.approx(np.cross(place, force).sum(axis=0), abs=1e-7)
    assert wrench[2] == pytest.approx(-0.6, rel=0.1)
    assert wrench[0] == pytest.approx(0.25, rel=0.2)
    # A pressure's centre is pressed on: moments of the pressure alone vanish there.
    x = (state.pressure * place[:, 0].reshape(state.pressure.shape)).sum() / state.pressure.sum()
    assert centroid[0] == pytest.approx(x, abs=1e-7)
    assert press.truth(press.duration)[0] == pytest.approx(np.zeros(6), abs=1e-6)
