# SPDX-License-Identifier: Apache-2.0
"""Depth from shading: photometric stereo with three coloured lights, then integration.

Woodham (Opt. Eng. 19 (1980) 139): on a matt skin, lit from three directions, the brightness of the
three channels gives the slope, whatever the paint's reflectance. Frankot and Chellappa (IEEE PAMI
10 (1988) 439): the surface that fits a noisy slope field best, in the least-squares sense.
"""

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from scipy import fft

from tactile_nodes.errors import DataError

_REFINEMENTS = 2
_LEAST_CONTRAST = 0.1          # difference of light ratios that is made use of
_MOST_BLIND = 0.25              # of the image with less
_STEPS = 3                     # of the Gauss-Newton method for steep slopes
_MULTIPLES = (1.0, 1.5, 2.2)   # of the first guess
_LONGEST_STEP, _STEEPEST = 0.7, 2.0        # slope; what is steeper looks alike
_DAMPING, _TINY, _DARK = np.float32(0.1), np.float32(1e-6), np.float32(1e-3)
_UNEXPLAINED = 0.15          # of the light, rms over the channels
MOST_AMBIENT = 0.95            # part of the light that comes from everywhere
PRINT = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (15, 15))      # cells; covers a marker
_EVEN = 4.0                    # cells over which light at rest is smoothed
TERMS = 6        # 1, u, v, u^2, uv, v^2


def position_terms(geometry):
    """Polynomial terms of the normalised position.

    Parameters
    ----------
    geometry : ImageGeometry

    Returns
    -------
    (6, H, W) float64
        1, u, v, u^2, uv, v^2; u and v run from -1 to 1 over the image's width and height.
    """
    v, u = np.meshgrid((np.arange(geometry.height_px) * 2 + 1) / geometry.height_px - 1,
                       (np.arange(geometry.width_px) * 2 + 1) / geometry.width_px - 1,
                       indexing='ij')
    return np.stack([np.ones_like(u), u, v, u * u, u * v, v * v])


def _check_model(model, where, **shapes):
    """Make attributes of a frozen shading model float64 arrays of these shapes; check gamma."""
    for key, shape in shapes.items():
        value = np.asarray(getattr(model, key), dtype=np.float64)
        if value.shape != shape or not np.isfinite(value).all():
            raise DataError('wrong light ratios', where=f'{where} {key}', found=value.shape,
                            expected=f'{shape} finite numbers')
        object.__setattr__(model, key, value)
    if not 0.2 <= model.gamma <= 5:
        raise DataError('out of range', where=f'{where} gamma', found=model.gamma,
                        expected='0.2 to 5')


@dataclass(frozen=True, eq=False)
class SteepShading:
    """How light goes with slope that is steep: with shadow, and light from everywhere.

    Light / light of the unsloped skin is, for the LEDs of one colour c, d_c + (1 - d_c) h_c /
    sqrt(1 + gx^2 + gy^2), where g is the gradient of depth. The first part comes from everywhere
    (reflected by the housing, scattered in the skin), so it is even, and the larger a part the
    darker a place is at rest. The second goes by Lambert's law: h is
    f = 1 - a_c gx - b_c gy, where a_c and b_c are the light's horizontal direction over its
    height, and 0 in shadow; the LEDs of one colour are not all at one place, so the shadow is
    soft: h = (f + sqrt(f^2 + s_c^2 (a_c^2 + b_c^2) (gx^2 + gy^2))) / 2. Each channel of the camera
    sees a mixture of the colours.

    Attributes
    ----------
    gamma : float
        Light is grey level ** gamma.
    a, b : (3, 6) float64
        Per colour (blue, green, red), coefficients of `position_terms`.
    ambient, softness : (3,) float64
        d per colour where the skin at rest is as light as on (geometric) average, and s.
    mix : (3, 3) float64
        Part of each colour (column) in the light that a channel (row) has from the unsloped skin.
    darkening : (3,) float64
        Coefficients of the first `position_terms` for how much the logarithm of the light falls
        per metre of depth where the skin is flat: it has come closer to the plane of the lamps.
        All 0: not known.
    darkening_sd : float
        Standard deviation of that logarithm about it.
    """

    gamma: float
    a: np.ndarray
    b: np.ndarray
    ambient: np.ndarray
    softness: np.ndarray
    mix: np.ndarray
    darkening: np.ndarray = (0.0, 0.0, 0.0)
    darkening_sd: float = 0.0

    def __post_init__(self):
        _check_model(self, 'steep shading', a=(3, TERMS), b=(3, TERMS), ambient=(3,),
                     softness=(3,), mix=(3, 3), darkening=(3,))
        for key in ('ambient', 'softness'):
            if getattr(self, key).min() < 0 or getattr(self, key).max() > 1:
                raise DataError('out of range', where=f'steep shading {key}',
                                found=getattr(self, key).tolist(), expected='0 to 1')
        if self.mix.min() < 0 or abs(self.mix.sum(axis=1) - 1).max() > 1e-3 \
                or self.mix.diagonal().min() <= 0.5:
            raise DataError('out of range', where='steep shading mix', found=self.mix.tolist(),
                            expected='no negative part; each row adds up to 1, more than half of '
                                     'it on the diagonal')


