# SPDX-License-Identifier: Apache-2.0
import dataclasses

import numpy as np
import pytest
from scipy.linalg import solve_triangular
from scipy.ndimage import map_coordinates
from scipy.special import ellipe, ellipk

from tactile_nodes.core.depth import integrate_gradient
from tactile_nodes.core.force import ForceModel, ForceStage
from tactile_nodes.core.force_model import FEATURES, Correction
from tactile_nodes.core.geometry import ImageGeometry
from tactile_nodes.core.layer import layer_compliance
from tactile_nodes.core.motion_contact import PatchFinder
from tactile_nodes.core.traction import STEP_VARIANCE, TractionEstimator, resolution
from tactile_nodes.core.types import Contact, Elastomer, ElastomerKind, MarkerField
from tactile_nodes.errors import DataError
from tactile_nodes.virtual.mechanics import Cylinder, LayerContact, Pose, Punch, Sphere

ARMS = np.array([1, 1, 1, 3e-3, 3e-3, 3e-3])     # m, where a force stands beside moments
EXACT = ForceModel(relative_sd=0.0)
SOFT = Elastomer('soft', ElastomerKind.REFLECTIVE_MARKERS, 3e-3, 0.41e6, 0.48, 1.5e-3, 0.5e-3)
VIEW = ImageGeometry(240, 320, 6e-5)
SQUARE = ImageGeometry(240, 240, 6e-5)


def lattice(geometry, pitch=1.5e-3):
    """Rest positions of a centred square lattice of markers, (M, 2) m."""
    axes = []
    for pixels in (geometry.width_px, geometry.height_px):
        count = int(pixels * geometry.metres_per_px / pitch) - 1
        axes.append((np.arange(count) - (count - 1) / 2) * pitch)
    return np.stack([a.ravel() for a in np.meshgrid(*axes)], -1)


def contact_of(geometry, mask, depth):
    return Contact(np.asarray(mask), np.asarray(depth, np.float32),
                   np.count_nonzero(mask) * geometry.work.pixel_area, np.full(2, np.nan), np.nan,
                   np.ones(3))


def markers_of(rest, displacement):
    return MarkerField(np.arange(len(rest), dtype=np.int32), rest.astype(np.float32),
                       np.asarray(displacement, np.float32))


def measured(geometry, rest, field, touching):
    """Contact and MarkerField of a skin given as functions of undeformed x, y.

    The camera sees depth where the skin went, so it is put there by fixed-point iteration.
    """
    x, y = np.meshgrid(*geometry.work.axes())
    at_x, at_y = x, y
    for _ in range(30):
        u = field(at_x, at_y)
        at_x, at_y = x - u[0], y - u[1]
    ux, uy, _ = field(*rest.T)
    return (contact_of(geometry, touching(at_x, at_y), -field(at_x, at_y)[2]),
            markers_of(rest, np.stack([ux, uy], -1)))


def seen_state(geometry, rest, contact):
    """What a perfect camera measures of a solved LayerContact."""
    x, y = contact.axes
    state = contact.state

    def sample(values, px, py):
        return map_coordinates(values, [(py - y[0]) / contact.pitch, (px - x[0]) / contact.pitch],
                               order=3, mode='nearest')
    return measured(
        geometry, rest, lambda px, py: [sample(u, px, py) for u in state.displacement],
        lambda px, py: sample(state.contact.astype(float), px, py) > 0.5)


@pytest.fixture(scope='module')
def stage():
    return ForceStage(VIEW, SOFT, EXACT)


@pytest.fixture(scope='module')
def pressed():
    """A ball pressed with 1 N beside the origin, then sheared and twisted."""
    contact = LayerContact(SOFT, (60, 80), 0.25e-3)
    gap = contact.gap(Sphere(8e-3), Pose(1.3e-3, -0.8e-3))
    contact.step(gap, friction=0.9, force=1.0)
    contact.step(gap, (70e-6, 40e-6, 0.03), (1.3e-3, -0.8e-3), friction=0.9, force=1.0)
    return contact


# --- outside facts: the half-space, as a layer much thicker than the contact is wide -----------
THICK = dataclasses.replace(SOFT, thickness=12e-3)
NEAR = ImageGeometry(240, 320, 2.5e-5)
RADIUS = 0.7e-3
REST = lattice(NEAR, 0.4e-3)
REST = REST[np.hypot(*REST.T) < 2 * RADIUS]       # further out the layer's window is felt


