# SPDX-License-Identifier: Apache-2.0
"""Contact from an image: what changed against the reference, where it is touched, how deep.

A clear skin shows no imprint; there contact comes from the markers (`motion_contact`).
"""

import math
from dataclasses import replace

import cv2
import numpy as np

from tactile_nodes.core.depth import PRINT, SteepSlopes, integrate_gradient
from tactile_nodes.core.floor import FloorFinder
from tactile_nodes.core.geometry import check_image
from tactile_nodes.core.light_drift import fit_drift
from tactile_nodes.core.motion_contact import PatchFinder
from tactile_nodes.core.types import Contact
from tactile_nodes.errors import DataError

# False alarms of one cell at rest, from the noise of the reference: the squared change is
# chi-squared with 2 degrees of freedom there. The first two are far below what noise alone would
# need, because rounding in the camera and in compressed pictures has a longer tail.
SEED_PROBABILITY = 1e-16       # a cell that starts a contact
WIDE_SEED_PROBABILITY = 1e-12  # a cell that starts one at the second look
BESIDE_PROBABILITY = 1e-8      # a cell that starts another part of one
CHANGED_PROBABILITY = 1e-4     # a cell that belongs to it
_SEED, _WIDE_SEED, _BESIDE, _CHANGED = (-2 * math.log(p) for p in (
    SEED_PROBABILITY, WIDE_SEED_PROBABILITY, BESIDE_PROBABILITY, CHANGED_PROBABILITY))

_MEDIAN = 2 * math.log(2)      # of chi-squared with 2 degrees of freedom
_SOME = 3                      # cells from sample to sample, when the median is looked for
_MOST_UNEVEN = 10.0            # times the variance at rest that rounding may explain

_SMOOTHING = 1.5               # cells
_KERNEL = cv2.getGaussianKernel(9, _SMOOTHING).astype(np.float32)
_FILL = np.float32(0.2)        # of smoothed slope in that for depth, for cells hardly seen
_WIDE = 4.0                    # cells; a second look for faint touches of large things
_STRIDE = 2                    # cells from sample to sample of that look
_WIDEN = cv2.getGaussianKernel(13, math.sqrt(_WIDE**2 - _SMOOTHING**2) / _STRIDE
                               ).astype(np.float32)
_WIDE_KERNEL = cv2.getGaussianKernel(33, _WIDE).astype(np.float32)
_GREY_RANGE = (6, 250)         # grey levels that can be measured with
_BLOCK = 8                     # cells per side of the blocks in which light drift is looked for
_BRIGHTEST = 65535
_GAIN_RANGE = (0.2, 5)         # drift of the light that can be made good
_MIN_CELLS = 12                # smaller specks are not contact; 0.17 mm2 at 0.12 mm per cell
_LEAST = 0.1 ** 2               # of the largest squared change: less is bulging, or model error
_FAINT = 0.35 ** 2              # a region that changes less at most is made by moved markers
_RIM = 0.4 ** 2                # of the largest squared change: rim of a contact
_SMOOTHED = np.ones((5, 5), np.uint8)     # cells; how far smoothing widens a rim
_THIN = np.ones((3, 3), np.uint8)
_GAP = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (9, 9))
_TOGETHER = np.ones((15, 15), np.uint8)    # cells; parts of one thing are that close
_FAR = 0.6                     # of the largest distance from what changed
_MIN_OUTLINE = 8               # cells around the smallest region
_COARSE = 4                    # cells from sample to sample
_SHALLOW = np.float32(1e-9)    # m; a contact weighs something even where it is not deep
_AHEAD = 0.36                  # of the skin's motion, see `ContactStage`
_LEAST_WEIGHT = 1e-4           # of the best cell: below, nothing is known
_DEEP = 0.3                    # of the deepest point: inside of a contact