def light_logs(planes):
    """How light the skin is at rest from place to place, print left out.

    Parameters
    ----------
    planes : sequence of 3 (h, w) float32
        Light or grey level of the untouched skin.

    Returns
    -------
    (3, h * w) float64
        Logarithms, the mean of each channel taken off.
    """
    bare = [cv2.GaussianBlur(cv2.morphologyEx(plane, cv2.MORPH_CLOSE, PRINT), (0, 0), _EVEN)
            for plane in planes]
    logs = np.log(np.maximum(bare, 1e-3)).reshape(3, -1).astype(np.float64)
    return logs - logs.mean(axis=1, keepdims=True)


class SteepSlopes:
    """Slope of cells from their light by `SteepShading`.

    Parameters
    ----------
    model : SteepShading
    geometry : ImageGeometry
        Of the cells.
    gamma : float
        Of the light ratios that will be given.
    planes : sequence of 3 (h, w) float32
        Such light of the untouched skin.
    """

    def __init__(self, model, geometry, gamma, planes):
        terms = position_terms(geometry).reshape(TERMS, -1)
        self._a, self._b = (np.float32(part @ terms) for part in (model.a, model.b))
        self._soft = np.square(np.float32(model.softness))[:, None] \
            * (self._a * self._a + self._b * self._b)
        self._unmix = np.float32(np.linalg.inv(model.mix))
        self._exponent = np.float32(model.gamma / gamma)
        self._ambient = np.float32(np.minimum(
            model.ambient[:, None] * np.exp(-model.gamma / gamma * light_logs(planes)),
            MOST_AMBIENT))

    def solve(self, light, cells, start):
        """Gauss-Newton steps from the best of some multiples of a first guess.

        Reflectance is that at rest.

        Parameters
        ----------
        light : (3, K) float32
            Light / light of the unsloped skin of the channels blue, green, red.
        cells : (K,) int
            Which cells.
        start : (2, K) float32
            In shadow it may be too small.

        Returns
        -------
        slope : (2, K) float32
            gx, gy; at most `_STEEPEST` long.
        explained : (K,) bool
            Where the model has such light.
        """
        a, b, soft, ambient = (np.take(part, cells, axis=1) for part in
                               (self._a, self._b, self._soft, self._ambient))
        light = self._unmix @ np.power(np.maximum(light, _DARK), self._exponent) - ambient
        half = (1 - ambient) / 2
        guesses = [_shortened(*(multiple * start), _STEEPEST) for multiple in _MULTIPLES]
        misses = [np.square(light - _direct((half, a, b, soft), *guess)).sum(axis=0)
                  for guess in guesses]
        gx, gy = np.choose(np.argmin(misses, axis=0), [np.stack(guess) for guess in guesses])
        for _ in range(_STEPS):
            square = gx * gx + gy * gy
            flatness = half / np.sqrt(1 + square)
            facing = 1 - a * gx - b * gy
            root = np.sqrt(facing * facing + soft * square + _TINY)
            direct = (facing + root) * flatness
            miss = light - direct
            direct /= 1 + square
            facing /= root
            facing += 1
            facing *= flatness
            bent = soft / root * flatness - direct
            by_x, by_y = bent * gx - facing * a, bent * gy - facing * b
            xx, xy, yy = ((p * q).sum(axis=0) for p, q in ((by_x, by_x), (by_x, by_y),
                                                           (by_y, by_y)))
            xx += _DAMPING
            yy += _DAMPING
            x, y = (by_x * miss).sum(axis=0), (by_y * miss).sum(axis=0)
            determinant = xx * yy - xy * xy
            dx, dy = _shortened((yy * x - xy * y) / determinant, (xx * y - xy * x) / determinant,
                                _LONGEST_STEP)
            gx, gy = _shortened(gx + dx, gy + dy, _STEEPEST)
        return np.stack([gx, gy]), np.square(miss).sum(axis=0) < 3 * _UNEXPLAINED**2


