# SPDX-License-Identifier: Apache-2.0
"""Contact from an image: what changed against the reference, where it is touched, how deep."""

import cv2
import numpy as np

from tactile_nodes.core.depth import integrate_gradient
from tactile_nodes.core.geometry import check_image
from tactile_nodes.core.types import Contact
from tactile_nodes.errors import DataError

# False alarms of one cell at rest, from the noise of the reference: the squared change is
# chi-squared with 2 degrees of freedom there. The first is far below what noise alone would need,
# because rounding in the camera adds a pattern of its own once the light has drifted.
SEED_PROBABILITY = 1e-12       # a cell that starts a contact
CHANGED_PROBABILITY = 1e-4     # a cell that belongs to it

_SMOOTHING = 1.5               # cells
_KERNEL = cv2.getGaussianKernel(9, _SMOOTHING).astype(np.float32)
_GREY_RANGE = (6, 250)         # grey levels that can be measured with
_BLOCK = 8                     # cells per side of the blocks in which light drift is looked for
_LEAST_SCATTER = 1e-3          # of blocks at rest, as a fraction of their light
_COLOUR_PART = np.kron(np.eye(3) - 1 / 3, np.ones((3, 3)))
_LEAST_MIXING = 1e-4
_MAX_STEPS, _SMALL_STEP = 5, 2e-3
_TOGETHER = 50                 # blocks around a contact err together: their errors do not average
_AWAY = 4                      # blocks from what changed from where on the light counts fully
_GAIN_RANGE = (0.2, 5)         # drift of the light that can be made good
_MIN_CELLS = 12                # smaller specks are not contact; 0.17 mm2 at 0.12 mm per cell
_LEAST = 0.1 ** 2               # of the largest squared change: less is bulging, or model error
_RIM = 0.4 ** 2                # of the largest squared change: rim of a contact
_SMOOTHED = np.ones((5, 5), np.uint8)     # cells; how far smoothing widens a rim
_GAP = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (9, 9))
_FAR = 0.6                     # of the largest distance from what changed
_MIN_OUTLINE = 8               # cells around the smallest region
_LEAST_WEIGHT = 1e-4           # of the best cell: below, nothing is known
_DEEP = 0.3                    # of the deepest point: inside of a contact

_USUAL_GAMMA = 2.2             # of cameras, IEC 61966-2-1; without a shading model

# without a shading model: brightness, and two differences of colour
_COLOUR = np.array([[1, 1, 1], [1.5, -1.5, 0], [0.5, 0.5, -1]], np.float32) / 3