@pytest.fixture(scope='module')
def half_space():
    return ForceStage(NEAR, THICK, EXACT)


def test_hertz_load_from_its_displacement(half_space):
    # K. L. Johnson, Contact Mechanics (1985): u_z eqs. 3.41a, 3.42a; u_r eqs. 3.41b, 3.42b with
    # the sphere's P = 2/3 p0 pi a^2
    a, p0, nu, modulus = RADIUS, 60e3, THICK.poissons_ratio, THICK.youngs_modulus
    load = 2 / 3 * p0 * np.pi * a**2
    x0, y0 = 0.4e-3, -0.3e-3

    def field(x, y):
        dx, dy = x - x0, y - y0
        r = np.maximum(np.hypot(dx, dy), 1e-9)
        s = np.minimum(a / r, 1)
        outside = (2 * a**2 - r**2) * np.arcsin(s) + r * a * np.sqrt(1 - s**2)
        down = (1 - nu**2) / modulus * p0 / (2 * a) * np.where(
            r < a, np.pi / 2 * (2 * a**2 - r**2), outside)
        inward = (1 - 2 * nu) * (1 + nu) / (3 * modulus) * p0 * a**2 / r * (
            1 - np.maximum(1 - (r / a)**2, 0)**1.5)
        return -inward * dx / r, -inward * dy / r, -down

    contact, markers = measured(NEAR, REST, field, lambda x, y: np.hypot(x - x0, y - y0) < a)
    result = half_space.process(contact, markers, 0)
    force, moment = result.wrench[:3], result.wrench[3:]
    np.testing.assert_allclose(force, [0, 0, -load], atol=0.03 * load)
    np.testing.assert_allclose(moment, [-y0 * load, x0 * load, 0], atol=0.04 * load * a)


def test_uniform_pressure_on_a_circle(half_space):
    # Johnson, section 3.4.2: u_z eq. 3.29a inside, 3.29c outside; u_r eq. 3.29b, d
    a, p, nu, modulus = RADIUS, 40e3, THICK.poissons_ratio, THICK.youngs_modulus

    def field(x, y):
        r = np.maximum(np.hypot(x, y), 1e-9)
        s = np.clip(a / r, 0, 1 - 1e-12)
        t = np.clip(r / a, 0, 1 - 1e-12)
        down = 4 * (1 - nu**2) * p / (np.pi * modulus) * np.where(
            r < a, a * ellipe(t**2), r * (ellipe(s**2) - (1 - s**2) * ellipk(s**2)))
        inward = (1 - 2 * nu) * (1 + nu) * p / (2 * modulus) * np.where(r < a, r, a**2 / r)
        return -inward * x / r, -inward * y / r, -down

    contact, markers = measured(NEAR, REST, field, lambda x, y: np.hypot(x, y) < a)
    load = p * np.pi * a**2
    np.testing.assert_allclose(half_space.process(contact, markers, 0).wrench[:3], [0, 0, -load],
                               atol=0.04 * load)


def test_cattaneo_mindlin_shear_from_its_displacement(half_space):
    # q = q0 sqrt(1 - r^2 / a^2) along x: Johnson eqs. 3.91a, b inside the circle, a sum of
    # Cerruti's point forces (Johnson eq. 3.75 at z = 0) outside; depth is not measured
    a, q0, nu, g = RADIUS, 30e3, THICK.poissons_ratio, THICK.shear_modulus
    x, y = REST.T
    unit = np.pi * q0 / (32 * g * a)
    motion = np.stack([unit * (4 * (2 - nu) * a**2 - (4 - 3 * nu) * x**2 - (4 - nu) * y**2),
                       unit * 2 * nu * x * y], -1)
    grid = (np.arange(120) + 0.5) / 60 - 1
    sx, sy = (c.ravel() * a for c in np.meshgrid(grid, grid))
    pull = q0 * np.sqrt(np.maximum(1 - (sx**2 + sy**2) / a**2, 0)) * (a / 60)**2
    outside = np.hypot(x, y) > a
    dx, dy = x[outside, None] - sx, y[outside, None] - sy
    r = np.hypot(dx, dy)
    motion[outside] = np.stack([((1 - nu) / r + nu * dx**2 / r**3) @ pull,
                                (nu * dx * dy / r**3) @ pull], -1) / (2 * np.pi * g)
    wx, wy = np.meshgrid(*NEAR.work.axes())
    contact = contact_of(NEAR, np.hypot(wx, wy) < a, np.full(wx.shape, np.nan))
    load = 2 / 3 * q0 * np.pi * a**2
    result = half_space.process(contact, markers_of(REST, motion), 0)
    # the window under the layer takes about a / h = 6 % of the shift away
    np.testing.assert_allclose(result.wrench[:2], [load, 0], atol=0.1 * load)


