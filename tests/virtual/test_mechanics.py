# SPDX-License-Identifier: Apache-2.0
import numpy as np
import pytest
import skfem
import tamaas
from skfem.helpers import ddot, grad

from tactile_nodes.core.layer import layer_compliance
from tactile_nodes.core.types import Elastomer, ElastomerKind
from tactile_nodes.errors import DataError
from tactile_nodes.virtual.mechanics import Cylinder, LayerContact, Pose, Punch, Sphere

MODULUS = 0.4e6
THICK = 10.0               # m; a half-space to contacts of a millimetre


def elastomer(thickness=3e-3, nu=0.48):
    return Elastomer('test', ElastomerKind.REFLECTIVE, thickness, MODULUS, nu)


def skin(shape=(32, 40), pitch=0.3e-3, **kind):
    return LayerContact(elastomer(**kind), shape, pitch)


def radius(mask, pitch):
    """Radius of the circle of the same area."""
    return np.sqrt(mask.sum() / np.pi) * pitch


# --- half-space ---------------------------------------------------------------------------------

A, R = 1e-3, 20e-3         # contact radius and sphere radius of the Hertz tests


def hertz(nu, elements=20):
    """A skin, a sphere's gap and the force that gives a contact radius A."""
    contact = skin((2 * elements + 8,) * 2, A / elements, thickness=THICK, nu=nu)
    force = 4 * MODULUS / (1 - nu ** 2) * A ** 3 / (3 * R)
    return contact, contact.gap(Sphere(R), Pose()), force


@pytest.mark.parametrize('nu', [0.3, 0.499])
def test_hertz(nu):
    # Johnson ch. 4: a^3 = 3PR/4E*, approach = a^2/R, p0 = 3P/2 pi a^2
    contact, gap, force = hertz(nu)
    state = contact.step(gap, force=force)
    assert state.wrench[2] == pytest.approx(-force, rel=1e-9)
    assert radius(state.contact, contact.pitch) == pytest.approx(A, rel=0.01)
    assert state.approach == pytest.approx(A ** 2 / R, rel=2e-3)
    assert -state.traction[2].min() == pytest.approx(1.5 * force / (np.pi * A ** 2), rel=2e-3)


def test_reaching_a_force_is_the_same_as_reaching_its_approach():
    contact, gap, force = hertz(0.3, 12)
    approach = contact.step(gap, force=force).approach
    contact.reset()
    state = contact.step(gap - approach)
    assert state.wrench[2] == pytest.approx(-force, rel=1e-3)
    assert state.approach == 0


@pytest.mark.parametrize(('nu', 'rel'), [(0.3, 0.025), (0.499, 0.005)])
@pytest.mark.parametrize('share', [0.1, 0.3, 0.6, 0.9])
def test_cattaneo_mindlin(nu, rel, share):
    # Johnson ch. 7: c/a = (1 - Q/mu P)^(1/3), shift = 3 mu P (2 - nu) / 16 G a
    # (1 - (1 - Q/mu P)^(2/3)). The theory neglects slip across the load, in proportion to nu /
    # (2 - nu), and pressure changed by shear, in proportion to 1 - 2 nu: hence two tolerances.
    contact, gap, force = hertz(nu)
    contact.step(gap, force=force)
    mu = 0.5
    shear_modulus = MODULUS / 2 / (1 + nu)
    shift = 3 * mu * force * (2 - nu) / (16 * shear_modulus * A) * (1 - (1 - share) ** (2 / 3))
    state = contact.step(gap, motion=(shift, 0, 0), friction=mu, force=force)
    assert state.wrench[0] == pytest.approx(share * mu * force, rel=rel)
    # the ring of elements on the border between stick and slip is 1/20 of the radius
    assert radius(state.stick, contact.pitch) / radius(state.contact, contact.pitch) == \
        pytest.approx((1 - share) ** (1 / 3), abs=0.02)


