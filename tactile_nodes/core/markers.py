# SPDX-License-Identifier: Apache-2.0
"""Flow stage: how far every marker dot has moved from where it is without load.

Each marker is matched to its own rest picture (`marker_templates`), so nothing drifts. A dot that
a deep imprint has stretched beyond recognition is followed as a dark spot. A marker that motion,
cover or a wrong catch has lost is sought again by optical flow from the last image and from where
its neighbours went.
"""

import cv2
import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from tactile_nodes.core.geometry import check_image
from tactile_nodes.core.marker_detection import (
    check_unmarked,
    dark_blobs,
    find_markers,
    log_brightness,
)
from tactile_nodes.core.marker_templates import MarkerTemplates
from tactile_nodes.core.types import MarkerField
from tactile_nodes.errors import DataError

_OUTLIER = 2.0          # normalised residual (Westerweel & Scarano)
_ALLOWANCE = 0.1        # uneven motion of neighbours that is no outlier, in marker pitches
_BREAK = 0.5            # difference of neighbours that only a wrong marker explains, in pitches
_AT_REST = 0.1          # motion of a marker that nothing moves, in pitches
_FOLLOWED = 0.35        # motion from frame to frame, in pitches, that leaves no doubt which it is
_BLOB_DARKNESS = 0.5    # of the contrast at rest: a dark spot
_BLOB_AREA = (0.3, 2.2)         # of a dot that was stretched, over the area at rest
_SNAP = 0.03            # share of markers lost at once that calls for a search from rest
_ROUNDS = 12            # rings of lost markers won back in one frame
_WINDOW = 21            # of the optical flow, px
_LEVELS = 3
_RETURN = 0.5           # forward-backward difference allowed, px


def track_points(previous, image, points):
    """Follow points of any texture from one image to the next.

    Pyramidal Lucas-Kanade (1981; J.-Y. Bouguet's pyramid as in OpenCV), kept only where tracking
    back from the result returns to the start (Kalal, Mikolajczyk & Matas, ICPR 2010).

    Parameters
    ----------
    previous, image : (H, W) or (H, W, 3) uint8
    points : (N, 2) array_like
        Row, column in `previous`.

    Returns
    -------
    (N, 2) float64
        Row, column in `image`; NaN where the point was lost.

    Raises
    ------
    DataError
        Images that are not uint8 or differ in shape, or points that are not (N, 2).
    """
    previous, image = np.asarray(previous), np.asarray(image)
    points = np.asarray(points, dtype=np.float64)
    for picture in (previous, image):
        if picture.dtype != np.uint8 or picture.shape != previous.shape \
                or picture.ndim not in (2, 3) or picture.shape[2:] not in ((), (3,)):
            raise DataError('wrong images', where='track_points', expected='two uint8 images of '
                            'one shape', found=f'{previous.shape} {previous.dtype} and '
                            f'{image.shape} {image.dtype}')
    if points.ndim != 2 or points.shape[1] != 2:
        raise DataError('wrong points', where='track_points', found=points.shape,
                        expected='(N, 2) rows and columns')
    if not len(points):
        return points
    start = np.ascontiguousarray(points[:, ::-1], np.float32)

    def flow(from_image, to_image, xy):
        moved, status, _ = cv2.calcOpticalFlowPyrLK(
            from_image, to_image, xy, None, winSize=(_WINDOW, _WINDOW), maxLevel=_LEVELS)
        return moved, status.ravel() == 1

    ahead, found = flow(previous, image, start)
    back, found_back = flow(image, previous, ahead)
    lost = ~(found & found_back & (np.hypot(*(back - start).T) < _RETURN))
    end = ahead[:, ::-1].astype(np.float64)
    end[lost] = np.nan
    return end


class FlowStage:
    """Marker motion against the reference, frame by frame.

    Parameters
    ----------
    geometry : ImageGeometry
    elastomer : Elastomer
        Its marker pitch and diameter say what to look for; without markers every field is empty.
    """

    def __init__(self, geometry, elastomer):
        self._geometry, self._elastomer = geometry, elastomer
        self._tracker = None

    def set_reference(self, reference):
        """Find the markers in the no-contact mean image.

        Parameters
        ----------
        reference : Reference
            `mean` (H, W, 3) float32, grey levels.

        Raises
        ------
        DataError
            Wrong size, or the elastomer's markers are not there, or there are some and it has
            none; the old reference stays.
        """
        mean = np.asarray(reference.mean, dtype=np.float32)
        if mean.shape != (*self._geometry.shape, 3):
            raise DataError('wrong reference image', where='reference', found=mean.shape,
                            expected=f'{(*self._geometry.shape, 3)} (blue, green, red)')
        if self._elastomer.kind.has_markers:
            scale = 1 / self._geometry.metres_per_px
            self._tracker = MarkerTracker(mean, self._elastomer.marker_pitch * scale,
                                          self._elastomer.marker_diameter * scale,
                                          silhouettes=not self._elastomer.kind.has_shading)
            lattice = self._tracker.lattice
            self._ids = lattice.ids
            self._place = self._geometry.to_tip(lattice.centres)
            self._rest = self._place.astype(np.float32)
        else:
            check_unmarked(log_brightness(mean))

    def process(self, image):
        """Measure where the markers are now.

        Parameters
        ----------
        image : (H, W, 3) uint8
            Blue, green, red.

        Returns
        -------
        MarkerField

        Raises
        ------
        DataError
            Wrong image, or markers are expected and there is no reference yet.
        """
        image = check_image(image, self._geometry)
        if not self._elastomer.kind.has_markers:
            return MarkerField.empty()
        if self._tracker is None:
            raise DataError('no reference yet', where='markers',
                            fix='Capture a reference without contact first.')
        now = self._geometry.to_tip(self._tracker.lattice.centres + self._tracker.track(image))
        return MarkerField(self._ids, self._rest, (now - self._place).astype(np.float32))