# --- the layer: solved contacts, another discretisation and no periodic images ------------------
@pytest.mark.parametrize(('indenter', 'force'), [
    (Sphere(4e-3), 0.3), (Sphere(18e-3), 3.0), (Cylinder(4e-3, 5e-3), 1.0),
    (Punch(2e-3, 0.3e-3), 1.0)], ids=['ball', 'plum', 'cylinder', 'flat'])
def test_wrench_of_a_solved_contact(stage, indenter, force):
    contact = LayerContact(SOFT, (60, 80), 0.25e-3)
    gap = contact.gap(indenter, Pose(1.1e-3, -0.7e-3, yaw=0.5))
    contact.step(gap, friction=0.9, force=force)
    contact.step(gap, (40e-6, 25e-6, 0.02), (1.1e-3, -0.7e-3), friction=0.9, force=force)
    truth = contact.state.wrench
    result = stage.process(*seen_state(VIEW, lattice(VIEW), contact), 0)
    error = (result.wrench - truth) / force
    assert np.abs(error[:2]).max() < 0.015
    assert abs(error[2]) < 0.04
    assert np.abs(error[3:]).max() < 0.04 * 3e-3        # as a shift of the force, m
    assert (np.abs(result.wrench - truth) < 3 * result.sd).all()


def test_model_share_covers_the_model_error(stage):
    errors = []
    for indenter in (Sphere(4e-3), Sphere(18e-3), Punch(2e-3, 0.3e-3)):
        contact = LayerContact(SOFT, (60, 80), 0.25e-3)
        for force in (0.3, 1.5):
            gap = contact.gap(indenter, Pose(-1.4e-3, 0.9e-3))
            contact.reset()
            contact.step(gap, friction=0.9, force=force)
            contact.step(gap, (30e-6, 50e-6, 0.02), (-1.4e-3, 0.9e-3), friction=0.9, force=force)
            result = stage.process(*seen_state(VIEW, lattice(VIEW), contact), 0)
            errors.append(np.abs(result.wrench - contact.state.wrench) / result.sd)
    assert np.mean(np.array(errors) < 1) > 0.6


# --- what must hold exactly ---------------------------------------------------------------------
def test_zero_displacement_gives_zero(stage):
    x, y = np.meshgrid(*VIEW.work.axes())
    touched = np.hypot(x, y) < 2e-3
    rest = lattice(VIEW)
    result = stage.process(contact_of(VIEW, touched, np.zeros(x.shape)),
                           markers_of(rest, np.zeros_like(rest)), 0)
    assert (result.wrench == 0).all()
    assert (result.sd > 0).all() and np.isfinite(result.sd).all()


def test_no_contact_gives_zero_with_the_noise_of_a_small_touch():
    stage = ForceStage(VIEW, SOFT)
    rest, rng = lattice(VIEW), np.random.default_rng(1)
    nowhere = np.zeros(VIEW.work.shape, bool)
    spread = []
    for noise in (0.3e-6, 3e-6):
        for _ in range(200):
            result = stage.process(contact_of(VIEW, nowhere, np.zeros(nowhere.shape)),
                                   markers_of(rest, rng.normal(0, noise, rest.shape)), 0)
        assert (result.wrench == 0).all()
        spread.append(result.sd)
    # ten times the marker noise; what is well above the prior's share follows it
    assert 4 < spread[1][0] / spread[0][0] < 11


@pytest.fixture(scope='module')
def square():
    return ForceStage(SQUARE, SOFT, EXACT)


def rotated(contact, markers, rotation):
    """A quarter turn from x to y, or a mirror image x -> -x, of a square measurement."""
    turn = np.array([[0, 1], [-1, 0]]) if rotation == 'turn' else np.diag([-1, 1])
    image = (lambda a: np.rot90(a, -1)) if rotation == 'turn' else np.fliplr
    return (dataclasses.replace(contact, mask=image(contact.mask).copy(),
                                depth=image(contact.depth).copy()),
            markers_of(markers.rest @ turn, markers.displacement @ turn))


