# SPDX-License-Identifier: Apache-2.0
"""Contact from an image: what changed against the reference, where it is touched, how deep."""

import cv2
import numpy as np

from tactile_nodes.core.depth import integrate_gradient
from tactile_nodes.core.geometry import check_image
from tactile_nodes.core.types import Contact
from tactile_nodes.errors import DataError

# False alarms of one cell at rest, from the noise of the reference; the squared change is
# chi-squared with 2 degrees of freedom there.
SEED_PROBABILITY = 1e-8        # a cell that starts a contact
CHANGED_PROBABILITY = 1e-4     # a cell that belongs to it

_SMOOTHING = 1.5               # cells
_KERNEL = cv2.getGaussianKernel(9, _SMOOTHING).astype(np.float32)
_GREY_RANGE = (6, 250)         # grey levels of the reference that can be measured with
_BLOCK = 8                     # cells per side of the blocks in which light drift is looked for
_GAIN_RANGE = (0.2, 5)         # drift of the light that can be made good
_MIN_CELLS = 12                # smaller specks are not contact; 0.17 mm2 at 0.12 mm per cell
_LEAST_WEIGHT = 1e-4           # of the best cell: below, nothing is known
_MIN_DEPTH = 0.15              # contact is deeper than this fraction of the deepest point

# without a shading model: brightness, and two differences of colour
_COLOUR = np.array([[1, 1, 1], [1.5, -1.5, 0], [0.5, 0.5, -1]], np.float32) / 3


