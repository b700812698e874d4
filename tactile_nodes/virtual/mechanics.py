# SPDX-License-Identifier: Apache-2.0
"""Mechanics of the virtual fingertip: a rigid indenter on the bonded elastic layer, with friction.

Small-strain, quasi-static. The skin is a grid of square elements, each under uniform traction;
skin displacement is a linear map of the traction, so the sum or the time interpolation of two
states is again a consistent state. Normal contact: I. A. Polonsky and L. M. Keer, Wear 231 (1999)
206. Friction: Coulomb, incremental, J. J. Kalker, Three-Dimensional Elastic Bodies in Rolling
Contact (1990), ch. 4, solved by projected gradients with the steps of J. Barzilai and J. M.
Borwein, IMA J. Numer. Anal. 8 (1988) 141. The two are alternated until both hold (P. D.
Panagiotopoulos, Ing.-Archiv 44 (1975) 421).
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import fft, special

from tactile_nodes.core.layer import layer_compliance
from tactile_nodes.errors import DataError

_TOLERANCE = 2e-4        # of the largest skin displacement, when pressure or friction is solved
_AGREEMENT = 4e-4        # the same, by which friction may then lift the skin
_MAX_ITERATIONS = 400
_MAX_PASSES = 30
_FAR = 1.0               # m; where an indenter has no surface


@dataclass(frozen=True)
class Pose:
    """Where the indenter is.

    Attributes
    ----------
    x, y : float
        Its reference axis in the fingertip frame, m.
    height : float
        Of its lowest point above the undeformed skin when not tilted, m; negative when pressed in.
    yaw : float
        Rotation about z (x towards y), rad.
    tilt : float
        Rotation about its own y axis that lifts its +x end, rad; to first order in the tilt.
        A sphere has none.
    """

    x: float = 0.0
    y: float = 0.0
    height: float = 0.0
    yaw: float = 0.0
    tilt: float = 0.0

    def local(self, x, y):
        """Fingertip frame coordinates to those of the indenter (no shift in z)."""
        c, s = np.cos(self.yaw), np.sin(self.yaw)
        dx, dy = x - self.x, y - self.y
        return c * dx + s * dy, c * dy - s * dx


@dataclass(frozen=True)
class Sphere:
    """A ball; the reference axis goes through its centre."""

    radius: float

    def gap(self, x, y, pose):
        """Height of its surface over the undeformed skin at x, y, m; `inf` beside the ball."""
        u, v = pose.local(x, y)
        return pose.height + _cap(np.hypot(u, v), self.radius)


@dataclass(frozen=True)
class Cylinder:
    """A lying cylinder whose axis is its own x; `length` is straight, the ends are round."""

    radius: float
    length: float

    def gap(self, x, y, pose):
        """Height of its surface over the undeformed skin at x, y, m; `inf` beside it."""
        u, v = pose.local(x, y)
        beyond = np.maximum(np.abs(u) - self.length / 2, 0)
        return pose.height + u * np.tan(pose.tilt) + _cap(np.hypot(beyond, v), self.radius)


@dataclass(frozen=True)
class Punch:
    """A standing round bar with a flat face; its edge is rounded inside `radius`."""

    radius: float
    edge_radius: float

    def gap(self, x, y, pose):
        """Height of its surface over the undeformed skin at x, y, m; `inf` beside it."""
        u, v = pose.local(x, y)
        beyond = np.maximum(np.hypot(u, v) - (self.radius - self.edge_radius), 0)
        return pose.height + u * np.tan(pose.tilt) + _cap(beyond, self.edge_radius)


def _cap(r, radius):
    """Height of a ball's underside at distance r from its lowest point."""
    inside = r < radius
    return np.where(inside, radius - np.sqrt(np.where(inside, radius ** 2 - r ** 2, 0)), np.inf)