@pytest.mark.parametrize('how', ['turn', 'mirror'])
def test_turned_and_mirrored_input_turns_and_mirrors_the_wrench(square, pressed, how):
    contact, markers = seen_state(SQUARE, lattice(SQUARE), pressed)
    straight = square.process(contact, markers, 0)
    result = square.process(*rotated(contact, markers, how), 0)
    fx, fy, fz, tx, ty, tz = straight.wrench
    wanted = [-fy, fx, fz, -ty, tx, tz] if how == 'turn' else [-fx, fy, fz, tx, -ty, -tz]
    np.testing.assert_allclose(result.wrench, wanted, atol=1e-4 * abs(fz))
    order = [1, 0, 2, 4, 3, 5] if how == 'turn' else range(6)
    np.testing.assert_allclose(result.sd, straight.sd[order], rtol=1e-3)


def estimator_input(stage_geometry, pressed):
    estimator = TractionEstimator(stage_geometry.work, SOFT, SOFT.thickness / 3)
    rest = lattice(stage_geometry)
    contact, markers = seen_state(stage_geometry, rest, pressed)
    estimator.set_markers(rest)
    support = estimator.support(contact.mask, np.zeros(2))
    return (estimator, support, estimator.depth_steps(contact.depth),
            markers.displacement.astype(np.float64))


def test_estimator_is_linear(pressed):
    estimator, support, steps, motion = estimator_input(VIEW, pressed)
    rng = np.random.default_rng(2)
    other_steps = rng.normal(0, 1e-5, steps.shape)
    other_motion = rng.normal(0, 1e-5, motion.shape)

    def wrench(s, m):
        return estimator.solve(support, s, 1e-6, m, 1e-6).wrench

    one, other = wrench(steps, motion), wrench(other_steps, other_motion)
    np.testing.assert_allclose(wrench(2.5 * steps, 2.5 * motion), 2.5 * one, rtol=1e-9)
    np.testing.assert_allclose(wrench(steps + other_steps, motion + other_motion), one + other,
                               rtol=1e-9, atol=1e-9)


def test_stage_scales_with_displacement(stage, pressed):
    contact, markers = seen_state(VIEW, lattice(VIEW), pressed)
    still = markers_of(markers.rest, markers.displacement * 1e-3)
    small = dataclasses.replace(contact, depth=contact.depth * 1e-3)
    # so small that noise rules: still proportional but for the choice of weights
    one, two = (stage.process(dataclasses.replace(small, depth=small.depth * k),
                              markers_of(still.rest, still.displacement * k), 0).wrench
                for k in (100, 110))
    assert (np.abs(two - 1.1 * one) < 0.02 * abs(one[2]) * ARMS).all()


def test_estimate_does_not_depend_on_earlier_contacts(pressed):
    rest = lattice(VIEW)
    measurement = seen_state(VIEW, rest, pressed)
    fresh, used = ForceStage(VIEW, SOFT), ForceStage(VIEW, SOFT)
    x, y = np.meshgrid(*VIEW.work.axes())
    used.process(*measurement, 0)              # its set-up may be kept, or may have to go again
    for k in range(1, 4):
        used.process(contact_of(VIEW, np.hypot(x - k * 1e-3, y) < 1e-3, 1e-4 * np.exp(-x * x)),
                     markers_of(rest, np.full(rest.shape, k * 1e-5)), k)
    one, other = fresh.process(*measurement, 9), used.process(*measurement, 9)
    assert (one.wrench == other.wrench).all()
    assert (one.sd == other.sd).all()


# --- uncertainty --------------------------------------------------------------------------------
def slope_noise_depth(geometry, rng, sd):
    """Depth with independent errors of slope in every work cell, integrated as shading is."""
    shape = geometry.work.shape
    return integrate_gradient(rng.normal(0, sd, shape), rng.normal(0, sd, shape),
                              geometry.work.metres_per_px)


def prior_part(estimator, support):
    """What of the covariance (6, 6) of the last solution is not noise of the rows."""
    cells = np.flatnonzero(support)
    prior = np.kron(np.diag(estimator._prior_scale),
                    estimator._pairs[..., 12][np.ix_(cells, cells)])
    system = list(estimator._systems.values())[-1]
    gain = solve_triangular(system.factor, system.to_wrench, lower=True, trans='T')
    return gain.T @ prior @ gain


