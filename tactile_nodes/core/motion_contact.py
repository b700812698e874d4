# SPDX-License-Identifier: Apache-2.0
"""Contact from marker motion alone: where a clear skin is touched, which no shading shows.

A touch is a round patch that presses, drags and twists the skin; how the markers around it then
move follows from the layer (`layer_compliance`). Patches of a few sizes are tried at places all
over the image, each with the four loads that fit best, which is a projection of the motion on four
fixed vectors per patch. The patch that explains most is the contact, when it explains more than
the errors of the markers do.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy import fft

from tactile_nodes.core.layer import layer_compliance

_THICKER = 1.25                # layer on which such patches move markers as things do on the true
                               # one: 1.21 to 1.32 on three fingertips of an independent model
_RADII = (0.3, 0.6, 1.1)       # of a patch, in thicknesses
_STEP = 1 / 16                 # of the sampled response, in thicknesses
_LEAST_STEP = 1 / 512          # of it, in the largest distance
_MARGIN = 4                    # thicknesses beyond the image until the response repeats
_PLACES = 2 / 3                # from place to place, in marker pitches
_SIGNIFICANT = 60.0            # see `smallest_load`
_FEW = 2                       # markers whose word alone is not enough
_LEAST_SD = 1e-6               # m
_LOADS = 4                     # pressing, dragging along x and y, twisting


@dataclass(frozen=True, eq=False)
class Patch:
    """A round patch of skin that something touches.

    Attributes
    ----------
    centre : (2,) float64
        x, y where its skin is now, m.
    radius : float
        m; known to about half of itself.
    """

    centre: np.ndarray
    radius: float


class PatchFinder:
    """Finds the patch that explains the motion of the markers.

    Parameters
    ----------
    work : ImageGeometry
        The work grid.
    elastomer : Elastomer
    """

    def __init__(self, work, elastomer):
        elastomer = replace(elastomer, thickness=_THICKER * elastomer.thickness)
        self._radii = np.array(_RADII) * elastomer.thickness
        self._half = np.array([axis[-1] for axis in work.axes()])
        self._responses = _Responses(elastomer, self._radii, 2 * np.hypot(*self._half))
        self._pitch = elastomer.marker_pitch
        self._rest = None
        self.set_markers(np.zeros((0, 2)))

    def set_markers(self, rest):
        """Take the markers' positions without load, (M, 2) x, y in m."""
        if self._rest is not None and np.array_equal(rest, self._rest):
            return
        self._rest = np.asarray(rest, np.float64).copy()
        counts = np.maximum(np.round(2 * self._half / (_PLACES * self._pitch)), 3).astype(int)
        self._axes = [np.linspace(-h, h, n) for h, n in zip(self._half, counts, strict=True)]
        x, y = np.meshgrid(*self._axes)
        places = np.stack([x.ravel(), y.ravel()], axis=1)
        shape = len(self._radii), len(places), _LOADS, 2 * len(self._rest)
        self._basis = np.zeros(shape, np.float32)
        if shape[-1] >= _LOADS:
            for size, basis in enumerate(self._basis):
                rows = self._responses(self._rest - places[:, None], size)   # (P, M, 2, loads)
                rows = rows.reshape(len(places), -1, _LOADS)
                rows /= np.linalg.norm(rows, axis=1, keepdims=True)
                basis[:] = np.linalg.qr(rows)[0].swapaxes(1, 2)

    def find(self, displacement):
        """Return the Patch that explains the motion (M, 2) of the markers; None when none does."""
        known = np.isfinite(displacement[:, 0])
        if np.count_nonzero(known) <= _LOADS:
            return None
        motion, explained = self._explained(displacement)
        shape = explained.shape
        best = np.unravel_index(np.argmax(explained), shape)
        basis = self._basis.reshape(*shape, _LOADS, -1)[best]
        fitted = (basis @ motion) @ basis
        shares = np.sort((fitted * motion).reshape(-1, 2).sum(axis=1))
        variance = np.square(motion - fitted).sum() / (2 * np.count_nonzero(known) - _LOADS)
        if shares[:-_FEW].sum() < _SIGNIFICANT * max(variance, _LEAST_SD**2):
            return None
        size, row, column = best
        at = (_refined(self._axes[0], explained[size, row], column),
              _refined(self._axes[1], explained[size, :, column], row))
        radius = _refined(np.arange(shape[0]), explained[:, row, column], size)
        moved = self._motion_of_centre(np.array(at), size, motion.reshape(-1, 2), known)
        return Patch(at + moved, float(np.interp(radius, np.arange(shape[0]), self._radii)))

    def unexplained(self, displacement):
        """Sum of squares, m2, that the best patch leaves of the motion (M, 2) of the markers."""
        motion, explained = self._explained(displacement)
        return float(motion @ motion - explained.max())

    def _explained(self, displacement):
        """Motion (2M,), 0 where lost, and the squares that each patch explains (R, ny, nx)."""
        motion = np.where(np.isfinite(displacement), displacement, 0).ravel()
        parts = self._basis.reshape(-1, len(motion)) @ motion
        shape = len(self._radii), len(self._axes[1]), len(self._axes[0]), _LOADS
        return motion, np.square(parts).reshape(shape).sum(axis=-1)

    def responses_at(self, place, size=0):
        """Motion of the markers per unit load on a patch at x, y, (2M, loads), m/N and so on."""
        return self._responses((self._rest - place)[None], size)[0].reshape(-1, _LOADS)

    def _motion_of_centre(self, at, size, motion, known):
        """Motion (2,) of the skin at a patch's centre `at`, from the loads that fit best."""
        rows = self.responses_at(at, size)[np.repeat(known, 2)]
        scale = np.linalg.norm(rows, axis=0)
        loads = np.linalg.lstsq(rows / scale, motion[known].ravel(), rcond=None)[0] / scale
        return self._responses(np.zeros((1, 1, 2)), size)[0, 0] @ loads