@dataclass(frozen=True, eq=False)
class SkinState:
    """The skin at one moment.

    Attributes
    ----------
    traction : (3, ny, nx) float64
        What the indenter exerts on the skin, Pa, fingertip axes (pressure is t_z < 0).
    displacement : (3, ny, nx) float64
        Of the skin, m (indentation is u_z < 0).
    contact : (ny, nx) bool
    stick : (ny, nx) bool
        Elements in contact below their friction limit.
    slip : (2, ny, nx) float64
        How far the indenter slid over the skin in the last step, m; 0 where it did not.
    approach : float
        How much nearer than the `gap` given the indenter is, m; 0 unless a force was asked for.
    pitch : float
        Side of an element, m.
    """

    traction: np.ndarray
    displacement: np.ndarray
    contact: np.ndarray
    stick: np.ndarray
    slip: np.ndarray
    approach: float
    pitch: float

    @cached_property
    def wrench(self):
        """(6,) fx fy fz tx ty tz on the fingertip at the frame's origin, N and N*m.

        Every element's force acts where its skin is now, as a force/torque sensor feels it.
        """
        force = self.traction * self.pitch ** 2
        moments = np.cross(self._places, force, axis=0)
        return np.array([*force.sum(axis=(1, 2)), *moments.sum(axis=(1, 2))])

    @cached_property
    def centroid(self):
        """(2,) x, y of the pressure-weighted mean place of the skin, m; NaN without contact."""
        if not self.contact.any():
            return np.full(2, np.nan)
        pressure = self.traction[2]
        return (self._places[:2] * pressure).sum(axis=(1, 2)) / pressure.sum()

    @cached_property
    def _places(self):
        """(3, ny, nx) where the skin's elements are now, m."""
        x, y = grid_axes(self.contact.shape, self.pitch)
        u = self.displacement
        return np.stack([x + u[0], y[:, None] + u[1], u[2]])

    @property
    def stick_ratio(self):
        """Stuck share of the contact area, 0 to 1; 1 without contact."""
        touching = self.contact.sum()
        return float(self.stick.sum() / touching) if touching else 1.0

    @property
    def slipping(self):
        """Whether the whole contact slid in the last step."""
        return bool(self.contact.any() and not self.stick.any() and self.slip.any())


def grid_axes(shape, pitch):
    """x of the columns and y of the rows of an (ny, nx) grid about the frame's origin, m."""
    ny, nx = shape
    return (np.arange(nx) - (nx - 1) / 2) * pitch, (np.arange(ny) - (ny - 1) / 2) * pitch