def test_reported_sd_is_the_real_error(pressed):
    # modulus exact and model error zero: the estimate is linear, so noise alone gives its error;
    # the share of the normal distribution within one sd is 0.683
    estimator, support, _, rest_motion = estimator_input(VIEW, pressed)
    rng = np.random.default_rng(3)
    scores = {}
    for slope_sd, marker_sd in ((1e-3, 0.3e-6), (1e-2, 0.3e-6), (3e-3, 3e-6), (1e-3, 10e-6)):
        depths = [slope_noise_depth(VIEW, rng, slope_sd) for _ in range(100)]
        steps = np.array([estimator.depth_steps(d.astype(np.float32)) for d in depths])
        step_sd = np.sqrt(np.mean(steps**2))
        errors = []
        for step in steps:
            motion = rng.normal(0, marker_sd, rest_motion.shape)
            result = estimator.solve(support, step, step_sd, motion, marker_sd)
            errors.append(result.wrench)
        sd = np.sqrt(np.diag(result.covariance - prior_part(estimator, support)))
        scores[slope_sd, marker_sd] = np.mean(np.abs(errors) < sd, axis=0)
    share = np.array(list(scores.values()))
    assert abs(share.mean() - 0.683) < 0.06
    np.testing.assert_allclose(share.mean(axis=0), 0.683, atol=0.08)      # per axis
    np.testing.assert_allclose(share.mean(axis=1), 0.683, atol=0.08)      # per noise level


def test_whole_covariance_is_right_when_the_traction_is_drawn_from_the_prior(pressed):
    # a posterior is calibrated on average over its prior (A. Tarantola, Inverse Problem Theory,
    # 2005); the truth here is the grid's own traction, so only the statistics are tested
    estimator, support, steps, motion = estimator_input(VIEW, pressed)
    rng = np.random.default_rng(4)
    n = len(support)
    cells = np.flatnonzero(support)
    prior = estimator._pairs[..., 12][np.ix_(cells, cells)]
    root = np.linalg.cholesky(np.linalg.inv(prior))
    to_surface = np.linalg.pinv(estimator._steps(np.eye(n)))
    inside = []
    for marker_sd, slope_sd in ((1e-6, 1e-6), (20e-6, 5e-6), (5e-6, 50e-6)):
        for _ in range(60):
            traction = np.zeros((n, 3))
            traction[cells] = root @ rng.normal(size=(len(cells), 3)) / np.sqrt(
                estimator._prior_scale)
            rows = traction.ravel() @ estimator._response
            depth, shift = -rows[:n], rows[n:].reshape(2, -1).T
            # what an integration leaves of independent errors of slope
            error = to_surface @ rng.normal(0, slope_sd, steps.shape)
            noisy = estimator._steps((depth + error)[:, None])[:, 0]
            result = estimator.solve(support, noisy, slope_sd * np.sqrt(STEP_VARIANCE),
                                     shift + rng.normal(0, marker_sd, motion.shape), marker_sd)
            error = result.wrench - estimator._to_wrench @ traction.ravel()
            inside.append(np.abs(error) < np.sqrt(np.diag(result.covariance)))
    np.testing.assert_allclose(np.mean(inside, axis=0), 0.683, atol=0.08)


def test_noise_is_learned_without_contact(pressed):
    rng = np.random.default_rng(5)
    rest = lattice(VIEW)
    contact, markers = seen_state(VIEW, rest, pressed)
    weak = (dataclasses.replace(contact, depth=contact.depth * 1e-3),
            markers_of(rest, markers.displacement * 1e-3))
    sds = []
    for noise in (0.5e-6, 5e-6):
        stage = ForceStage(VIEW, SOFT, EXACT)
        for _ in range(100):
            depth = slope_noise_depth(VIEW, rng, 2e3 * noise)
            stage.process(contact_of(VIEW, np.zeros(depth.shape, bool), depth),
                          markers_of(rest, rng.normal(0, noise, rest.shape)), 0)
        sds.append(stage.process(*weak, 0).sd)
    ratio = sds[1] / sds[0]            # the prior bounds what noise can do
    assert (ratio > 1.8).all() and (ratio < 11).all()
    assert (ratio[[0, 1, 5]] > 3.5).all()