@pytest.mark.parametrize('nu', [0.3, 0.499])
def test_tangential_to_normal_compliance(nu):
    # Mindlin 1949: the ratio is (2 - nu) / (2 (1 - nu)) for a stuck Hertz contact
    contact, gap, force = hertz(nu)
    gap = gap - contact.step(gap, force=force).approach
    little = A ** 2 / R / 20
    normal = 2 * little / -(contact.step(gap - little).wrench[2]
                            - contact.step(gap + little).wrench[2])
    contact.step(gap)
    tangential = little / contact.step(gap, motion=(0, little, 0), friction=50.0).wrench[1]
    assert tangential / normal == pytest.approx((2 - nu) / (2 * (1 - nu)), rel=0.02)


def test_flat_punch_pressed_twisted_and_shifted_on_a_half_space():
    # Johnson ch. 3.8: P = 4 G a depth / (1 - nu) without friction; Reissner-Sagoci 1944: torque =
    # 16/3 G a^3 angle; shift with nu near 1/2: Q = 8 G a shift / (2 - nu)
    nu = 0.499
    contact = skin((56, 56), A / 24, thickness=THICK, nu=nu)
    x, y = contact.axes
    gap = np.where(np.hypot(x, y[:, None]) < A, -1e-5, np.inf)
    a, shear_modulus = radius(np.isfinite(gap), contact.pitch), MODULUS / 2 / (1 + nu)
    state = contact.step(gap)
    assert -state.wrench[2] == pytest.approx(4 * shear_modulus * a * 1e-5 / (1 - nu), rel=0.025)
    state = contact.step(gap, motion=(0, 0, 1e-3), friction=100.0)
    assert state.wrench[5] == pytest.approx(16 / 3 * shear_modulus * a ** 3 * 1e-3, rel=0.04)
    assert np.allclose(state.wrench[:2], 0, atol=1e-6)
    state = contact.step(gap, motion=(1e-6, 0, -1e-3), friction=100.0)
    assert state.wrench[0] == pytest.approx(8 * shear_modulus * a * 1e-6 / (2 - nu), rel=0.025)