class LayerContact:
    """A rigid indenter of any shape in contact with the skin, step by step.

    Parameters
    ----------
    elastomer : Elastomer
    shape : (int, int)
        Rows ny and columns nx of the grid, centred on the frame's origin.
    pitch : float
        Side of an element, m.

    Attributes
    ----------
    state : SkinState
        After the last step.

    Notes
    -----
    The influence of an element on another is computed in real space (`_influence`) and the
    convolution padded to twice its window, so there are no periodic images at all, whatever the
    decay length of the layer (about 1.3 thicknesses). Equilibrium is sought in a window around
    the contact and checked on the whole grid.
    """

    def __init__(self, elastomer, shape, pitch):
        self.elastomer, self.shape, self.pitch = elastomer, tuple(shape), pitch
        ny, nx = self.shape
        if min(ny, nx) < 2 or not pitch > 0:
            raise DataError('unusable grid', found=(shape, pitch),
                            expected='at least 2x2 elements of positive pitch')
        self._influence = _influence(elastomer, self.shape, pitch)
        self._skins = {}
        self.reset()

    @property
    def axes(self):
        """x of the columns (nx,) and y of the rows (ny,), m."""
        return grid_axes(self.shape, self.pitch)

    def gap(self, indenter, pose):
        """(ny, nx) height of an indenter over the skin's elements, m.

        Looked up where the elements have been dragged to: an indenter that takes the skin along
        stays over the same elements.
        """
        x, y = self.axes
        u = self.state.displacement
        return indenter.gap(x[None, :] + u[0], y[:, None] + u[1], pose)

    def reset(self):
        """Back to the unloaded skin without history."""
        blank = np.zeros(self.shape, bool)
        self.state = SkinState(np.zeros((3, *self.shape)), np.zeros((3, *self.shape)), blank,
                               blank, np.zeros((2, *self.shape)), 0.0, self.pitch)
        self._anchor = np.zeros((2, *self.shape))

    def step(self, gap, motion=(0.0, 0.0, 0.0), centre=(0.0, 0.0), friction=0.0, force=None):
        """Move the indenter and let the skin find its equilibrium.

        Parameters
        ----------
        gap : (ny, nx) array_like
            Height of the indenter's surface over the undeformed skin after the step, m;
            negative where they would overlap, `inf` where there is no indenter.
        motion : (dx, dy, dtheta)
            Motion of the indenter's surface along the skin in this step, m and rad about
            `centre`: the part that friction opposes. Moving the gap by the same (dx, dy) is
            dragging; moving the gap alone is rolling without slip; motion alone, with an
            unmoved gap, shears the contact where it is.
        centre : (x, y)
            Of the rotation, m.
        friction : float
            Coulomb coefficient.
        force : float, optional
            Wanted normal force, N: the indenter is moved along z until it presses with it,
            `state.approach` says how far.

        Returns
        -------
        SkinState

        Raises
        ------
        DataError
            Wrong shape or range, or no equilibrium found.

        Notes
        -----
        An element that enters contact refers to the skin's displacement at the start of the
        step; a released one loses its traction and its history. Friction during pressing counts:
        press in several steps. Rolling without motion along the skin is not free of force on a
        bonded layer, whose skin is already displaced where it enters contact (R. H. Bentall and
        K. L. Johnson, Int. J. Mech. Sci. 10 (1968) 637, from memory): it builds up to 0.11 of the
        normal force under a 10 mm sphere pressed with 1 N into a 3 mm layer of 0.4 MPa, nu 0.48.
        """
        obstacle = self._checked(gap, motion, friction, force)
        x, y = self.axes
        dx, dy, dtheta = motion
        increment = np.empty((2, *self.shape))
        increment[0] = dx - dtheta * (y[:, None] - centre[1])
        increment[1] = dy + dtheta * (x[None, :] - centre[0])
        anchor = self._anchor + increment
        near = self.state.contact | (obstacle < self.state.approach)
        outside = np.ones(self.shape, bool)
        while True:
            box = _box(near)
            traction, sliding, slip, approach = self._solve(box, obstacle, anchor, friction, force)
            displacement = self._skin(self.shape).displacement(traction)
            outside[box] = False
            missed = outside & (displacement[2] > obstacle - approach)
            if not missed.any():
                break
            near |= missed
        contact = traction[2] < 0
        stick = contact & ~sliding
        self._anchor = np.where(stick, anchor, displacement[:2])
        self.state = SkinState(traction, displacement, contact, stick, slip, approach, self.pitch)
        return self.state

    def _solve(self, box, obstacle, anchor, friction, force):
        """Traction, sliding, slip on the whole grid and approach, with contact only in `box`."""
        skin = self._skin(tuple(part.stop - part.start for part in box))
        inner = (slice(None), *box)
        old, obstacle, anchor = self.state.traction[inner], obstacle[box], anchor[inner]
        shear, pressure = old[:2], -old[2]
        heave, relax, last = skin.heave(shear), 1.0, None
        for count in range(_MAX_PASSES):
            pressure, approach = _press(skin.press, obstacle - heave, pressure, self.pitch ** 2,
                                        force)
            shear, slip, sliding = _rub(skin.rub, anchor - skin.spread(pressure), shear,
                                        friction * pressure)
            error = skin.heave(shear) - heave
            depth = np.abs(obstacle - approach)[pressure > 0].max(initial=0)
            # Coulomb friction need not have an equilibrium: an element at the rim may come and
            # go for ever; so ask for less as time goes on
            if np.abs(error).max() <= _AGREEMENT * (1 + count / 4) * depth:
                break
            if last is not None:                     # A. C. Aitken's relaxation, for vectors
                change = error - last
                relax = np.clip(-relax * (last * change).sum() / (change ** 2).sum(), 0.1, 1.5)
            heave, last = heave + relax * error, error
        else:
            raise DataError('pressure and friction find no common equilibrium', where='contact',
                            fix='Use smaller steps.')
        whole = np.zeros((6, *self.shape))
        whole[inner] = [*shear, -pressure, sliding, *slip]
        return whole[:3], whole[3] > 0, whole[4:], approach

    def _skin(self, shape):
        """The skin of a window of this shape, made once."""
        if shape not in self._skins:
            self._skins[shape] = _Skin(self._influence, shape)
        return self._skins[shape]

    def _checked(self, gap, motion, friction, force):
        gap = np.asarray(gap, float)
        if gap.shape != self.shape or np.isnan(gap).any() or np.isneginf(gap).any():
            raise DataError('wrong gap', found=f'{gap.shape}',
                            expected=f'{self.shape}, numbers or inf')
        if not (friction >= 0 and np.isfinite(friction) and np.isfinite(motion).all()):
            raise DataError('wrong motion or friction', found=(motion, friction),
                            expected='finite numbers, friction not negative')
        if force is not None and not (force >= 0 and np.isfinite(force)):
            raise DataError('wrong normal force', found=force, expected='0 or more, N')
        if force and np.isinf(gap).all():
            raise DataError('nothing to press with', where='gap', found='inf everywhere')
        return np.minimum(gap, _FAR)


