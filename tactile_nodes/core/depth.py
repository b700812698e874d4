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
    """

    gamma: float
    a: np.ndarray
    b: np.ndarray
    residual_sd: float

    def __post_init__(self):
        for key in ('a', 'b'):
            value = np.asarray(getattr(self, key), dtype=np.float64)
            if value.shape != (3, TERMS) or not np.isfinite(value).all():
                raise DataError('wrong light ratios', where=f'shading {key}', found=value.shape,
                                expected=f'(3, {TERMS}) finite numbers')
            object.__setattr__(self, key, value)
        if not 0.2 <= self.gamma <= 5:
            raise DataError('out of range', where='shading gamma', found=self.gamma,
                            expected='0.2 to 5')

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