def test_lobed_ring_against_tamaas():
    # tamaas 2.9, Polonsky and Keer on a periodic half-space: a cell four times the grid keeps
    # its images away, and its mean displacement is only an offset of the approach
    nu, n, cell, pitch = 0.3, 48, 192, 0.1e-3
    force = 0.02
    axis = (np.arange(cell) - cell // 2) * pitch
    x, y = axis, axis[:, None]
    ring = (np.hypot(x, y) - 1.2e-3) ** 2 / (2 * 4e-3)
    height = ring + 20e-6 * (1 + np.cos(3 * np.arctan2(y, x)))

    model = tamaas.ModelFactory.createModel(tamaas.model_type.basic_2d, [cell * pitch] * 2,
                                            [cell] * 2)
    model.E, model.nu = MODULUS, nu
    solver = tamaas.PolonskyKeerRey(model, -height, 1e-9)
    solver.solve(force / (cell * pitch) ** 2)
    part = slice(cell // 2 - n // 2, cell // 2 + n // 2)
    expected = np.asarray(model.traction)[part, part]
    assert expected.sum() * pitch ** 2 == pytest.approx(force, rel=1e-6)

    contact = LayerContact(elastomer(THICK, nu), (n, n), pitch)
    state = contact.step(height[part, part], force=force)
    assert (state.contact != (expected > 0)).sum() <= 0.05 * (expected > 0).sum()
    difference = -state.traction[2] - expected
    assert np.sqrt((difference ** 2).sum() / (expected ** 2).sum()) < 0.02


# --- bonded layer -------------------------------------------------------------------------------

def spin_mesh(a, thickness):
    """Axisymmetric mesh (r, z) of a layer, fine near the contact, 8 thicknesses wide."""
    r = np.concatenate([np.linspace(0, 1.5 * a, 55),
                        1.5 * a + (8 * thickness - 1.5 * a) * np.linspace(0, 1, 25)[1:] ** 2])
    z = thickness * (1 - np.linspace(1, 0, 21) ** 1.5)
    return skfem.MeshQuad.init_tensor(r, z).with_boundaries({
        'window': lambda x: x[1] == 0, 'skin': lambda x: x[1] == z[-1],
        'axis': lambda x: x[0] == 0})


def finite_element_sphere(sphere_radius, depth, material, a):
    """Force and contact radius of a frictionless sphere on the layer."""
    g, nu = material.shear_modulus, material.poissons_ratio
    lam = 2 * g * nu / (1 - 2 * nu)
    basis = skfem.Basis(spin_mesh(a, material.thickness),
                        skfem.ElementVector(skfem.ElementQuad2()))

    def strain(u, r):
        du = grad(u)
        return np.array([[du[0, 0], (du[0, 1] + du[1, 0]) / 2, 0 * r],
                         [(du[0, 1] + du[1, 0]) / 2, du[1, 1], 0 * r], [0 * r, 0 * r, u[0] / r]])

    @skfem.BilinearForm
    def stiffness(u, v, w):
        eu, ev = strain(u, w.x[0]), strain(v, w.x[0])
        return 2 * np.pi * w.x[0] * (
            lam * (eu[0, 0] + eu[1, 1] + eu[2, 2]) * (ev[0, 0] + ev[1, 1] + ev[2, 2])
            + 2 * g * ddot(eu, ev))

    matrix = stiffness.assemble(basis)
    fixed = np.concatenate([basis.get_dofs('window').all(), basis.get_dofs('axis').all(['u^1'])])
    top = basis.get_dofs('skin').all(['u^2'])
    r = basis.doflocs[0, top]
    floor = sphere_radius - np.sqrt(sphere_radius ** 2 - np.minimum(r, 2 * a) ** 2) - depth
    active = floor < 0
    for _ in range(30):
        u = np.zeros(basis.N)
        u[top[active]] = floor[active]
        u = skfem.solve(*skfem.condense(matrix, x=u, D=np.union1d(fixed, top[active])))
        force = -(matrix @ u)[top]
        changed = (active & (force < -1e-12)) | (~active & (u[top] > floor) & (r < 2 * a))
        if not changed.any():
            return force[active].sum(), r[active].max()
        active ^= changed
    raise AssertionError('finite elements found no contact')


@pytest.mark.parametrize(('thickness', 'sphere_radius', 'depth'),
                         [(3e-3, 12e-3, 0.4e-3), (1e-3, 20e-3, 0.1e-3)])
def test_bonded_layer_under_a_sphere_against_finite_elements(thickness, sphere_radius, depth):
    # scikit-fem, second-order axisymmetric elements with an active set; contact radius 0.8 and
    # 1.8 times the thickness, where a half-space would be wrong by far
    material = elastomer(thickness)
    pitch = np.sqrt(sphere_radius * depth) / 16
    contact = LayerContact(material, (56, 56), pitch)
    state = contact.step(contact.gap(Sphere(sphere_radius), Pose(height=-depth)))
    a = radius(state.contact, pitch)
    expected_force, expected_a = finite_element_sphere(sphere_radius, depth, material, 1.1 * a)
    assert -state.wrench[2] == pytest.approx(expected_force, rel=0.01)
    assert a == pytest.approx(expected_a, rel=0.03)
    half_space = 4 / 3 * MODULUS / (1 - 0.48 ** 2) * np.sqrt(sphere_radius * depth ** 3)
    assert expected_force > 2 * half_space


@pytest.mark.parametrize('thickness', [1e-3, 2e-3])
def test_twisted_punch_on_a_bonded_layer_against_finite_elements(thickness):
    # scikit-fem; torsion of a layer has only the displacement around the axis
    material, angle = elastomer(thickness), 1e-3
    contact = LayerContact(material, (56, 56), A / 24)
    x, y = contact.axes
    gap = np.where(np.hypot(x, y[:, None]) < A, -1e-5, np.inf)
    a = radius(np.isfinite(gap), contact.pitch)
    contact.step(gap)
    state = contact.step(gap, motion=(0, 0, angle), friction=100.0)

    basis = skfem.Basis(spin_mesh(a, thickness), skfem.ElementQuad2())

    @skfem.BilinearForm
    def torsion(u, v, w):
        r = w.x[0]
        du, dv = grad(u), grad(v)
        return 2 * np.pi * r * material.shear_modulus * (
            (du[0] - u / r) * (dv[0] - v / r) + du[1] * dv[1])

    matrix = torsion.assemble(basis)
    top = basis.get_dofs('skin').all()
    under = top[basis.doflocs[0, top] <= a * (1 + 1e-9)]
    u = np.zeros(basis.N)
    u[under] = angle * basis.doflocs[0, under]
    fixed = np.concatenate([basis.get_dofs('window').all(), basis.get_dofs('axis').all(), under])
    u = skfem.solve(*skfem.condense(matrix, x=u, D=fixed))
    torque = u @ matrix @ u / angle
    assert state.wrench[5] == pytest.approx(torque, rel=0.04)


@pytest.mark.parametrize('chi', [0.1, 0.3])
def test_bonded_layer_under_a_sphere_against_the_series(chi):
    # P. D. and R. Garcia, Biophys. J. 114 (2018) 2923, paraboloid on a bonded incompressible
    # layer, chi^2 = R depth / thickness^2, from memory: F/Hertz = 1 + 1.133 chi + 1.497 chi^2 +
    # 1.469 chi^3 + 0.755 chi^4
    nu, thickness, sphere_radius = 0.499, 3e-3, 12e-3
    depth = (chi * thickness) ** 2 / sphere_radius
    contact = LayerContact(elastomer(thickness, nu), (48, 48), chi * thickness / 18)
    x, y = contact.axes
    state = contact.step((x ** 2 + y[:, None] ** 2) / (2 * sphere_radius) - depth)
    hertz_force = 4 / 3 * MODULUS / (1 - nu ** 2) * np.sqrt(sphere_radius * depth ** 3)
    series = 1 + 1.133 * chi + 1.497 * chi ** 2 + 1.469 * chi ** 3 + 0.755 * chi ** 4
    assert -state.wrench[2] / hertz_force == pytest.approx(series, rel=0.005)


def test_displacement_is_the_compliance_times_the_traction():
    # the real-space influence against layer_compliance on a periodic cell of 21 thicknesses,
    # for a state with pressure, shear and torsion
    contact = skin(nu=0.45)
    gap = contact.gap(Sphere(10e-3), Pose(x=0.5e-3, height=-0.3e-3))
    state = contact.step(gap, motion=(5e-5, -3e-5, 0.02), friction=0.8)
    n, (ny, nx) = 216, contact.shape
    k = 2 * np.pi * np.fft.fftfreq(n, contact.pitch)
    c = layer_compliance(k, k[:, None], contact.elastomer)
    c[n // 2] = c[n // 2].real
    c[:, n // 2] = c[:, n // 2].real
    t = np.fft.fft2(state.traction, (n, n))
    u = np.fft.ifft2(np.einsum('yxij,jyx->iyx', c, t)).real[:, :ny, :nx]
    for i in range(3):               # the two differ at the wavelength of an element only
        error = ((state.displacement[i] - u[i]) ** 2).sum()
        assert np.sqrt(error / (u[i] ** 2).sum()) < 0.01


# --- friction and history -----------------------------------------------------------------------

def sphere_pressed(contact, friction, force=1.0, **pose):
    gap = contact.gap(Sphere(10e-3), Pose(height=-0.2e-3, **pose))
    for share in (0.25, 0.5, 0.75, 1.0):
        state = contact.step(gap, friction=friction, force=share * force)
    return gap, state


def test_untouched_and_at_rest():
    contact = skin()
    state = contact.step(contact.gap(Sphere(10e-3), Pose(height=1e-4)), motion=(1e-3, 0, 0.1),
                         friction=0.5)
    assert not state.contact.any() and not state.traction.any() and not state.displacement.any()
    assert np.isnan(state.centroid).all() and not state.wrench.any()
    assert state.stick_ratio == 1 and not state.slipping


def test_no_motion_changes_nothing():
    contact = skin()
    gap, before = sphere_pressed(contact, 0.6)
    before = contact.step(gap, motion=(3e-5, 2e-5, 0.01), friction=0.6, force=1.0)
    after = contact.step(gap, friction=0.6, force=1.0)
    assert np.allclose(after.traction, before.traction, rtol=1e-9, atol=1e-6)
    assert np.array_equal(after.stick, before.stick)
    assert not after.slip.any() and not after.slipping


def test_bounds_hold_everywhere():
    contact = skin()
    gap, _ = sphere_pressed(contact, 0.4)
    state = contact.step(gap, motion=(6e-5, 4e-5, 0.03), friction=0.4, force=1.0)
    shear, pressure = np.hypot(*state.traction[:2]), -state.traction[2]
    assert 0.1 < state.stick_ratio < 0.9
    assert (pressure >= 0).all() and np.array_equal(pressure > 0, state.contact)
    assert (shear <= 0.4 * pressure * (1 + 1e-9)).all()
    assert (shear[state.stick] < 0.4 * pressure[state.stick]).all()
    clearance = gap - state.approach - state.displacement[2]
    assert np.abs(clearance[state.contact]).max() < 1e-3 * 0.2e-3
    assert clearance[~state.contact].min() > -1e-3 * 0.2e-3
    # slip goes the way of the traction: friction dissipates
    slid = np.hypot(*state.slip) > 0
    assert slid.any() and not (slid & state.stick).any()
    along = (state.slip * state.traction[:2]).sum(axis=0)
    assert (along[slid] > 0.9 * (np.hypot(*state.slip) * shear)[slid]).all()


def test_gross_slip_has_the_whole_friction():
    # Coulomb: |Q| = mu P once all of the contact slides
    contact = skin()
    gap, _ = sphere_pressed(contact, 0.5)
    direction = np.array([0.6, -0.8])
    for _ in range(6):
        state = contact.step(gap, motion=(*(1e-4 * direction), 0), friction=0.5, force=1.0)
    assert state.slipping and state.stick_ratio == 0
    assert state.wrench[:2] == pytest.approx(0.5 * direction, rel=1e-2)
    # dragged over the skin: stays sliding
    for i in range(1, 5):
        gap = contact.gap(Sphere(10e-3), Pose(*(i * 2e-4 * direction), -0.2e-3))
        state = contact.step(gap, motion=(*(2e-4 * direction), 0), friction=0.5, force=1.0)
        assert state.slipping
    assert np.hypot(*state.wrench[:2]) == pytest.approx(0.5, rel=1e-3)


def test_without_friction_there_is_no_shear():
    contact = skin()
    gap, _ = sphere_pressed(contact, 0.0)
    state = contact.step(gap, motion=(1e-4, 0, 0.1), friction=0.0, force=1.0)
    assert not state.traction[:2].any() and state.stick_ratio == 0


def test_partial_slip_hysteresis():
    # Mindlin and Deresiewicz 1953 (Johnson ch. 7.4): unloading to the first position leaves a
    # force of the opposite sign
    contact, gap, force = hertz(0.499, 12)
    contact.step(gap, force=force)
    away = contact.step(gap, motion=(1e-5, 0, 0), friction=0.5, force=force)
    back = contact.step(gap, motion=(-1e-5, 0, 0), friction=0.5, force=force)
    assert away.wrench[0] > 0
    # shift to force and back by superposition of two Cattaneo-Mindlin solutions
    shear_modulus = MODULUS / 2 / (1 + 0.499)
    limit = 3 * 0.5 * force * (2 - 0.499) / (16 * shear_modulus * A)

    def load(shift, scale):
        return 0.5 * force * scale * (1 - (1 - shift / (limit * scale)) ** 1.5)

    assert back.wrench[0] == pytest.approx(load(1e-5, 1) - load(1e-5, 2), abs=0.01 * force * 0.5)


def test_release_gives_the_unloaded_skin():
    contact = skin()
    gap, _ = sphere_pressed(contact, 0.6)
    contact.step(gap, motion=(1e-4, 0, 0.05), friction=0.6, force=1.0)
    for state in (contact.step(gap, friction=0.6, force=0.0),
                  contact.step(gap + 1e-3, friction=0.6)):
        assert not state.contact.any() and not state.traction.any()
        assert not state.displacement.any()
    # and no memory of the shear
    _, again = sphere_pressed(contact, 0.6)
    _, fresh = sphere_pressed(skin(), 0.6)
    assert np.allclose(again.traction, fresh.traction, atol=1e-6 * abs(fresh.traction).max())


def test_rolling_moves_the_contact_without_friction_force():
    # free rolling of a rigid body on an incompressible half-space has no tangential traction
    # (Johnson ch. 8.2)
    contact, gap, force = hertz(0.499, 12)
    contact.step(gap, force=force)
    for i in range(1, 9):
        gap = contact.gap(Sphere(R), Pose(x=i * contact.pitch / 2))
        state = contact.step(gap, friction=0.5, force=force)
    assert state.centroid == pytest.approx([4 * contact.pitch, 0], abs=0.02 * contact.pitch)
    assert np.hypot(*state.wrench[:2]) < 0.005 * 0.5 * force
    assert state.stick_ratio > 0.8


@pytest.mark.parametrize(('axis', 'coefficient'), [(0, 4.12), (1, 3.67)])
def test_creep_in_steady_rolling(axis, coefficient):
    # Kalker's linear theory, nu = 1/4, circular contact: Q = C G a^2 creepage with C11 = 4.12
    # along and C22 = 3.67 across the rolling (from memory), G doubled because one body is rigid.
    # The mean over both signs of creepage leaves out what spreading under pressure adds.
    n, creepage, travel, nu = 8, 1e-4, 5, 0.25
    quotients = []
    for sign in (1, -1):
        contact = skin((2 * n + 6, (2 + travel) * n + 6), A / n, thickness=THICK, nu=nu)
        motion = np.zeros(3)
        motion[axis] = sign * creepage * A / n
        for i in range(travel * n + 1):
            pose = Pose(x=(i / n - travel / 2) * A, height=-A ** 2 / R)
            state = contact.step(contact.gap(Sphere(R), pose), motion=motion if i else (0, 0, 0),
                                 friction=1e4 if i else 0.0)
        shear_modulus = MODULUS / 2 / (1 + nu)
        quotients.append(sign * state.wrench[axis] / (2 * shear_modulus * A ** 2 * creepage))
    assert np.mean(quotients) == pytest.approx(coefficient, rel=0.05)


# --- symmetry, sums, shapes ---------------------------------------------------------------------

def test_the_wrench_is_the_sum_of_tractions():
    contact = skin()
    gap, _ = sphere_pressed(contact, 0.6, x=1e-3, y=-2e-3)
    state = contact.step(gap, motion=(3e-5, 1e-5, 0.02), centre=(1e-3, -2e-3), friction=0.6,
                         force=1.0)
    x, y = np.meshgrid(*contact.axes)
    points = np.stack([x, y, 0 * x], -1).reshape(-1, 3) + state.displacement.reshape(3, -1).T
    forces = state.traction.reshape(3, -1).T * contact.pitch ** 2
    assert np.allclose(state.wrench[:3], forces.sum(axis=0), atol=1e-12)
    assert np.allclose(state.wrench[3:], np.cross(points, forces).sum(axis=0), atol=1e-12)
    assert state.wrench[2] < 0 < state.wrench[0] and state.wrench[5] != 0
    assert state.centroid == pytest.approx([1.03e-3, -1.99e-3], abs=2e-5)   # dragged along


def test_mirrored_and_turned_motion_gives_the_mirrored_and_turned_skin():
    def run(motion, pose=(0.4e-3, 0.7e-3)):
        contact = skin((32, 32))
        gap = contact.gap(Sphere(10e-3), Pose(*pose, -0.2e-3))
        contact.step(gap, friction=0.5)
        return contact.step(gap, motion=motion, centre=pose, friction=0.5).traction

    t = run((6e-5, 2e-5, 0.02))
    scale = 2e-3 * np.abs(t).max()
    mirrored = run((-6e-5, 2e-5, -0.02), (-0.4e-3, 0.7e-3))          # x to -x
    assert np.allclose(mirrored[:, :, ::-1] * np.array([-1, 1, 1])[:, None, None], t, atol=scale)
    turned = run((-2e-5, 6e-5, 0.02), (-0.7e-3, 0.4e-3))             # x to y, y to -x
    back = np.rot90(turned, 1, axes=(1, 2))
    assert np.allclose([back[1], -back[0], back[2]], t, atol=scale)


def test_twist_about_the_centre_is_pure_torsion():
    contact = skin((32, 32))
    gap, _ = sphere_pressed(contact, 0.5)
    state = contact.step(gap, motion=(0, 0, 0.05), friction=0.5, force=1.0)
    assert state.wrench[5] > 0
    assert np.allclose(state.wrench[:2], 0, atol=1e-3) and np.allclose(state.wrench[3:5], 0,
                                                                       atol=1e-6)
    for _ in range(8):
        state = contact.step(gap, motion=(0, 0, 0.05), friction=0.5, force=1.0)
    # all sliding: every element has its whole friction around the centre
    x, y = contact.axes
    r = np.hypot(x, y[:, None])         # where the solver takes friction to act
    limit = (0.5 * -state.traction[2] * r).sum() * contact.pitch ** 2
    assert state.wrench[5] == pytest.approx(limit, rel=0.02)


def test_shapes():
    contact = skin((40, 40))
    x, y = np.meshgrid(*contact.axes)
    gap = contact.gap(Cylinder(4e-3, 5e-3), Pose(height=-0.2e-3))
    along = np.abs(y) < contact.pitch
    assert np.allclose(gap[along & (np.abs(x) < 2.5e-3)], gap.min())
    assert gap.min() == pytest.approx(-0.2e-3 + contact.pitch ** 2 / 8 / 4e-3, abs=1e-7)
    upright = contact.gap(Cylinder(4e-3, 5e-3), Pose(height=-0.2e-3, yaw=np.pi / 2))
    assert np.allclose(upright, gap.T)
    # yaw turns x towards y: at 45 degrees the axis is the line y = x
    oblique = contact.gap(Cylinder(4e-3, 5e-3), Pose(height=-0.2e-3, yaw=np.pi / 4))
    assert np.allclose(oblique[(x == y) & (np.hypot(x, y) < 2.5e-3)], -0.2e-3)
    assert np.isinf(contact.gap(Cylinder(1e-3, 2e-3), Pose())).any()

    punch = contact.gap(Punch(3e-3, 0.5e-3), Pose(height=-0.1e-3))
    r = np.hypot(x, y)
    assert np.allclose(punch[r < 2.5e-3], -0.1e-3) and np.isinf(punch[r > 3e-3]).all()
    edge = (r > 2.5e-3) & (r < 3e-3)
    assert (punch[edge] > -0.1e-3).all() and (punch[edge] < 0.4e-3).all()


def test_tilt_presses_the_lower_end():
    for indenter in (Cylinder(4e-3, 5e-3), Punch(3e-3, 0.5e-3)):
        contact = skin((40, 40))
        level = contact.step(contact.gap(indenter, Pose(height=-0.2e-3)), force=2.0)
        tilted = contact.step(contact.gap(indenter, Pose(height=-0.2e-3, tilt=0.03)), force=2.0)
        turned = contact.step(contact.gap(indenter, Pose(height=-0.2e-3, tilt=0.03,
                                                         yaw=np.pi / 2)), force=2.0)
        assert np.allclose(level.centroid, 0, atol=1e-5)
        assert tilted.centroid[0] < -0.2e-3          # the +x end is lifted
        assert turned.centroid == pytest.approx([0, tilted.centroid[0]], abs=2e-5)


def test_a_cold_start_far_from_the_force_is_solved():
    # the indenter hovers; the contact it will have lies outside any first guess
    contact = skin()
    gap = contact.gap(Sphere(10e-3), Pose(height=2e-3))
    state = contact.step(gap, friction=0.5, force=2.0)
    assert state.wrench[2] == pytest.approx(-2.0, rel=1e-9) and state.approach > 2e-3
    reference = skin()
    reference.step(gap - 2.2e-3, friction=0.5, force=2.0)
    assert np.allclose(state.traction, reference.state.traction,
                       atol=5e-3 * np.abs(state.traction).max())


@pytest.mark.parametrize(('arguments', 'match'), [
    ({'gap': np.zeros((3, 3))}, 'gap'),
    ({'gap': np.full((32, 40), np.nan)}, 'gap'),
    ({'friction': -0.1}, 'friction'),
    ({'friction': np.nan}, 'friction'),
    ({'motion': (np.inf, 0, 0)}, 'motion'),
    ({'force': -1.0}, 'force'),
    ({'gap': np.full((32, 40), np.inf), 'force': 1.0}, 'press'),
])
def test_bad_input_is_refused_and_changes_nothing(arguments, match):
    contact = skin()
    _, before = sphere_pressed(contact, 0.5)
    with pytest.raises(DataError, match=match):
        contact.step(**{'gap': np.zeros((32, 40)), **arguments})
    assert contact.state is before
    with pytest.raises(DataError, match='grid'):
        LayerContact(elastomer(), (1, 40), 1e-4)