def _direct(lamps, gx, gy):
    """Light of the colours (3, K) that does not come from everywhere, by `SteepShading`."""
    half, a, b, soft = lamps
    square = gx * gx + gy * gy
    facing = 1 - a * gx - b * gy
    return (facing + np.sqrt(facing * facing + soft * square + _TINY)) \
        * (half / np.sqrt(1 + square))


def _shortened(x, y, most):
    """Vectors of at most that length."""
    scale = np.minimum(1, most / np.maximum(np.hypot(x, y), _TINY))
    return x * scale, y * scale


@dataclass(frozen=True, eq=False)
class ShadingModel:
    """How slope changes the light of each channel, found by calibration on the device.

    With the camera's response undone, light / light of the unsloped skin is, per channel c,
    (1 - a_c gx - b_c gy) / sqrt(1 + gx^2 + gy^2), where g is the gradient of depth. a_c and b_c
    are the light's horizontal direction over its height, mixed over all LEDs that the channel
    sees, so cross-talk between channels is part of them.

    Attributes
    ----------
    gamma : float
        Light is grey level ** gamma.
    a, b : (3, 6) float64
        Per channel (blue, green, red), coefficients of `position_terms`.
    residual_sd : float
        Standard deviation of light / light of the unsloped skin about the model, from the fit.
    steep : SteepShading, optional
        What holds for steep slopes.
    """

    gamma: float
    a: np.ndarray
    b: np.ndarray
    residual_sd: float
    steep: SteepShading | None = None

    def __post_init__(self):
        _check_model(self, 'shading', a=(3, TERMS), b=(3, TERMS))

    def light(self, grey):
        """Linear light from grey levels."""
        return np.power(grey, self.gamma)

    def ratios(self, geometry):
        """a and b on a grid, each (3, H, W) float64."""
        terms = position_terms(geometry)
        return np.tensordot(self.a, terms, 1), np.tensordot(self.b, terms, 1)

    def slope_matrix(self, geometry):
        """Matrix per cell from the light ratios of the channels to the slope.

        Returns
        -------
        (3, 3, H, W) float32
            Rows s, s gx, s gy with s = reflectance ratio / sqrt(1 + gx^2 + gy^2); columns blue,
            green, red.

        Raises
        ------
        DataError
            Over much of the image two channels' lights come from nearly the same direction.
        """
        a, b = self.ratios(geometry)
        # differences to the third channel tell s gx and s gy; where they hardly tell one of the
        # two (near one lamp, far from the others), that comes out too small instead of noisy
        system = np.moveaxis(np.array([[a[2] - a[0], b[2] - b[0]], [a[2] - a[1], b[2] - b[1]]]),
                             (0, 1), (-2, -1))
        left, size, right = np.linalg.svd(system)
        blind = float((size[..., 1] < _LEAST_CONTRAST).mean())
        if blind > _MOST_BLIND:
            raise DataError("the channels' lights do not come from different directions",
                            where='shading', found=f'{100 * blind:.0f} % of the image',
                            expected=f'at most {100 * _MOST_BLIND:.0f} %', fix='Calibrate again.')
        size = size / np.maximum(size, _LEAST_CONTRAST)**2
        right = np.swapaxes(right, -2, -1) * size[..., None, :]
        slope = np.moveaxis(right @ np.swapaxes(left, -2, -1), (-2, -1), (0, 1))
        brightness = a[2] * slope[0] + b[2] * slope[1]
        return np.stack([np.stack([*row, last - row[0] - row[1]]) for row, last in
                         ((brightness, 1.0), (slope[0], 0.0), (slope[1], 0.0))]).astype(np.float32)