class ContactStage:
    """Find where the skin is touched and how deep.

    All in cells of the work grid. Change is measured in a way that the reflectance of the skin
    cancels out of, so a marker that moves is no contact by itself: as slope with a shading model,
    as change of colour without one. The light's drift is made good per channel, from the larger
    part of the image that looks unchanged.

    Parameters
    ----------
    geometry : ImageGeometry
    elastomer : Elastomer
        A clear one has no shading: the result is then always empty, without depth.
    shading : ShadingModel, optional
        With it the contact is where the skin is dented (convex towards the camera), inside of what
        changed. Without it the mask is all that changed, a little wider than the contact, and
        depth is NaN.
    """

    def __init__(self, geometry, elastomer, shading=None):
        self._geometry, self._work = geometry, geometry.work
        self._has_shading = elastomer.kind.has_shading
        self._shading = shading if self._has_shading else None
        self._x, self._y = self._work.axes()
        self._reference = None
        if self._shading is None:
            self._solve = np.broadcast_to(_COLOUR[:, :, None, None], (3, 3, *self._work.shape))
            self._gamma = 1.0
        else:
            self._solve = shading.slope_matrix(self._work)
            self._gamma = shading.gamma

    def set_reference(self, reference):
        """Take the no-contact Reference that images are compared with from now on."""
        if reference.mean_q8.shape[:2] != self._geometry.shape:
            raise DataError('wrong reference', where='contact',
                            found=reference.mean_q8.shape[:2], expected=self._geometry.shape)
        mean = self._reduce(reference.mean_q8)
        self._reference_blocks = np.maximum(self._to_blocks(mean), 1)
        mean = np.ascontiguousarray(mean.transpose(2, 0, 1), dtype=np.float32)
        usable = ((mean > _GREY_RANGE[0] * 256) & (mean < _GREY_RANGE[1] * 256)).all(axis=0)
        self._reference = np.maximum(mean, 1)
        # variance of a cell's relative light, then of the slope, then of the smoothed slope
        cell = self._reduce(np.square(reference.noise)).transpose(2, 0, 1) \
            / self._geometry.work_factor ** 2 * (1 + 1 / reference.frames)
        cell = cell * np.square(256 * self._gamma / self._reference)
        rows = self._solve[1:]
        covariance = [(rows[i] * rows[j] * cell).sum(axis=0) for i, j in ((0, 0), (0, 1), (1, 1))]
        weight = usable / (covariance[0] + covariance[2])
        self._weight = (weight / max(weight.max(), 1e-30)).astype(np.float32)
        total = np.maximum(_smooth(self._weight), _LEAST_WEIGHT)
        xx, xy, yy = (_smooth(np.square(self._weight) * c, np.square(_KERNEL)) / np.square(total)
                      for c in covariance)
        determinant = np.maximum(xx * yy - xy * xy, 1e-30)
        self._metric = np.stack([yy, -2 * xy, xx]) / determinant
        self._metric[:, total <= _LEAST_WEIGHT] = 0

    def process(self, image):
        """Compare an image (H, W, 3) uint8 with the reference.

        Returns
        -------
        Contact
            The centroid is weighted with depth, without a shading model with area.

        Raises
        ------
        DataError
            For an image of another size or type, or before there is a reference.
        """
        check_image(image, self._geometry)
        if self._reference is None:
            raise DataError('no reference yet', where='contact', fix='Call set_reference first.')
        grey = self._reduce(image.astype(np.uint16) << 8)
        gain = _light_gain(self._to_blocks(grey) / self._reference_blocks)
        if not self._has_shading or gain.min() < _GAIN_RANGE[0] or gain.max() > _GAIN_RANGE[1]:
            return self._result(np.zeros(self._work.shape, bool), None, gain)
        slope = self._slope(grey, gain)
        changed = _changed(self._squared_change(slope))
        if self._shading is None:
            return self._result(changed, None, gain)
        depth = integrate_gradient(*slope, self._work.metres_per_px)
        depth -= _rest_level(depth, changed)
        return self._result(_dented(changed, depth), depth, gain)

    def _slope(self, grey, gain):
        """Smoothed slope (2, h, w), or difference of colour without a shading model."""
        light = np.divide(grey.transpose(2, 0, 1), self._reference, order='C')
        light /= gain[:, None, None].astype(np.float32)
        if self._gamma != 1:
            light = cv2.pow(light.reshape(3, -1), self._gamma).reshape(light.shape)
        light -= 1
        solved = self._solve[:, 0] * light[0]
        solved += self._solve[:, 1] * light[1]
        solved += self._solve[:, 2] * light[2]
        brightness = solved[0]
        brightness += 1
        # each cell counts with the inverse of its slope's variance, which goes with brightness^-2
        weight = self._weight * brightness
        total = _smooth(weight * brightness)
        np.maximum(total, _LEAST_WEIGHT, out=total)
        return np.stack([_smooth(weight * part) / total for part in solved[1:]])

    def _squared_change(self, slope):
        """Squared slope in units of its variance at rest, (h, w)."""
        squared = self._metric[0] * slope[0]
        squared += self._metric[1] * slope[1]
        squared *= slope[0]
        squared += self._metric[2] * slope[1] * slope[1]
        return squared

    def _result(self, mask, depth, gain):
        where = np.nonzero(mask)
        area = len(where[0]) * self._work.pixel_area
        centroid, centroid_depth = np.full(2, np.nan), np.nan
        if depth is None:
            depth = np.full(self._work.shape, np.nan, np.float32)
            weight = np.ones(len(where[0]))
        else:
            weight = np.maximum(depth[where].astype(np.float64), 1e-9)
        if area:
            centroid = np.array([np.average(self._x[where[1]], weights=weight),
                                 np.average(self._y[where[0]], weights=weight)])
            row, column = np.round(self._work.to_pixel(centroid)[0]).astype(int)
            centroid_depth = float(depth[row, column])
        return Contact(mask, depth, area, centroid, centroid_depth, gain)

    def _reduce(self, image):
        return cv2.resize(image, self._work.shape[::-1], interpolation=cv2.INTER_AREA)

    def _to_blocks(self, grey):
        size = (max(1, grey.shape[1] // _BLOCK), max(1, grey.shape[0] // _BLOCK))
        return cv2.resize(grey, size, interpolation=cv2.INTER_AREA).reshape(-1, 3) \
            .astype(np.float64)


def _smooth(field, kernel=_KERNEL):
    return cv2.sepFilter2D(field, cv2.CV_32F, kernel, kernel, borderType=cv2.BORDER_REFLECT)


def _light_gain(ratio):
    """Drift of the light per channel, (3,), from the ratios (N, 3) of blocks of the image.

    Starts from the middle of the shortest half of the values, which stands half of them being
    wrong (P. J. Rousseeuw, J. Am. Stat. Assoc. 79 (1984) 871), then averages the blocks near it.
    """
    ordered = np.sort(ratio, axis=0)
    half = len(ratio) // 2 + 1
    length = ordered[half - 1:] - ordered[:len(ratio) - half + 1]
    start = np.argmin(length, axis=0)
    channel = np.arange(3)
    middle = (ordered[start, channel] + ordered[start + half - 1, channel]) / 2
    scale = np.maximum(length[start, channel] / 2 / 0.6745, 1e-3)
    for _ in range(3):
        distance = np.square((ratio - middle) / (4 * scale)).sum(axis=1)
        weight = np.square(np.maximum(1 - distance, 0))
        if not weight.any():
            break
        middle = weight @ ratio / weight.sum()
    return middle


def _changed(squared):
    """Cells that changed: regions above the lower threshold that reach the upper one, filled."""
    low, high = (-2 * np.log(p) for p in (CHANGED_PROBABILITY, SEED_PROBABILITY))
    seeds = squared > high
    if not seeds.any():
        return seeds
    return _regions((squared > low).astype(np.uint8), seeds)


def _regions(binary, seeds):
    """Regions of a uint8 mask that hold a seed and enough cells, with their holes filled."""
    result = np.zeros_like(binary)
    contours, _ = cv2.findContours(binary, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    for contour in contours:
        if len(contour) < 6:
            continue
        left, top, width, height = cv2.boundingRect(contour)
        box = np.s_[top:top + height, left:left + width]
        region = np.zeros((height, width), np.uint8)
        cv2.drawContours(region, [contour], 0, 1, cv2.FILLED, offset=(-left, -top))
        if cv2.countNonZero(region) >= _MIN_CELLS and (region.view(bool) & seeds[box]).any():
            result[box] |= region
    return result.view(bool)


def _rest_level(depth, changed):
    """Mean depth where nothing changed; of the border if everything did."""
    rest = ~cv2.dilate(changed.view(np.uint8), np.ones((7, 7), np.uint8)).view(bool)
    if not rest.any():
        rest[[0, -1]] = rest[:, [0, -1]] = True
    return depth[rest].mean()


def _dented(changed, depth):
    """Part of what changed that is touched: bent around an object, and deep.

    A skin that is pressed in bends one way where it lies on an object, and the other way where it
    runs free beside it.
    """
    if not changed.any():
        return changed
    bend = _smooth(cv2.Laplacian(depth, cv2.CV_32F, borderType=cv2.BORDER_REPLICATE))
    deep = changed & (depth > _MIN_DEPTH * depth[changed].max())
    return _regions((deep & (bend < 0)).astype(np.uint8), deep)