class MarkerTracker:
    """Displacement of every marker in pixels, with identity kept from frame to frame.

    Parameters
    ----------
    mean : (H, W, 3) float32
        The unloaded skin.
    pitch, diameter : float
        Expected of the markers, px.
    silhouettes : bool
        Whether the skin is clear, with something behind it that moves.

    Attributes
    ----------
    lattice : MarkerLattice
    """

    def __init__(self, mean, pitch, diameter, *, silhouettes=False):
        brightness = log_brightness(mean)
        self.lattice = find_markers(brightness, pitch, diameter)
        self._templates = MarkerTemplates(brightness, self.lattice.centres,
                                          self.lattice.diameter, self.lattice.pitch,
                                          silhouettes=silhouettes)
        self._last = brightness
        self._moved = np.zeros_like(self.lattice.centres)      # last known of lost markers
        self._good = np.ones(len(self._moved), bool)
        self._followed = np.zeros(len(self._moved), bool)      # where neighbours move otherwise
        self._darkness = _BLOB_DARKNESS * self._templates.contrast

    def track(self, image):
        """Displacements from rest.

        Parameters
        ----------
        image : (H, W, 3) uint8

        Returns
        -------
        (N, 2) float64
            Rows, columns, px; NaN for a marker that is lost.
        """
        brightness = log_brightness(image)
        padded = self._templates.pad(brightness)
        moved, good = self._templates.fit(padded, self._moved)
        good = self._agree(moved, good)
        if not good.all():
            moved, good = self._recover(brightness, padded, moved, good)
            moved = np.where(good[:, None], moved, self._moved)
        self._last, self._moved, self._good = brightness, moved, good
        return np.where(good[:, None], moved, np.nan)

    def _recover(self, brightness, padded, moved, good):
        """Seek lost markers: by flow, next to their neighbours, anew from rest, as dark spots."""
        lost = np.flatnonzero(self._good & ~good)
        guess = self._flow(brightness, lost)
        moved, good = self._refit(padded, moved, good, lost, guess)
        moved, good = self._spread(padded, moved, good)
        count, few = np.count_nonzero(good), _SNAP * len(good)
        snapped = count < max(len(good) / 2, np.count_nonzero(self._good) - few)
        moved, good = self._follow(brightness, moved, good)
        if snapped or np.hypot(*moved[good].T).max() > _BREAK * self.lattice.pitch:
            again, fine = self._from_rest(padded, snapped)
            if np.count_nonzero(fine) >= np.count_nonzero(good) + (0 if snapped else few):
                self._followed[:] = False
                return again, fine
        return moved, good

    def _follow(self, brightness, moved, good):
        """Take for a lost marker the dark spot nobody claims, near where it just was.

        Or, when it has been lost for longer, near where those around it were followed to.
        """
        lattice, limit = self.lattice, _FOLLOWED * self.lattice.pitch
        self._followed &= good
        lost = np.flatnonzero(~good)
        beside = _median(_with_nan(moved, self._followed)[lattice.neighbours[lost]])
        expected = np.where(self._good[lost, None], self._moved[lost], beside)
        lost, expected = (a[np.isfinite(expected[:, 0])] for a in (lost, expected))
        expected = lattice.centres[lost] + expected
        if not len(lost):
            return moved, good
        margin = np.ceil(limit + 2 * lattice.diameter)
        low = np.clip(expected.min(axis=0) - margin, 0, None).astype(int)
        high = np.clip(expected.max(axis=0) + margin, 0, None).astype(int)
        window = np.ascontiguousarray(brightness[low[0]:high[0] + 1, low[1]:high[1] + 1])
        blobs = low + dark_blobs(window, lattice.diameter, self._darkness, _BLOB_AREA)
        if good.any() and len(blobs):
            claimed = cKDTree((lattice.centres + moved)[good])
            blobs = blobs[claimed.query(blobs)[0] > lattice.diameter / 2]
        if not len(blobs):
            return moved, good
        gap, nearest = cKDTree(blobs).query(expected, distance_upper_bound=limit)
        back = cKDTree(expected).query(blobs)[1]
        found = np.isfinite(gap)
        found[found] = back[nearest[found]] == np.flatnonzero(found)
        index = lost[found]
        moved, good = moved.copy(), good.copy()
        moved[index] = blobs[nearest[found]] - lattice.centres[index]
        good[index] = True
        # a flake that wanders off moves like none of its neighbours
        apart = np.hypot(*np.moveaxis(_with_nan(moved, good)[lattice.neighbours[index]]
                                      - moved[index, None], -1, 0))
        alike = (apart <= _OUTLIER * _ALLOWANCE * lattice.pitch).any(axis=1)
        good[index] = self._followed[index] = alike
        return moved, good

    def _from_rest(self, padded, spread):
        """Find the markers without history.

        A jump of about a pitch fits the neighbour's dot as well, and a wrong lattice then loses
        its rim. The layer is bonded: released skin is at rest, and so is skin far from a contact,
        from where the others are sought inwards if `spread`.
        """
        moved, good = self._templates.fit(padded, np.zeros_like(self._moved))
        good = self._agree(moved, good & (np.hypot(*moved.T) < _AT_REST * self.lattice.pitch))
        return self._spread(padded, moved, good) if spread else (moved, good)

    def _flow(self, brightness, index):
        """(M, 2) displacement of some markers by optical flow from the last image, or NaN."""
        centres = self.lattice.centres[index]
        return track_points(_grey(self._last), _grey(brightness),
                            centres + self._moved[index]) - centres

    def _spread(self, padded, moved, good):
        """Refit lost markers from where their neighbours went, ring by ring."""
        for _ in range(_ROUNDS):
            lost = np.flatnonzero(~good)
            before = np.count_nonzero(good)
            guess = self._extrapolate(moved, good, lost)
            moved, good = self._refit(padded, moved, good, lost, guess)
            if np.count_nonzero(good) <= before:
                break
        return moved, good

    def _refit(self, padded, moved, good, index, guess):
        """Fit some markers anew, where there is a guess; keep what agrees with its neighbours."""
        known = np.isfinite(guess[:, 0])
        index, guess = index[known], guess[known]
        if not len(index):
            return moved, good
        again, fine = self._templates.fit(padded, guess, index)
        moved, good = moved.copy(), good.copy()
        moved[index], good[index] = again, fine
        return moved, self._agree(moved, good)

    def _extrapolate(self, moved, good, index):
        """(M, 2) motion of some markers as their neighbours let expect, NaN without neighbours."""
        known = _with_nan(moved, good)
        one = known[self.lattice.neighbours[index]]
        two = known[self.lattice.second_neighbours[index]]
        return _median(np.where(np.isfinite(two), 2 * one - two, one))

    def _agree(self, moved, good):
        """Drop markers that do not move with their neighbours, unless they were followed till now.

        First those that sit on another marker's dot: there neighbours differ by about a pitch, so
        only the largest part of the lattice that hangs together is kept. Then the normalised
        median test (J. Westerweel & F. Scarano, Exp. Fluids 39, 2005, 1096).
        """
        pitch, neighbours = self.lattice.pitch, self.lattice.neighbours
        around = _with_nan(moved, good)[neighbours]
        offset = around - moved[:, None]
        apart = np.hypot(offset[..., 0], offset[..., 1])
        apart[~good] = np.nan
        if not (apart > _OUTLIER * _ALLOWANCE * pitch / np.sqrt(2)).any():
            return good                       # the common case: the tests below cannot fail
        followed = self._followed & (np.hypot(*(moved - self._moved).T) < _FOLLOWED * pitch)
        if (apart > _BREAK * pitch).any():
            good = good & (followed | self._largest_part(good, apart <= _BREAK * pitch))
            around = _with_nan(moved, good)[neighbours]
        middle = _median(around)
        spread = np.hypot(*_median(np.abs(around - middle[:, None])).T)
        residual = np.hypot(*(moved - middle).T)
        alone = np.isfinite(around[..., 0]).sum(axis=1) < 3
        return good & (alone | followed | (residual <= _OUTLIER * (spread + _ALLOWANCE * pitch)))

    def _largest_part(self, good, joined):
        """Whether each marker belongs to the largest part of good markers that are joined."""
        one, which = np.nonzero(joined & good[:, None])
        links = coo_array((np.ones(len(one)), (one, self.lattice.neighbours[one, which])),
                          shape=(len(good), len(good)))
        _, part = connected_components(links, directed=False)
        return part == np.argmax(np.bincount(part[good]))


def _grey(brightness):
    """Log brightness as the 8-bit picture that optical flow wants."""
    return cv2.convertScaleAbs(brightness, alpha=255 / np.log(256))


def _with_nan(moved, good):
    """Motion with NaN for markers that are not good, and for index -1."""
    return np.concatenate([np.where(good[:, None], moved, np.nan), [[np.nan, np.nan]]])


def _median(values):
    """Median along axis 1 of (N, M, 2) without the NaN; NaN where all are."""
    ordered = np.sort(values, axis=1)
    count = np.isfinite(ordered).sum(axis=1, keepdims=True)
    low = np.take_along_axis(ordered, np.maximum(count - 1, 0) // 2, axis=1)
    high = np.take_along_axis(ordered, np.minimum(count // 2, values.shape[1] - 1), axis=1)
    return ((low + high) / 2)[:, 0]