class ContactStage:
    """Find where the skin is touched and how deep.

    All in cells of the work grid. Change is measured in a way that the reflectance of the skin
    cancels out of, so a marker that moves is no contact by itself: as slope with a shading model,
    as change of colour without one. Drift of the LEDs is made good first, see `_drift`.

    Parameters
    ----------
    geometry : ImageGeometry
    elastomer : Elastomer
        A clear one has no shading: the result is then always empty, without depth.
    shading : ShadingModel, optional
        Without it depth is NaN.
    """

    def __init__(self, geometry, elastomer, shading=None):
        self._geometry, self._work = geometry, geometry.work
        self._has_shading = elastomer.kind.has_shading
        self._shading = shading if self._has_shading else None
        self._x, self._y = self._work.axes()
        self._block_shape = tuple(n // _BLOCK for n in self._work.shape)
        self._reference = None
        if self._shading is None:
            self._solve = np.broadcast_to(_COLOUR[:, :, None, None], (3, 3, *self._work.shape))
            self._gamma = _USUAL_GAMMA
        else:
            self._solve = shading.slope_matrix(self._work)
            self._gamma = shading.gamma

    def set_reference(self, reference):
        """Take the no-contact Reference that images are compared with from now on."""
        if reference.mean_q8.shape[:2] != self._geometry.shape:
            raise DataError('wrong reference', where='contact',
                            found=reference.mean_q8.shape[:2], expected=self._geometry.shape)
        grey = np.maximum(self._reduce(reference.mean_q8), 1)
        self._reference_blocks = self._blocks(grey)
        self._reference = self._light(grey)
        # variance of a cell's relative light, then of the slope, then of the smoothed slope
        cell = self._reduce(np.square(reference.noise)) / self._geometry.work_factor ** 2
        cell = cell * np.square(256 * self._gamma / grey) * (1 + 1 / reference.frames)
        cell = cell.transpose(2, 0, 1).astype(np.float32)
        usable = _measurable(grey)
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
        drift, gain = _drift(self._reference_blocks, self._blocks(grey),
                             self._block_shape)
        if not self._has_shading or gain.min() < _GAIN_RANGE[0] or gain.max() > _GAIN_RANGE[1]:
            return self._result(np.zeros(self._work.shape, bool), None, gain)
        slope = self._slope(self._light(grey), drift, _measurable(grey))
        squared = self._squared_change(slope)
        changed = _changed(squared)
        if self._shading is None:
            return self._result(_touched(changed, squared), None, gain)
        depth = integrate_gradient(*slope, self._work.metres_per_px)
        depth -= _rest_level(depth, changed)
        return self._result(_touched(changed, squared, depth), depth, gain)

    def _light(self, grey):
        """Linear light (3, h, w) of a reduced image."""
        light = np.multiply(grey.transpose(2, 0, 1), np.float32(1 / 65536), order='C')
        if self._gamma == 1:
            return light
        return cv2.pow(light.reshape(3, -1), self._gamma).reshape(light.shape)

    def _blocks(self, grey):
        """Linear light (3, N) of blocks of a reduced image."""
        blocks = cv2.resize(grey, self._block_shape[::-1], interpolation=cv2.INTER_AREA)
        return np.power(np.ascontiguousarray(blocks.reshape(-1, 3).T) / 65536, self._gamma)

    def _slope(self, light, drift, usable):
        """Smoothed slope (2, h, w), or difference of colour without a shading model."""
        unsloped = (np.eye(3) + drift).astype(np.float32) @ self._reference.reshape(3, -1)
        unsloped = unsloped.reshape(light.shape)
        light -= unsloped
        light /= unsloped
        solved = self._solve[:, 0] * light[0]
        solved += self._solve[:, 1] * light[1]
        solved += self._solve[:, 2] * light[2]
        brightness = solved[0]
        brightness += 1
        # each cell counts with the inverse of its slope's variance, which goes with brightness^-2
        weight = self._weight * brightness
        weight *= usable
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
        rows, columns = np.nonzero(mask)
        area = len(rows) * self._work.pixel_area
        centroid, centroid_depth = np.full(2, np.nan), np.nan
        if depth is None:
            depth = np.full(self._work.shape, np.nan, np.float32)
            weight = np.ones(len(rows))
        else:
            weight = np.maximum(depth[mask].astype(np.float64), 1e-9)
        if area:
            centroid = np.array([weight @ self._x[columns], weight @ self._y[rows]])
            centroid /= weight.sum()
            row, column = np.round(self._work.to_pixel(centroid)[0]).astype(int)
            centroid_depth = float(depth[row, column])
        return Contact(mask, depth, area, centroid, centroid_depth, gain)

    def _reduce(self, image):
        return cv2.resize(image, self._work.shape[::-1], interpolation=cv2.INTER_AREA)


def _measurable(grey):
    """Where no channel of a reduced image is dark or saturated, (h, w) bool."""
    low, high = (np.full(3, level * 256.0) for level in _GREY_RANGE)
    return cv2.inRange(grey, low, high).astype(bool)


def _smooth(field, kernel=_KERNEL):
    return cv2.sepFilter2D(field, cv2.CV_32F, kernel, kernel, borderType=cv2.BORDER_CONSTANT)


def _drift(reference, blocks, shape):
    """Change of the light of each channel, as a mixture of the reference's channels.

    LEDs that drift by diag(1 + d), seen through cross-talk M, turn the colour c of a skin at rest
    into M diag(1 + d) M^-1 c wherever it is: one 3 x 3 matrix for the whole image. It is fitted to
    the colours of blocks of the image; a block's brightness may differ, because markers move. The
    fit starts from the middle of the shortest half of each channel's ratios, which stands half of
    the image being touched (P. J. Rousseeuw, J. Am. Stat. Assoc. 79 (1984) 871), and goes on with
    the blocks that agree and are far from those that do not, because skin bulges around a contact.

    Parameters
    ----------
    reference, blocks : (3, N) float64
        Light of the blocks at rest and now.
    shape : (int, int)
        Rows and columns of blocks.

    Returns
    -------
    drift : (3, 3) float64
        At rest, blocks = (1 + drift) reference.
    gain : (3,) float64
        Mean ratio of the blocks that agree, per channel.
    """
    ratio = blocks / reference
    brightness = ratio.mean(axis=0)
    if not brightness.all():
        return -np.eye(3), np.zeros(3)
    colour, scatter = _shortest_half(ratio / brightness)
    drift = np.diag(colour * np.sort(brightness)[len(brightness) // 2] - 1)
    # cross-talk of a tenth at most turns differences of drift into drift that mixes channels
    mixing_sd = 0.1 * np.ptp(colour) + _LEAST_MIXING
    prior = np.diag(np.where(np.eye(3), 1, 1 / mixing_sd ** 2).ravel())
    away = None
    for _ in range(_MAX_STEPS):
        expected = reference + drift @ reference
        residual = blocks / expected
        residual /= residual.mean(axis=0)
        residual -= 1
        agree = 1 - np.square(residual / (4 * scatter)).sum(axis=0)
        np.maximum(agree, 0, out=agree)
        if away is None:
            near = cv2.distanceTransform((agree > 0).reshape(shape).view(np.uint8), cv2.DIST_L2, 3)
            away = np.square(np.minimum(near.ravel() / _AWAY, 1))
        weight = agree * away
        # least squares of the colours: brightness taken out, elements of drift as unknowns
        share = reference / expected[:, None] * weight
        flat = share.reshape(9, -1)
        moment = share @ (residual * weight)[:, :, None]
        variance = _TOGETHER * np.square(scatter.mean())
        step = np.linalg.solve(flat @ flat.T * _COLOUR_PART + variance * prior, moment.ravel())
        drift += step.reshape(3, 3)
        if np.abs(step).max() < _SMALL_STEP:
            break
        typical = np.sort(np.abs(residual), axis=1)[:, residual.shape[1] // 2, None] * 1.48
        scatter = np.clip(typical, _LEAST_SCATTER, scatter)
    # colours do not tell the brightness common to all channels
    expected = reference + drift @ reference
    weight /= max(weight.sum(), 1e-12)
    common = (blocks / expected).mean(axis=0) @ weight
    return (np.eye(3) + drift) * common - np.eye(3), ratio @ weight


def _shortest_half(values):
    """Middle (3,) of the shortest half of each row of (3, N), and the scatter (3, 1) it means."""
    ordered = np.sort(values, axis=1)
    half = values.shape[1] // 2
    length = ordered[:, half:] - ordered[:, :-half]
    start, row = np.argmin(length, axis=1), np.arange(3)
    middle = (ordered[row, start] + ordered[row, start + half]) / 2
    return middle, np.maximum(length[row, start, None] * 0.74, _LEAST_SCATTER)


def _changed(squared):
    """Regions that changed: above the lower threshold, and somewhere above the upper one."""
    low, high = (-2 * np.log(p) for p in (CHANGED_PROBABILITY, SEED_PROBABILITY))
    largest = squared.max()
    if largest <= high:
        return []
    return [(box, region) for box, region in _regions(squared > max(low, _LEAST * largest))
            if squared[box].max(where=region, initial=0) > high]


def _touched(changed, squared, depth=None):
    """Mask of where each changed region is touched.

    The skin is steepest at the rim of a contact. Inside, it bends the way that only something
    pressing bends it, which fills a rim that is cut by the border of the image. What smoothing
    has added outside is taken off again.
    """
    mask, inside = np.zeros((2, *squared.shape), bool)
    for box, region in changed:
        inside[box] |= region & (squared[box] > _RIM * squared[box].max(where=region, initial=0))
    if depth is None:          # colour is blind to some slopes, which breaks a rim
        inside = cv2.morphologyEx(inside.view(np.uint8), cv2.MORPH_CLOSE, _GAP).view(bool)
    elif changed:
        bend = cv2.Laplacian(depth, cv2.CV_32F, borderType=cv2.BORDER_REPLICATE)
        inside |= (bend < 0) & (depth > _DEEP * depth.max())
    for box, filled in _regions(inside):
        mask[box] |= filled
    return cv2.erode(mask.view(np.uint8), _SMOOTHED).view(bool)


def _regions(mask):
    """Regions of a mask that have enough cells, with their holes filled.

    Yields
    ------
    box : (slice, slice)
    region : bool array of the box's shape
    """
    contours, _ = cv2.findContours(mask.view(np.uint8), cv2.RETR_EXTERNAL,
                                   cv2.CHAIN_APPROX_NONE)
    for contour in contours:
        if len(contour) < _MIN_OUTLINE:
            continue
        left, top, width, height = cv2.boundingRect(contour)
        region = np.zeros((height, width), np.uint8)
        cv2.drawContours(region, [contour], 0, 1, cv2.FILLED, offset=(-left, -top))
        if cv2.countNonZero(region) >= _MIN_CELLS:
            yield np.s_[top:top + height, left:left + width], region.view(bool)


def _rest_level(depth, changed):
    """Mean depth far from what changed: skin that is pressed in bulges out around."""
    rest = np.ones(depth.shape, np.uint8)
    for box, region in changed:
        rest[box][region] = 0
    if changed:
        distance = cv2.distanceTransform(rest, cv2.DIST_L2, 3)
        rest = (distance >= _FAR * distance.max()).view(np.uint8)
    return np.float32(cv2.mean(depth, rest)[0])