def smallest_load(finder, marker_sd):
    """Bound: the smallest press and drag (N) in the middle that `find` sees every other time.

    The best linear detector of a load whose motion u of the markers is known has the signal to
    noise ratio |u| / sd, whatever it does (matched filter: D. O. North, RCA report PTR-6C, 1943).
    A fixed false alarm rate asks for a fixed ratio, here `_SIGNIFICANT` ** 0.5 for false alarms
    that are rarer than one in 10^9 frames; a press spreads an almost incompressible layer so
    little along the skin that it takes several times the force that a drag does.

    Parameters
    ----------
    finder : PatchFinder
        With its markers set.
    marker_sd : float
        Error of a marker's displacement per axis, m.

    Returns
    -------
    press, drag : float
    """
    rows = finder.responses_at(np.zeros(2))
    press, drag = np.linalg.norm(rows[:, 0]), np.linalg.norm(rows[:, 1])
    need = np.sqrt(_SIGNIFICANT) * marker_sd
    return need / press, need / drag


def _refined(axis, values, index):
    """Place of the maximum of the parabola through three values around `index`."""
    middle = min(max(index, 1), len(axis) - 2)
    before, at, after = values[middle - 1:middle + 2]
    bend = 2 * at - before - after
    shift = (after - before) / (2 * bend) if bend > 0 else index - middle
    return axis[middle] + np.clip(shift, -1, 1) * (axis[1] - axis[0])


class _Responses:
    """Motion of the skin around patches of unit load, as functions of the distance.

    Parameters
    ----------
    elastomer : Elastomer
    radii : (R,)
        Of the patches, m.
    reach : float
        Largest distance, m.
    """

    def __init__(self, elastomer, radii, reach):
        step = max(_STEP * elastomer.thickness, _LEAST_STEP * reach)
        n = fft.next_fast_len(int(np.ceil(2 * (reach + _MARGIN * elastomer.thickness) / step)))
        at = (np.arange(n) - n // 2) * step
        k = 2 * np.pi * fft.fftfreq(n, step)
        compliance = layer_compliance(2 * np.pi * fft.rfftfreq(n, step), k[:, None], elastomer)
        x, y = np.meshgrid(at, at)
        middle, ahead = n // 2, slice(n // 2, n)
        self._distance, self._curves = at[ahead], []
        for radius in radii:
            load = np.sqrt(np.maximum(1 - (x * x + y * y) / radius**2, 0))      # as of a ball
            load /= load.sum() * step**2           # Pa per N
            spectrum = fft.rfft2(fft.ifftshift(load))
            twist = [fft.rfft2(fft.ifftshift(t)) for t in (-y * load, x * load)]

            def moved(field):
                return fft.fftshift(fft.irfft2(field, (n, n)))

            press = moved(compliance[..., 0, 2] * -spectrum)[middle, ahead]
            drag = moved(compliance[..., 0, 0] * spectrum)
            along, across = drag[middle, ahead], drag[ahead, middle]
            turn = moved(compliance[..., 1, 0] * twist[0] + compliance[..., 1, 1] * twist[1])
            self._curves.append((press, (along + across) / 2, (along - across) / 2,
                                 turn[middle, ahead]))

    def __call__(self, offset, size):
        """Motion at places (P, M, 2) from the centre of a patch of one size, (P, M, 2, loads)."""
        distance = np.hypot(offset[..., 0], offset[..., 1])
        ex, ey = np.moveaxis(offset / np.maximum(distance, 1e-12)[..., None], -1, 0)
        even, odd = ex * ex - ey * ey, 2 * ex * ey
        press, same, other, turn = (np.interp(distance, self._distance, curve)
                                    for curve in self._curves[size])
        along_x = press * ex, same + other * even, other * odd, -turn * ey
        along_y = press * ey, other * odd, same - other * even, turn * ex
        return np.stack([np.stack(part, axis=-1) for part in (along_x, along_y)], axis=-2)