def test_modulus_scales_the_wrench_and_its_uncertainty(pressed):
    measurement = seen_state(VIEW, lattice(VIEW), pressed)
    one = ForceStage(VIEW, SOFT, EXACT).process(*measurement, 0)
    stiff = ForceStage(VIEW, SOFT, ForceModel(1.3, 0.0)).process(*measurement, 0)
    unsure = ForceStage(VIEW, SOFT, ForceModel(1.0, 0.2)).process(*measurement, 0)
    np.testing.assert_allclose(stiff.wrench, 1.3 * one.wrench, rtol=1e-6)
    np.testing.assert_allclose(stiff.sd, 1.3 * one.sd, rtol=1e-6)
    # JCGM 100:2008, 5.1.2: independent contributions add in quadrature
    np.testing.assert_allclose(unsure.sd, np.hypot(one.sd, 0.2 * one.wrench), rtol=1e-9)


def test_a_calibration_says_how_much_the_layer_s_own_uncertainty_counts(pressed):
    contact, markers = seen_state(VIEW, lattice(VIEW), pressed)
    zeros = np.zeros(6)
    correction = Correction(np.zeros((6, len(FEATURES))), np.full(6, 0.003), zeros,
                            np.full(6, 0.4), np.full(6, 10.0))
    raw = ForceStage(VIEW, SOFT, EXACT)
    calibrated = ForceStage(VIEW, SOFT, ForceModel(1.0, 0.2, correction=correction))
    for touched in (contact, dataclasses.replace(contact, depth=contact.depth * np.nan)):
        own, found = (stage.process(touched, markers, 0) for stage in (raw, calibrated))
        np.testing.assert_allclose(found.sd, np.hypot(0.003, 0.4 * own.sd), rtol=1e-9)


# --- which axes are measured --------------------------------------------------------------------
def test_without_markers_shear_and_torsion_are_not_measured(pressed):
    plain = dataclasses.replace(SOFT, kind=ElastomerKind.REFLECTIVE)
    contact, _ = seen_state(VIEW, lattice(VIEW), pressed)
    result = ForceStage(VIEW, plain, EXACT).process(contact, MarkerField.empty(), 0)
    hidden = [0, 1, 5]
    assert (result.wrench[hidden] == 0).all() and np.isinf(result.sd[hidden]).all()
    truth = pressed.state.wrench
    assert (np.abs(result.wrench - truth)[2:5] < 2 * result.sd[2:5]).all()
    assert abs(result.wrench[2] / truth[2] - 1) < 0.12
    assert result.stick_ratio == 1 and not result.slipping


def test_without_depth_the_markers_tell_the_normal_force_too(stage, pressed):
    contact, markers = seen_state(VIEW, lattice(VIEW), pressed)
    blind = dataclasses.replace(contact, depth=np.full_like(contact.depth, np.nan))
    result, truth = stage.process(blind, markers, 0), pressed.state.wrench
    np.testing.assert_allclose(result.wrench[:2], truth[:2], atol=0.02)
    assert abs(result.wrench[2] / truth[2] - 1) < 0.1
    full = stage.process(contact, markers, 0)
    assert (result.sd[2:5] > full.sd[2:5]).all()


def test_clear_elastomer_has_shear_and_an_honest_normal_force(pressed):
    clear = dataclasses.replace(SOFT, kind=ElastomerKind.CLEAR_MARKERS)
    _, markers = seen_state(VIEW, lattice(VIEW), pressed)
    unseen = np.full(VIEW.work.shape, np.nan)
    nothing = contact_of(VIEW, np.zeros(VIEW.work.shape, bool), unseen)
    finder = PatchFinder(VIEW.work, clear)
    finder.set_markers(markers.rest)
    patch = finder.find(markers.displacement)
    x, y = VIEW.work.axes()
    touched = np.hypot(x - patch.centre[0], y[:, None] - patch.centre[1]) < patch.radius
    stage, truth = ForceStage(VIEW, clear, EXACT), pressed.state.wrench
    result = stage.process(contact_of(VIEW, touched, unseen), markers, 0)
    np.testing.assert_allclose(result.wrench[[0, 1]], truth[[0, 1]], atol=0.02)
    assert (np.abs(result.wrench - truth) < 2 * result.sd).all()
    at_rest = stage.process(nothing, markers_of(markers.rest, 0 * markers.displacement), 1)
    assert (at_rest.wrench == 0).all() and np.isfinite(at_rest.sd).all()