def _box(near):
    """Slices of a window with room around the marked elements, of few sizes; all if none is."""
    box = []
    for axis in (1, 0):
        n, marked = near.shape[1 - axis], np.flatnonzero(near.any(axis=axis))
        first, last = (marked[0], marked[-1]) if len(marked) else (0, n - 1)
        size = min(n, 8 * -(-(last - first + 7) // 8))
        start = min(max(0, (first + last + 1 - size) // 2), n - size)
        box.append(slice(start, start + size))
    return tuple(box)


class _Skin:
    """Skin displacement of a traction on a window of the grid, by FFT convolution.

    Parameters
    ----------
    influence : dict of (2 ny - 1, 2 nx - 1) arrays
        See `_influence`, for a grid at least as large as the window.
    shape : (int, int)
        Of the window.
    """

    def __init__(self, influence, shape):
        self._shape = shape
        self._padded = [fft.next_fast_len(2 * n - 1, real=True) for n in shape]
        forward = {key: self._kernel(value) for key, value in influence.items()}
        self._xx, self._xy, self._yy, self._zz = (
            np.ascontiguousarray(forward[key].real) for key in ('xx', 'xy', 'yy', 'zz'))
        self._xz, self._yz = (1j * forward[key].imag for key in ('xz', 'yz'))

    def _kernel(self, influence):
        (ny, nx), (my, mx) = self._shape, [(n - 1) // 2 for n in influence.shape]
        wrapped = np.zeros(self._padded)
        wrapped[:2 * ny - 1, :2 * nx - 1] = influence[my - ny + 1:my + ny, mx - nx + 1:mx + nx]
        return self._forward(np.roll(wrapped, (1 - ny, 1 - nx), axis=(0, 1)))

    def _forward(self, field):
        ny, nx = self._padded
        return fft.fft(fft.rfft(field, nx, axis=-1), ny, axis=-2, overwrite_x=True)

    def _back(self, field):
        ny, nx = self._shape
        rows = fft.ifft(field, axis=-2, overwrite_x=True)[..., :ny, :]
        return fft.irfft(rows, self._padded[1], axis=-1)[..., :nx]

    def press(self, pressure):
        """Depth from a pressure."""
        return self._back(self._zz * self._forward(pressure))

    def rub(self, shear):
        """Displacement along the skin (2, ...) from a shear traction (2, ...)."""
        x, y = self._forward(shear)
        return self._back(np.stack([self._xx * x + self._xy * y, self._xy * x + self._yy * y]))

    def heave(self, shear):
        """u_z from a shear traction (2, ...)."""
        x, y = self._forward(shear)
        return self._back(-self._xz * x - self._yz * y)

    def spread(self, pressure):
        """Displacement along the skin (2, ...) from a pressure."""
        z = self._forward(-pressure)
        return self._back(np.stack([self._xz * z, self._yz * z]))

    def displacement(self, traction):
        """u (3, ...) from the traction t (3, ...)."""
        x, y, z = self._forward(traction)
        return self._back(np.stack([self._xx * x + self._xy * y + self._xz * z,
                                    self._xy * x + self._yy * y + self._yz * z,
                                    -self._xz * x - self._yz * y + self._zz * z]))


def _influence(elastomer, shape, pitch):
    """Displacement at each offset from one element under unit traction, m/Pa.

    The half-space part is exact for a uniformly loaded square (A. E. H. Love, Phil. Trans. R. Soc.
    A 228 (1929) 377 for pressure; the same integrals of Cerruti's solution for shear, Johnson,
    Contact Mechanics, ch. 3.6); what the window below changes is smooth, dies out like
    exp(-2 k h), and is summed over wavenumbers (Hankel transforms of `layer_compliance`).

    Returns
    -------
    dict of (2 ny - 1, 2 nx - 1) arrays
        Keys 'ij': u_i from t_j; u_z from t_x is minus u_x from t_z. No offset in the middle.
    """
    y, x = np.meshgrid(*(np.arange(1 - n, n) * pitch for n in shape), indexing='ij')
    g, nu = elastomer.shear_modulus, elastomer.poissons_ratio
    one, xx, xy, yy, x1, y1 = _square_integrals(x, y, pitch)
    unit = 1 / (2 * np.pi * g)
    r = np.hypot(x, y)
    radii, inverse = np.unique(np.round(r / pitch, 9), return_inverse=True)
    mean, split, normal, coupling = (pitch ** 2 * part[inverse].reshape(r.shape)
                                     for part in _window_part(elastomer, radii * pitch))
    away = np.where(r > 0, r, 1)
    c, s = x / away, y / away
    return {'xx': unit * ((1 - nu) * one + nu * xx) + mean - split * (c * c - s * s),
            'yy': unit * ((1 - nu) * one + nu * yy) + mean + split * (c * c - s * s),
            'xy': unit * nu * xy - 2 * split * c * s,
            'zz': unit * (1 - nu) * one + normal,
            'xz': unit * (0.5 - nu) * x1 - coupling * c,
            'yz': unit * (0.5 - nu) * y1 - coupling * s}


def _square_integrals(x, y, pitch):
    """Integrals of 1/r, x^2/r^3, xy/r^3, y^2/r^3, x/r^2, y/r^2 over the square around (x, y)."""
    total = np.zeros((6, *x.shape))
    for i in (-1, 1):
        for j in (-1, 1):
            a, b = x + i * pitch / 2, y + j * pitch / 2
            r = np.hypot(a, b)
            a_log, b_log = a * np.log(b + r), b * np.log(a + r)
            total += i * j * np.array([
                a_log + b_log, b_log, -r, a_log,
                b * np.log(r) + a * np.arctan(b / a), a * np.log(r) + b * np.arctan(a / b)])
    return total


def _window_part(elastomer, radii):
    """Layer minus half-space in real space at the radii (R,), m/(Pa m^2).

    Returns
    -------
    mean, split, normal, coupling : (R,)
        Coefficients of 1, cos 2 theta, 1 and cos theta in u_x from t_x, the same, u_z from t_z
        and u_x from t_z.
    """
    h, g, nu = elastomer.thickness, elastomer.shear_modulus, elastomer.poissons_ratio
    highest = 20 / h                                 # (kh)^2 exp(-2kh) is 2e-15 there
    node, weight = np.polynomial.legendre.leggauss(64 + int(highest * radii[-1]))
    k = highest * (node + 1) / 2
    weight = weight * highest / 2 * k / (2 * np.pi)
    c = layer_compliance(k, 0.0, elastomer)
    along = c[:, 0, 0].real - (1 - nu) / (g * k)
    across = c[:, 1, 1].real - 1 / (g * k)
    normal = c[:, 2, 2].real - (1 - nu) / (g * k)
    coupling = c[:, 0, 2].imag + (0.5 - nu) / (g * k)
    kr = radii[:, None] * k
    j0, j1 = special.j0(kr), special.j1(kr)
    j2 = 2 * j1 / np.where(kr > 0, kr, 1) - np.where(kr > 0, j0, 0)
    return (j0 @ (weight * (along + across) / 2), j2 @ (weight * (along - across) / 2),
            j0 @ (weight * normal), j1 @ (weight * coupling))


def _press(compliance, gap, pressure, area, force):
    """Pressure under a rigid obstacle: Polonsky and Keer's constrained conjugate gradients.

    Parameters
    ----------
    compliance : callable
        Depth from pressure.
    gap : (ny, nx)
        Height of the obstacle over the skin without pressure, m.
    pressure : (ny, nx)
        First guess, Pa.
    area : float
        Of an element, m^2.
    force : float or None
        Wanted normal force, N; None keeps the obstacle where it is.

    Returns
    -------
    pressure : (ny, nx)
    approach : float
        By which the obstacle had to come nearer, m.
    """
    if force == 0 or (force is None and gap.min() >= 0 and not pressure.any()):
        return np.zeros(gap.shape), float(gap.min()) if force == 0 else 0.0
    if not pressure.any():
        pressure = np.maximum(-gap, 0) if gap.min() < 0 else (gap < _FAR / 2).astype(float)
        depth = compliance(pressure)
        pressure = pressure * abs((gap * pressure).sum()) / (depth * pressure).sum()
    if force is not None:
        pressure = pressure * (force / (area * pressure.sum()))
    depth = compliance(pressure)
    accepted = _TOLERANCE + _AGREEMENT               # so that no motion changes nothing
    direction, restart, old = np.zeros(gap.shape), True, 1.0
    for iteration in range(_MAX_ITERATIONS):
        contact = pressure > 0
        excess = gap + depth
        approach = excess[contact].mean() if force is not None and contact.any() else 0.0
        excess = excess - approach
        wrong = np.where(contact, np.abs(excess), -excess).max()
        if wrong <= (_TOLERANCE if iteration else accepted) * max(np.abs(depth).max(), 1e-12):
            return pressure, float(approach)
        new = (excess[contact] ** 2).sum()
        direction *= 0.0 if restart else new / old
        direction = np.where(contact, direction + excess, 0)
        old = new
        response = compliance(direction)
        shift = response[contact].mean() if force is not None and contact.any() else 0.0
        downhill = (direction * (response - shift)).sum()
        length = (excess * direction).sum() / downhill if downhill > 0 else 0.0
        trial = pressure - length * direction
        clipped = trial < 0
        trial[clipped] = 0
        entering = (trial <= 0) & ~contact & (excess < 0)
        restart = bool(entering.any())
        if restart:
            trial[entering] = -(length or 1 / compliance(np.ones(gap.shape)).max()) \
                * excess[entering]
        pressure = trial
        depth = compliance(pressure) if restart or clipped.any() else depth - length * response
        if force is not None:
            scale = force / (area * pressure.sum())
            pressure, depth = pressure * scale, depth * scale
    raise DataError('normal contact does not converge', where='contact')


def _rub(compliance, target, shear, limit):
    """Shear traction that carries the skin to `target` as far as friction lets it.

    Parameters
    ----------
    compliance : callable
        Displacement (2, ...) from shear traction (2, ...).
    target : (2, ny, nx)
        Displacement of the skin without slip and without pressure's part, m.
    shear : (2, ny, nx)
        First guess, Pa.
    limit : (ny, nx)
        Largest shear traction, Pa; 0 outside the contact.

    Returns
    -------
    shear : (2, ny, nx)
    slip : (2, ny, nx)
        Target minus displacement where the limit is reached, m; 0 elsewhere.
    at_limit : (ny, nx) bool
    """
    def bounded(q):
        size = np.hypot(*q)
        return q * np.where(size > limit, limit / np.where(size > 0, size, 1), 1)

    shear = bounded(shear)
    touched = limit > 0
    if not touched.any():
        return shear, np.zeros(shear.shape), ~touched
    target = target * touched
    residual = (target - compliance(shear)) * touched
    scale = np.abs(target).max() * _TOLERANCE
    probe = touched.astype(float)[None] * np.ones((2, 1, 1))
    soft = np.abs(compliance(probe)).max()           # m/Pa, an upper bound on the contact
    step = 1 / soft
    for _ in range(_MAX_ITERATIONS):
        pulled = shear + residual / soft
        wrong = (bounded(pulled) - shear) * soft
        if np.abs(wrong).max() <= scale:
            at_limit = touched & (np.hypot(*pulled) >= (1 - 1e-6) * limit)
            slid = at_limit & (np.hypot(*residual) > scale)
            return np.where(at_limit, bounded(pulled), shear), residual * slid, at_limit
        moved = bounded(shear + step * residual) - shear
        shear = shear + moved
        changed = compliance(moved) * touched
        residual = residual - changed
        curvature = (moved * changed).sum()
        step = (moved ** 2).sum() / curvature if curvature > 0 else 1 / soft
    raise DataError('friction does not converge', where='contact')
