# SPDX-License-Identifier: Apache-2.0
"""Sub-pixel motion of a marker by least-squares matching against its own picture at rest."""

import cv2
import numpy as np
from scipy import ndimage

_PHASES = np.array([(i, j) for i in (-1, 0, 1) for j in (-1, 0, 1)])     # thirds of a pixel
_STEPS = 6                  # Gauss-Newton steps at most
_NEAR = 0.25                # px; a step below it needs no other (half a third, and some noise)
_MIN_SIMILARITY = 0.8       # weighted correlation with the picture at rest
_SILHOUETTE = 0.6           # of the contrast at rest: what is brighter shows nothing of the dot
_GAIN_RANGE = (0.4, 2.5)    # contrast against the contrast at rest


class MarkerTemplates:
    """The rest pictures of N markers, ready to be matched.

    Least-squares matching (B. D. Lucas & T. Kanade, IJCAI 1981; with a gain and a plane beside
    the shift: A. W. Gruen, S. Afr. J. Photogramm. 14, 1985). The current patch is taken at whole
    pixels and the rest picture, which has little noise, is interpolated, so noise does not bias
    the result. Rest pictures are kept shifted by thirds of a pixel in both directions; what a fit
    has left to find is then so little that the linearisation is exact enough, and an image that
    equals the rest image gives exactly zero.

    Parameters
    ----------
    brightness : (H, W) float32
        Logarithm of the unloaded skin's brightness.
    centres : (N, 2) float64
        Row, column of the markers at rest.
    diameter, pitch : float
        Of the markers, px.
    silhouettes : bool
        Whether something moves behind the markers: what is much brighter than a dot then counts
        as just brighter.

    Attributes
    ----------
    contrast : float
        How much darker the dots are than what is around them, in the logarithm.
    """

    def __init__(self, brightness, centres, diameter, pitch, *, silhouettes=False):
        self._shape = np.array(brightness.shape)
        self._margin = int(np.ceil(diameter / 2))         # a cut dot would be misplaced
        self._reach = r = int(np.ceil(min(0.85 * diameter + 0.5, 0.5 * pitch)))
        # a large dot has more pixels than it takes; about 8 to 16 across are used
        line = np.arange(0, r + 1, max(1, int(diameter) // 8))
        line = np.concatenate([-line[:0:-1], line])
        offset = np.stack(np.meshgrid(line, line, indexing='ij'), -1).reshape(-1, 2)
        distance = np.hypot(*offset.T)
        offset = offset[distance < r + 0.5]
        root_weight = np.sqrt(np.clip((r + 0.5 - distance[distance < r + 0.5]) / 2, 0, 1))
        self._root_weight = root_weight.astype(np.float32)
        self._stride = brightness.shape[1] + 2 * r
        self._flat_offset = offset[:, 0] * self._stride + offset[:, 1]
        self._corner = np.rint(centres).astype(np.int64)
        plane = np.concatenate([np.ones((len(offset), 1)), offset], axis=1) * root_weight[:, None]
        self._plane = np.linalg.qr(plane)[0]
        self._build(brightness, offset, distance[distance < r + 0.5] < diameter / 4, silhouettes)
        self._plane = self._plane.astype(np.float32)

    def _build(self, brightness, offset, core, silhouettes):
        """Per marker and phase: rest picture, rows that give the shift, unit rest picture."""
        spline = ndimage.spline_filter(brightness.astype(np.float64), order=3, mode='nearest')
        at = self._corner[:, None] + offset
        count, pixels = at.shape[:2]
        self._bank = np.empty((count, len(_PHASES), 4, pixels), np.float32)
        self._norm = np.empty((count, len(_PHASES)))

        def rest(shift):
            return ndimage.map_coordinates(spline, np.moveaxis(at - shift, -1, 0), order=3,
                                           mode='nearest', prefilter=False)

        exact = brightness[tuple(np.moveaxis(np.clip(at, 0, self._shape - 1), -1, 0))]
        self._cap = np.full((count, 1), np.inf, np.float32)
        dark, bright = np.median(exact[:, core], axis=1), np.median(exact[:, ~core], axis=1)
        self.contrast = float(np.median(bright - dark))
        if silhouettes:
            self._cap[:, 0] = dark + _SILHOUETTE * (bright - dark)
        weight = self._root_weight.astype(np.float64)
        for k, phase in enumerate(_PHASES):
            shift = phase / 3
            picture = np.minimum(rest(shift) if phase.any() else exact, self._cap)
            slopes = [(np.minimum(rest(shift + step), self._cap)
                       - np.minimum(rest(shift - step), self._cap)) * 3
                      for step in ((1 / 6, 0), (0, 1 / 6))]
            basis = self._off_plane(np.stack([*slopes, picture], axis=1) * weight)
            self._norm[:, k] = np.linalg.norm(basis[:, 2], axis=1)
            self._bank[:, k, 0] = picture
            self._bank[:, k, 1:3] = np.linalg.pinv(np.swapaxes(basis, 1, 2))[:, :2]
            self._bank[:, k, 3] = basis[:, 2] / self._norm[:, k, None]

    def _off_plane(self, patches):
        return patches - (patches @ self._plane) @ self._plane.T

    def pad(self, brightness):
        """Flat brightness with a border, as `fit` reads it."""
        return cv2.copyMakeBorder(brightness, *[self._reach] * 4, cv2.BORDER_REPLICATE).ravel()

    def fit(self, padded, guess, index=None):
        """Measure displacements from rest.

        Parameters
        ----------
        padded : float32
            Result of `pad` for the current image.
        guess : (M, 2) float64
            Where to start, px (row, column); right within about a marker radius.
        index : (M,) int, optional
            Which markers; all by default.

        Returns
        -------
        displacement : (M, 2) float64, px
        good : (M,) bool
            Whether the fit settled, inside the image, on something that looks like the marker.
        """
        index = np.arange(len(self._corner)) if index is None else index
        thirds = np.rint(3 * guess).astype(np.int64)
        shift, good = self._step(padded, index, thirds)
        for _ in range(_STEPS - 1):
            far = np.flatnonzero((np.abs(shift) > _NEAR).any(axis=1))
            if not len(far):
                break
            thirds[far] = np.rint(3 * (thirds[far] / 3 + shift[far]))
            shift[far], good[far] = self._step(padded, index[far], thirds[far])
        return thirds / 3 + shift, good & (np.abs(shift) < 0.5).all(axis=1)

    def _step(self, padded, index, thirds):
        """One Gauss-Newton step from displacements in thirds of a pixel."""
        whole = (thirds + 1) // 3
        phase = thirds - 3 * whole + 1
        phase = 3 * phase[:, 0] + phase[:, 1]
        corner = self._corner[index] + whole
        inside = ((corner >= self._margin) & (corner < self._shape - self._margin)).all(axis=1)
        corner = np.clip(corner, 0, self._shape - 1) + self._reach
        at = corner[:, 0] * self._stride + corner[:, 1]
        patch = padded.take(at[:, None] + self._flat_offset)
        np.minimum(patch, self._cap[index], out=patch)
        bank = self._bank[index, phase]
        residual = (patch - bank[:, 0]) * self._root_weight
        row, column, likeness = np.matmul(bank[:, 1:], residual[:, :, None])[..., 0].T
        norm = self._norm[index, phase]
        plane = residual @ self._plane
        power = np.einsum('nk,nk->n', residual, residual) - np.einsum('nk,nk->n', plane, plane)
        power += (2 * likeness + norm) * norm
        gain = 1 + likeness / norm
        good = inside & (gain > _GAIN_RANGE[0]) & (gain < _GAIN_RANGE[1]) \
            & (gain * norm > _MIN_SIMILARITY * np.sqrt(np.maximum(power, 0)))
        shift = np.stack([row, column], axis=1) / np.clip(gain, *_GAIN_RANGE)[:, None]
        return np.clip(shift, -self._reach / 2, self._reach / 2), good