def test_nothing_to_measure_with(stage, pressed):
    contact, _ = seen_state(VIEW, lattice(VIEW), pressed)
    blind = dataclasses.replace(contact, depth=np.full_like(contact.depth, np.nan))
    result = stage.process(blind, MarkerField.empty(), 0)
    assert (result.wrench == 0).all() and np.isinf(result.sd).all()


def test_lost_markers_and_missing_depth_cost_certainty_only(stage, pressed):
    contact, markers = seen_state(VIEW, lattice(VIEW), pressed)
    displacement, depth = markers.displacement.copy(), contact.depth.copy()
    displacement[::4] = np.nan
    depth[:30, :40] = np.nan
    whole = stage.process(contact, markers, 0)
    part = stage.process(dataclasses.replace(contact, depth=depth),
                         markers_of(markers.rest, displacement), 0)
    np.testing.assert_allclose(part.wrench[:3], whole.wrench[:3], atol=0.03)
    assert part.sd[0] > whole.sd[0]


# --- bad input ----------------------------------------------------------------------------------
@pytest.mark.parametrize('values', [{'stiffness_scale': 0}, {'stiffness_scale': np.nan},
                                    {'relative_sd': -0.1}, {'relative_sd': 1.0},
                                    {'relative_sd': np.nan}])
def test_force_model_refuses_nonsense(values):
    with pytest.raises(DataError, match=next(iter(values))):
        ForceModel(**values)


def test_contact_of_another_size_is_refused(stage):
    odd = contact_of(VIEW, np.zeros((10, 10), bool), np.zeros((10, 10)))
    with pytest.raises(DataError, match=r'wrong contact.*\(120, 160\)'):
        stage.process(odd, MarkerField.empty(), 0)


def test_resolution_of_a_layer():
    assert resolution(VIEW.work, SOFT) == 3e-3
    assert resolution(NEAR.work, THICK) == pytest.approx(1.5e-3)        # a quarter of 6 mm
    thin = dataclasses.replace(SOFT, thickness=1e-4)
    assert resolution(VIEW.work, thin) == pytest.approx(1.8e-3)         # an eighth of 14.4 mm


def test_skin_that_moved_is_taken_back_to_its_cells():
    # depth and touched region seen after a rigid motion are those seen before, moved
    estimator = TractionEstimator(VIEW.work, SOFT, 1e-3)
    x, y = np.meshgrid(*VIEW.work.axes())

    def seen(dx, dy):
        square = ((x - dx - 1.1e-3) / 1.6e-3)**2 + ((y - dy + 0.4e-3) / 1.6e-3)**2
        return 3e-4 * np.exp(-square / 2).astype(np.float32), square < 1

    shift = np.array([0.43e-3, -0.31e-3])
    (before, region), (after, moved_region) = seen(0, 0), seen(*shift)
    steps = estimator.depth_steps(before)
    # a pixel (0.12 mm) that two cells share counts as flat: slope 0.11 makes at most
    # 0.11 * 0.12^2 / 8 mm of it at each of the four borders that a step meets
    np.testing.assert_allclose(estimator.depth_steps(after, shift), steps, atol=8e-7)
    assert np.abs(estimator.depth_steps(after) - steps).max() > 3e-5
    still = estimator.support(region, np.zeros(2))
    moved = estimator.support(moved_region, shift)
    assert np.count_nonzero(still ^ moved) <= 2            # pixels are coarse at the border
    after[0, 0] = np.nan
    lost = np.isnan(estimator.depth_steps(after))
    assert np.count_nonzero(lost) == 2                     # to the right and down from the corner


def test_estimator_responds_as_the_layer_does():
    # a wave of traction along x that pulls across it; in the middle of the view the finite grid
    # of hats and the endless wave agree
    estimator = TractionEstimator(VIEW.work, SOFT, 1e-3)
    k = 2 * np.pi / 6.4e-3
    estimator.set_markers(np.zeros((1, 2)))
    traction = np.zeros((len(estimator.nodes), 3))
    traction[:, 1] = np.cos(k * estimator.nodes[:, 0])
    hat = np.sinc(k * estimator._pitch[0] / (2 * np.pi))**2
    expected = layer_compliance(k, 0.0, SOFT)[1, 1].real * hat
    motion_y = (traction.ravel() @ estimator._response)[len(estimator.nodes) + 1]
    assert motion_y == pytest.approx(expected, rel=0.02)