def integrate_gradient(gx, gy, pitch, trust=None):
    """Surface whose gradient fits best, with mean 0.

    The discrete Poisson equation with free (Neumann) borders, solved by cosine transform; the
    gradient between two cells is taken as the mean of theirs. With unequal trust it is the
    preconditioner of conjugate gradients (common practice, no source), of which a few are taken.

    Parameters
    ----------
    gx, gy : (H, W) float
        Slope along columns and rows.
    pitch : float
        Cell size, m.
    trust : (H, W) float, optional
        Weight of a cell's slope, above 0 and at most 1; the same for all without.

    Returns
    -------
    (H, W) of the same float type, m
    """
    source = np.empty_like(gx)      # divergence, in units of 2 / pitch
    np.subtract(gx[:, 2:], gx[:, :-2], out=source[:, 1:-1])
    np.add(gx[:, 0], gx[:, 1], out=source[:, 0])
    np.add(gx[:, -1], gx[:, -2], out=source[:, -1])
    np.negative(source[:, -1], out=source[:, -1])
    source[1:-1] += gy[2:]
    source[1:-1] -= gy[:-2]
    source[0] += gy[0] + gy[1]
    source[-1] -= gy[-1] + gy[-2]
    surface = _solve_poisson(source, pitch)
    return surface if trust is None else surface + _correction(surface, gx, gy, pitch, trust)


def _correction(surface, gx, gy, pitch, trust):
    """What unequal trust changes of the surface that fits with equal trust.

    It is smooth, so it is found on cells twice as large.
    """
    rows, columns = surface.shape
    if rows % 2 or columns % 2:
        surface, gx, gy, trust = (
            cv2.copyMakeBorder(field, 0, rows % 2, 0, columns % 2, cv2.BORDER_REPLICATE)
            for field in (surface, gx, gy, trust))
    # trust in the steps over the borders of the large cells, and what is left of the steps
    along = np.minimum(trust[:, 1:-1:2], trust[:, 2::2]), np.minimum(trust[1:-1:2], trust[2::2])
    right = (gx[:, 1:-1:2] + gx[:, 2::2]) * (pitch / 2) + surface[:, 1:-1:2] - surface[:, 2::2]
    down = (gy[1:-1:2] + gy[2::2]) * (pitch / 2) + surface[1:-1:2] - surface[2::2]
    right, down = along[0] * right, along[1] * down
    residual = _divergence(right[::2] + right[1::2], down[:, ::2] + down[:, 1::2])
    along = (along[0][::2] + along[0][1::2]) / 2, (along[1][:, ::2] + along[1][:, 1::2]) / 2
    found, step, size = np.zeros_like(residual), np.zeros_like(residual), 1.0
    for _ in range(_REFINEMENTS):
        better = _solve_poisson(residual, 2)
        last, size = size, np.vdot(residual, better)
        step = better + size / last * step
        change = _divergence(along[0] * np.diff(step, axis=1), along[1] * np.diff(step, axis=0))
        curvature = np.vdot(step, change)
        if not curvature or not size:
            break
        found += size / curvature * step
        residual -= size / curvature * change
    found = cv2.resize(found, (surface.shape[1], surface.shape[0]), interpolation=cv2.INTER_LINEAR)
    return found[:rows, :columns]


def _solve_poisson(source, pitch):
    """Surface of mean 0 with that divergence, in units of 2 / pitch.

    By transforms rather than products with matrices, which are as fast at these sizes but whose
    last digits depend on how many threads the linear algebra library takes.
    """
    spectrum = fft.dctn(source, norm='ortho')
    spectrum *= _inverse_laplacian(*source.shape, pitch, source.dtype)
    return fft.idctn(spectrum, norm='ortho', overwrite_x=True)


def _divergence(right, down):
    """Sum of the steps (H, W - 1) to the right and (H - 1, W) down out of each cell, (H, W)."""
    result = np.zeros((right.shape[0], down.shape[1]), right.dtype)
    result[:, :-1] += right
    result[:, 1:] -= right
    result[:-1] += down
    result[1:] -= down
    return result


@lru_cache(maxsize=8)
def _inverse_laplacian(height, width, pitch, dtype):
    """pitch / 2 / eigenvalues of the five-point Laplacian with free borders; 0 for the mean."""
    eigenvalues = 2 * np.cos(np.pi * np.arange(height) / height)[:, None] \
        + 2 * np.cos(np.pi * np.arange(width) / width) - 4
    eigenvalues[0, 0] = np.inf
    return (pitch / 2 / eigenvalues).astype(dtype)