_GENTLE_BELOW, _STEEP_ABOVE = 0.3, 0.6     # slopes up to and from where one model counts alone
_DARK = 0.05                   # of the light of flat skin
_BARE = 0.85                   # of the light around: skin without print
_GENTLE, _STEEP = 0.25, 0.8    # slopes that are trusted fully, and half
_FEW = 40                      # steep cells that do not show in depth, 0.6 mm2
_PLAIN = 0.45                  # slope from which on all are seen as change alike
_SIDES = 0.5                   # slope of the sides of an imprint

_USUAL_GAMMA = 2.2             # of cameras, IEC 61966-2-1; without a shading model

# without a shading model: brightness, and two differences of colour
_COLOUR = np.array([[1, 1, 1], [1.5, -1.5, 0], [0.5, 0.5, -1]], np.float32) / 3


class ContactStage:
    """Find where the skin is touched and how deep.

    All in cells of the work grid. Change is measured in a way that the reflectance of the skin
    cancels out of, so a marker that moves is no contact by itself: as slope with a shading model,
    as change of colour without one. Drift of the LEDs is made good first, see `light_drift`.
    Of a clear elastomer, mask and centroid are those of the patch that explains the motion of the
    markers, see `motion_contact`.

    The centroid is meant to be that of the pressure. A ball's pressure goes about with depth, that
    of a flat thing is even, so cells are weighted with the root of depth; those between parts of
    an imprint, too, because the mask of ridges is ragged. Dragging a bonded layer
    tilts its surface, so that a thing that does not tilt presses more in front: the pressure is
    ahead of the imprint by a share of the skin's motion, which hardly depends on the contact's
    size (0.33 to 0.40 for layers of 2.2 to 4 mm, Poisson's ratio 0.47 to 0.49, in simulations of
    balls, bars and boxes; common practice knows no source).

    Parameters
    ----------
    geometry : ImageGeometry
    elastomer : Elastomer
    shading : ShadingModel, optional
        Without it depth is NaN.
    """

    def __init__(self, geometry, elastomer, shading=None):
        self._geometry, self._work = geometry, geometry.work
        self._has_shading = elastomer.kind.has_shading
        self._shading = shading if self._has_shading else None
        self._patches = None if self._has_shading else PatchFinder(self._work, elastomer)
        x, y = self._work.axes()
        self._first_cell = x[0], y[0]
        self._moments = (np.stack([np.ones_like(y), y]).astype(np.float32),
                         np.stack([np.ones_like(x), x], axis=1).astype(np.float32))
        self._block_shape = tuple(n // _BLOCK for n in self._work.shape)
        self._reference = None
        self._steep_slopes = None
        self._floors = None
        if self._shading is None:
            solve = np.broadcast_to(_COLOUR[:, :, None, None], (3, 3, *self._work.shape))
            self._gamma = _USUAL_GAMMA
        else:
            solve = shading.slope_matrix(self._work)
            self._gamma = shading.gamma
            if shading.steep is not None:
                self._floors = FloorFinder(shading, self._work)
        # equal ratios of all channels mean no slope, so two differences of ratios are enough
        self._solve = np.ascontiguousarray(solve[:, :2].swapaxes(0, 1))
        self._to_light = np.rint(self._light_of(np.arange(256))).astype(np.uint16)
        # kept from frame to frame: fresh memory would cost more than the arithmetic
        self._full = np.empty((*geometry.shape, 3), np.uint16)
        self._ratio, self._buffer, self._solved = np.empty((3, 3, *self._work.shape), np.float32)
        self._smoothed = np.empty((2, *self._work.shape), np.float32)
        self._brightness = np.empty(self._work.shape, np.float32)

    def _light_of(self, grey):
        """Linear light of grey levels, 65535 at the brightest."""
        return _BRIGHTEST * np.power(grey / 255, self._gamma)

    def set_reference(self, reference):
        """Take the no-contact Reference that images are compared with from now on."""
        if reference.mean_q8.shape[:2] != self._geometry.shape:
            raise DataError('wrong reference', where='contact',
                            found=reference.mean_q8.shape[:2], expected=self._geometry.shape)
        if self._shading is not None and reference.is_grey and reference.mean_q8.any():
            raise DataError('grey images, but a calibration with colour', where='contact',
                            fix='Stream colour, or calibrate with grey images.')
        grey = reference.mean.astype(np.float64)
        full = self._light_of(grey)
        light = self._reduce(np.rint(full).astype(np.uint16))
        self._reference_blocks = np.maximum(self._blocks(light), 1)
        planes = cv2.split(light)
        self._reference = np.maximum(np.stack(planes), 1).astype(np.float32)
        around = cv2.morphologyEx(self._reference.sum(axis=0), cv2.MORPH_CLOSE, PRINT)
        self._bare = (self._reference.sum(axis=0) > _BARE * around).ravel()
        if self._shading is not None and self._shading.steep is not None:
            self._steep_slopes = SteepSlopes(self._shading.steep, self._work, self._gamma,
                                             self._reference)
        # variance of a cell's relative light, then of the slope, then of the smoothed slope
        variance = np.square(self._gamma * full / np.maximum(grey, 1) * reference.noise)
        cell = self._reduce(variance).transpose(2, 0, 1) / self._geometry.work_factor ** 2
        cell = cell / np.square(self._reference)
        cell = np.maximum(cell, 1e-12).astype(np.float32)
        gx, gy = (np.stack([a, b, -a - b]) for a, b in zip(*self._solve[:, 1:], strict=True))
        covariance = [(a * b * cell).sum(axis=0) for a, b in ((gx, gx), (gx, gy), (gy, gy))]
        weight = self._measurable(planes) / (covariance[0] + covariance[2])
        self._weight = (weight / max(weight.max(), 1e-30)).astype(np.float32)
        self._metric = self._inverse_covariance(covariance, _KERNEL)
        self._wide_metric = np.ascontiguousarray(self._inverse_covariance(
            covariance, _WIDE_KERNEL)[:, ::_STRIDE, ::_STRIDE])

    def _inverse_covariance(self, covariance, kernel):
        """Of the slope smoothed with a kernel, (xx, 2 xy, yy); 0 where nothing is known."""
        total = np.maximum(_smooth(self._weight, kernel), _LEAST_WEIGHT)
        xx, xy, yy = (_smooth(np.square(self._weight) * c, np.square(kernel)) / np.square(total)
                      for c in covariance)
        determinant = np.maximum(xx * yy - xy * xy, 1e-30)
        metric = np.stack([yy, -2 * xy, xx]) / determinant
        metric[:, total <= _LEAST_WEIGHT] = 0
        return metric

    def process(self, image, markers=None):
        """Compare an image with the reference.

        Parameters
        ----------
        image : (H, W, 3) uint8
            Blue, green, red.
        markers : MarkerField, optional
            Of the same image: how the skin was dragged; and what a clear elastomer's contact is
            found from.

        Returns
        -------
        Contact
            The centroid of an imprint without depth is that of its area, gaps included.

        Raises
        ------
        DataError
            For an image of another size or type, or before there is a reference.
        """
        check_image(image, self._geometry)
        if self._reference is None:
            raise DataError('no reference yet', where='contact', fix='Call set_reference first.')
        light = self._reduce(cv2.LUT(image, self._to_light, dst=self._full))
        mixture, gain = fit_drift(self._reference_blocks, self._blocks(light), self._block_shape)
        if not self._has_shading:
            return self._from_motion(markers, gain)
        if gain.min() < _GAIN_RANGE[0] or gain.max() > _GAIN_RANGE[1]:
            return self._result(np.zeros(self._work.shape, bool), None, gain)
        fine, slope, total = self._slope(cv2.split(light), mixture)
        steepness = fine[0] * fine[0] + fine[1] * fine[1]
        steep = self._shading is not None and steepness.max() > _GENTLE**2
        squared = _squared_change(slope, self._metric)
        if steep:          # just how steep is seen from some sides better than from others
            squared /= np.maximum(steepness / _PLAIN**2, 1)
        changed = _changed(squared, _SEED)
        if not changed and self._shading is not None:
            squared = self._wide_change(slope, total)
            changed = _changed(squared, _WIDE_SEED)
        if self._shading is None:
            return self._result(_touched(changed, squared), None, gain, markers)
        # steep slopes are less sure; what the sides of an imprint then miss must not tilt the
        # skin around it
        trust = 1 / (1 + np.square(steepness / _STEEP**2)) if steep else None
        depth = integrate_gradient(*fine, self._work.metres_per_px, trust)
        if changed:
            depth -= _rest_level(depth, changed)
            if steep and self._floors is not None and self._floors.darkens:
                depth += self._lost_depth(depth, fine, steepness, changed)
        return self._result(_touched(changed, squared, depth), depth, gain, markers)

    def floor(self, depth, steepness):
        """Light and depth of the flat part of the imprint in the last image.

        Parameters
        ----------
        depth, steepness : (h, w) float32
            m; and squared slope.

        Returns
        -------
        Floor or None
            None where there is too little of it, or without a model for steep slopes.
        """
        return self._floors and self._floors.find(depth, steepness, self._bare, self._brightness)

    def _lost_depth(self, depth, fine, steepness, changed):
        """What is missing of the depth, (h, w) m or 0: sides seen less steep than they are."""
        floor = self.floor(depth, steepness)
        if floor is None:
            return 0
        is_side = steepness > _SIDES**2
        sides = integrate_gradient(*(np.where(is_side, part, 0) for part in fine),
                                   self._work.metres_per_px)
        sides -= _rest_level(sides, changed)
        return self._floors.lost(floor, float(np.median(sides.take(floor.cells)))) * sides

    def _from_motion(self, markers, gain):
        """Contact of a clear skin."""
        patch = None
        if markers is not None:
            self._patches.set_markers(markers.rest)
            patch = self._patches.find(markers.displacement)
        if patch is None:
            return self._result(np.zeros(self._work.shape, bool), None, gain)
        x, y = self._work.axes()
        distance = np.hypot(x - patch.centre[0], y[:, None] - patch.centre[1])
        mask = distance <= max(patch.radius, distance.min())
        return replace(self._result(mask, None, gain), centroid=patch.centre)

    def _blocks(self, light):
        """Light (3, N) float64 of blocks of a reduced picture."""
        blocks = cv2.resize(light, self._block_shape[::-1], interpolation=cv2.INTER_AREA)
        return np.ascontiguousarray(blocks.reshape(-1, 3).T, dtype=np.float64)

    def _measurable(self, planes):
        """Where no channel is dark or saturated, (h, w) bool."""
        blue, green, red = planes
        low, high = self._to_light[list(_GREY_RANGE)]
        return (cv2.min(cv2.min(blue, green), red) > low) \
            & (cv2.max(cv2.max(blue, green), red) < high)

    def _slope(self, planes, mixture):
        """Slope, the same smoothed, both (2, h, w); weight of the latter, (h, w).

        Without a shading model, differences of colour instead of slope.
        """
        ratio, solved = self._ratio, self._solved
        unsloped = term = self._buffer
        np.matmul(mixture.astype(np.float32), self._reference.reshape(3, -1),
                  out=unsloped.reshape(3, -1))
        for plane, flat, out in zip(planes, unsloped, ratio, strict=True):
            np.divide(plane, flat, out=out)
        blue, green, red = ratio
        blue -= red
        green -= red
        np.multiply(self._solve[0], blue, out=solved)
        solved += np.multiply(self._solve[1], green, out=term)
        brightness = solved[0]
        brightness += red
        np.copyto(self._brightness, brightness)
        steep = None if self._steep_slopes is None else self._steep(ratio)
        measurable = self._measurable(planes)
        if steep is not None:
            where, slope = steep
            measurable.ravel()[where] |= cv2.max(cv2.max(*planes[:2]), planes[2]).ravel()[where] \
                < self._to_light[_GREY_RANGE[1]]
            flat = solved.reshape(3, -1)
            flat[0, where] = 1
            flat[1:, where] = slope
        # each cell counts with the inverse of its slope's variance, which goes with brightness^-2
        weight = self._weight * brightness
        weight *= measurable
        total = _smooth(weight * brightness)
        np.maximum(total, _LEAST_WEIGHT, out=total)
        own = brightness
        own *= weight
        own += _FILL * total
        fine, smoothed = solved[1:], self._smoothed
        fine *= weight
        for part, out in zip(fine, smoothed, strict=True):
            _smooth(part, out=out)
        fine += np.multiply(smoothed, _FILL, out=term[1:])
        fine /= own
        smoothed /= total
        return fine, smoothed, total

    def _steep(self, ratio):
        """Cells of bare skin where it is steep, and the slope (2, K) there; or None.

        There a lamp may leave the skin in its own shadow, and the light from everywhere counts:
        the slope of the gentle model comes out too small. Cells that the model for steep slopes
        does not explain (markers that moved) keep it.
        """
        solved = self._solved
        where = np.flatnonzero(solved[1] * solved[1] + solved[2] * solved[2]
                               > _GENTLE**2 * np.square(solved[0]))
        where = where[self._bare[where]]
        if len(where) < _FEW:
            return None
        light = np.take(ratio.reshape(3, -1), where, axis=1)
        light[:2] += light[2]                                # they were differences to the third
        flat, *gentle = np.take(solved.reshape(3, -1), where, axis=1)
        gentle = np.stack(gentle) / np.maximum(flat, _DARK)
        slope, explained = self._steep_slopes.solve(light, where, gentle)
        # from one to the other
        share = np.clip((np.hypot(*slope) - _GENTLE_BELOW) / (_STEEP_ABOVE - _GENTLE_BELOW), 0, 1)
        slope = gentle + share * (slope - gentle)
        return where[explained], slope[:, explained]

    def _wide_change(self, slope, total):
        """Squared change of the slope smoothed further: shows faint touches of large things."""
        total = np.ascontiguousarray(total[::_STRIDE, ::_STRIDE])
        every = np.maximum(_smooth(total, _WIDEN), _LEAST_WEIGHT)
        wide = [_smooth(part[::_STRIDE, ::_STRIDE] * total, _WIDEN) / every for part in slope]
        squared = _squared_change(wide, self._wide_metric)
        return cv2.resize(squared, self._work.shape[::-1], interpolation=cv2.INTER_LINEAR)

    def _result(self, mask, depth, gain, markers=None):
        count = np.count_nonzero(mask)
        centroid, centroid_depth = np.full(2, np.nan), np.nan
        if count:
            weight = _spanned(mask).astype(np.float32)
            if depth is not None:
                weight *= np.sqrt(np.maximum(depth, _SHALLOW))
            down, along = self._moments
            (total, x), (y, _) = (down @ weight @ along).tolist()
            seen = np.array([x, y]) / total
            centroid = self._work.straightened(seen)
        if depth is None:
            depth = np.full(self._work.shape, np.nan, np.float32)
        elif count:
            column, row = (seen - self._first_cell) / self._work.metres_per_px
            centroid_depth = float(depth[round(row), round(column)])
        if count and markers is not None:
            centroid = centroid + _AHEAD * markers.mean_motion(mask, self._work)
        return Contact(mask, depth, count * self._work.pixel_area, centroid, centroid_depth, gain)

    def _reduce(self, image):
        return cv2.resize(image, self._work.shape[::-1], interpolation=cv2.INTER_AREA)


def _smooth(field, kernel=_KERNEL, out=None):
    return cv2.sepFilter2D(field, cv2.CV_32F, kernel, kernel, out, borderType=cv2.BORDER_CONSTANT)


def _squared_change(slope, metric):
    """Squared slope in units of its variance at rest, (h, w).

    Half of the cells at rest are below the median of chi-squared. Where most are above, the
    light has drifted and the camera rounds it otherwise than in the reference.
    """
    squared = metric[0] * slope[0]
    squared += metric[1] * slope[1]
    squared *= slope[0]
    squared += metric[2] * slope[1] * slope[1]
    some = squared[1::_SOME, 1::_SOME].ravel()
    middle = np.partition(some, len(some) // 2)[len(some) // 2]
    squared *= np.float32(min(max(_MEDIAN / max(middle, _MEDIAN), 1 / _MOST_UNEVEN), 1))
    return squared


def _changed(squared, seed):
    """Regions that changed: above the lower threshold, and somewhere above `seed`.

    Pictures that were compressed show false colours around markers that have moved, so a faint
    region beside a strong one does not count.
    """
    largest = squared.max()
    if largest <= seed:
        return []
    return [(box, region) for box, region in _regions(squared > max(_CHANGED, _LEAST * largest))
            if _largest(squared[box], region) > max(_BESIDE, _FAINT * largest)]


def _touched(changed, squared, depth=None):
    """Mask of where each changed region is touched.

    The skin is steepest at the rim of a contact. Inside, it bends the way that only something
    pressing bends it, which fills a rim that is broken or cut by the border of the image; depth
    elsewhere, of which the light may tell little, is none of it. What smoothing has added outside
    is taken off again, less of it where nothing would be left of a ridge.
    """
    mask, inside, near = np.zeros((3, *squared.shape), bool)
    if not changed:
        return mask
    for box, region in changed:
        inside[box] |= region & (squared[box] > _RIM * _largest(squared[box], region))
        near[box] |= region
    if depth is None:          # colour is blind to some slopes, which breaks a rim
        inside = cv2.morphologyEx(inside.view(np.uint8), cv2.MORPH_CLOSE, _GAP).view(bool)
    else:
        bend = cv2.Laplacian(depth, cv2.CV_32F, borderType=cv2.BORDER_REPLICATE)
        inside |= (bend < 0) & (depth > _DEEP * depth[near].max()) \
            & cv2.dilate(_spanned(near), _TOGETHER).view(bool)
    for box, filled in _regions(inside):
        if (filled & near[box]).any():
            mask[box] |= filled
    whole = mask.view(np.uint8)
    core = cv2.erode(whole, _SMOOTHED)
    ridges = cv2.erode(whole & ~cv2.dilate(core, _SMOOTHED), _THIN)
    return (core | ridges).view(bool)


def _spanned(mask):
    """Convex hulls of what is touched, where parts of it that are close together are one."""
    spanned, whole = np.zeros(mask.shape, np.uint8), mask.view(np.uint8)
    contours, _ = cv2.findContours(whole, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    if len(contours) == 1:
        return cv2.fillConvexPoly(spanned, cv2.convexHull(contours[0]), 1)
    for (rows, columns), region in _regions(cv2.dilate(whole, _TOGETHER).view(bool)):
        points = cv2.findNonZero(whole[rows, columns] & region)
        cv2.fillConvexPoly(spanned[rows, columns], cv2.convexHull(points), 1)
    return spanned


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


def _largest(field, region):
    return cv2.minMaxLoc(field, region.view(np.uint8))[1]


def _rest_level(depth, changed):
    """Mean depth far from what changed: skin that is pressed in bulges out around."""
    rest = np.ones(depth.shape, np.uint8)
    for box, region in changed:
        rest[box][region] = 0
    rest, depth = rest[::_COARSE, ::_COARSE], depth[::_COARSE, ::_COARSE]
    distance = cv2.distanceTransform(np.ascontiguousarray(rest), cv2.DIST_L2, 3)
    far = distance >= _FAR * distance.max()
    return cv2.mean(depth, far.view(np.uint8))[0]
