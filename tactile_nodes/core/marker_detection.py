# SPDX-License-Identifier: Apache-2.0
"""Find the printed marker lattice in a picture of the unloaded skin."""

from dataclasses import dataclass

import cv2
import numpy as np
from scipy.spatial import cKDTree

from tactile_nodes.errors import DataError

_LOG_OFFSET = 4.0            # grey levels; keeps the noise of black dots finite
_MIN_CONTRAST = 0.1          # a dot is at least 10 % darker than the skin around it
_MIN_COVERAGE = 0.25         # of the lattice places that fit into the image
_SCALE_RANGE = (0.6, 1.6)    # how far metres_per_px may be off before calibration
_LEAST_PITCH, _PITCH_STEP = 10.0, 1.5      # px; of markers that nobody announced
_USUAL_DOT = 0.35            # diameter of a dot over the pitch
_DIRECTIONS = np.array([(-1, -1), (-1, 0), (-1, 1), (0, -1), (0, 1), (1, -1), (1, 0), (1, 1)])


@dataclass(frozen=True, eq=False)
class MarkerLattice:
    """Markers of the unloaded skin, ordered by lattice row, then column.

    Attributes
    ----------
    ids : (N,) int32
        row * columns + column of the lattice; a marker that is not seen leaves a gap, so that the
        others keep their number in the next reference.
    cells : (N, 2) int64
        Row and column of the lattice.
    centres : (N, 2) float64
        Row, column, sub-pixel.
    pitch, diameter : float
        Measured spacing and the diameter that goes with it, px.
    neighbours, second_neighbours : (N, 8) int64
        Indices of the markers one and two steps away in eight directions; -1 where there is none.
    """

    ids: np.ndarray
    cells: np.ndarray
    centres: np.ndarray
    pitch: float
    diameter: float
    neighbours: np.ndarray
    second_neighbours: np.ndarray


def log_brightness(image):
    """Logarithm of the mean of the three channels.

    Light falls on print and bare skin alike, so it multiplies; in the logarithm a dot keeps its
    shape whatever the shading, and smooth shading is a plane that a fit can leave out.

    Parameters
    ----------
    image : (H, W, 3) uint8 or float32, grey levels

    Returns
    -------
    (H, W) float32
    """
    third = np.float32(1 / 3)
    weights = np.array([[third, third, third, _LOG_OFFSET]], np.float32)
    return cv2.log(cv2.transform(np.asarray(image, np.float32), weights))


def find_markers(brightness, pitch, diameter):
    """Find the marker lattice.

    Parameters
    ----------
    brightness : (H, W) float32
        `log_brightness` of the unloaded skin.
    pitch, diameter : float
        Expected spacing and size, px; the image may be off from them by a third.

    Returns
    -------
    MarkerLattice

    Raises
    ------
    DataError
        No lattice of dark dots of that spacing.
    """
    height, width = brightness.shape
    low, high = _SCALE_RANGE
    blobs = dark_blobs(brightness, diameter, None, (0.5 * low**2, 2 * high**2))
    edge = 0.6 * diameter                     # a dot cut by the edge would be misplaced
    blobs = blobs[((blobs > edge) & (blobs < (height - 1 - edge, width - 1 - edge))).all(axis=1)]
    needed = max(4, round(_MIN_COVERAGE * height * width / pitch ** 2))
    expected = f'at least {needed} dark dots {pitch:.1f} px apart, {diameter:.1f} px across'
    if len(blobs) < needed:
        raise DataError('markers are missing in the reference image', where='markers',
                        found=f'{len(blobs)} dots', expected=expected,
                        fix='Check light, exposure and that the elastomer file is the one of the '
                            'mounted elastomer, then capture the reference again.')
    cells, index, step = _lattice(blobs, pitch)
    if len(cells) < max(needed, len(blobs) / 2):
        spacing = np.median(cKDTree(blobs).query(blobs, k=2)[0][:, 1])
        raise DataError('the dots in the reference image are not the expected lattice',
                        where='markers', expected=expected,
                        found=f'{len(blobs)} dots, the nearest {spacing:.1f} px apart',
                        fix='Check marker_pitch_mm in the elastomer file and the image scale.')
    diameter *= step / pitch
    centres = _centroids(brightness, blobs[index], diameter)
    cells = cells - cells.min(axis=0)
    ids = cells[:, 0] * (cells[:, 1].max() + 1) + cells[:, 1]
    order = np.argsort(ids)
    cells, centres = cells[order], centres[order]
    return MarkerLattice(ids[order].astype(np.int32), cells, centres, step, diameter,
                         *(_index_at(cells, s * _DIRECTIONS) for s in (1, 2)))


def check_unmarked(brightness):
    """Raise DataError if a skin that ought to bear no markers shows a lattice of them.

    Parameters
    ----------
    brightness : (H, W) float32
        `log_brightness` of the unloaded skin.
    """
    pitch = _LEAST_PITCH
    while pitch < min(brightness.shape) / 4:
        try:
            found = find_markers(brightness, pitch, _USUAL_DOT * pitch)
        except DataError:
            pitch *= _PITCH_STEP
            continue
        raise DataError('the images show markers, the elastomer file says it has none',
                        where='markers', found=f'{len(found.ids)} dots {found.pitch:.1f} px apart',
                        fix='Check that the elastomer file is the one of the mounted elastomer; '
                            'with markers its kind is reflective_markers or clear_markers.')


def dark_blobs(brightness, diameter, least, area_range):
    """Centres of dark spots that lie wholly in the picture, each where its darkness is centred.

    Parameters
    ----------
    brightness : (H, W) float32
        `log_brightness`.
    diameter : float
        About that of the spots, px.
    least : float or None
        How much darker than its surroundings a spot is at least; None judges by the darkest.
    area_range : (float, float)
        Of the spots, as shares of a disc of `diameter`.

    Returns
    -------
    (M, 2) float64
        Row, column.
    """
    size = 2 * int(np.ceil(1.1 * diameter)) + 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    contrast = cv2.morphologyEx(brightness, cv2.MORPH_CLOSE, kernel) - brightness
    if least is None:
        least = max(_MIN_CONTRAST, 0.4 * np.percentile(contrast, 99))
    dark = (contrast > least).astype(np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(dark)
    area = stats[:, cv2.CC_STAT_AREA] / (np.pi / 4 * diameter ** 2)
    right = (np.arange(count) > 0) & (area > area_range[0]) & (area < area_range[1])
    left, top, width, height = stats[:, :4].T
    right &= (left > 0) & (top > 0) & (left + width < dark.shape[1]) \
        & (top + height < dark.shape[0])
    rows, columns = np.nonzero(dark)
    which, weight = labels[rows, columns], contrast[rows, columns]
    total, row, column = (np.bincount(which, weight * w, count) for w in (1, rows, columns))
    return np.stack([row[right], column[right]], axis=1) / total[right, None]


def _lattice(blobs, pitch):
    """Number the blobs by lattice row and column.

    Returns
    -------
    cells : (N, 2) int64
        Row and column of the largest connected part of the lattice.
    index : (N,) int64
        Which blobs they are.
    step : float
        Measured spacing, px.
    """
    tree = cKDTree(blobs)
    low, high = (f * pitch for f in _SCALE_RANGE)
    pairs = tree.query_pairs(high, output_type='ndarray')
    pairs = np.concatenate([pairs, pairs[:, ::-1]])
    offset = blobs[pairs[:, 1]] - blobs[pairs[:, 0]]
    length = np.hypot(*offset.T)
    steps = []
    for axis in (0, 1):            # down, right: the lattice is at most 30 degrees off the image
        along = (offset[:, axis] > 0.87 * length) & (length > low)
        if not along.any():
            return np.zeros((0, 2), int), np.zeros(0, int), pitch
        shortest = length < 1.2 * np.percentile(length[along], 25)
        steps.append(np.median(offset[along & shortest], axis=0))
    step = float(np.mean(np.hypot(*np.transpose(steps))))
    nearest = {}
    for sign in (1, -1):
        for axis in (0, 1):
            gap, hit = tree.query(blobs + sign * steps[axis], distance_upper_bound=0.35 * step)
            move = (sign, 0) if axis == 0 else (0, sign)
            nearest[move] = np.where(np.isfinite(gap), hit, -1)
    best = {}
    unseen = set(range(len(blobs)))
    while unseen:
        part = _walk(min(unseen), nearest)
        unseen -= set(part.values())
        best = max(best, part, key=len)
    return np.array(list(best)), np.array(list(best.values())), step


def _walk(start, nearest):
    """{(row, column): blob} of all blobs that lattice steps reach from `start`."""
    cells, numbered, queue = {(0, 0): start}, {start}, [(0, 0)]
    for cell in queue:
        for move, to in nearest.items():
            blob, place = int(to[cells[cell]]), (cell[0] + move[0], cell[1] + move[1])
            if blob >= 0 and blob not in numbered and place not in cells:
                cells[place] = blob
                numbered.add(blob)
                queue.append(place)
    return cells


def _index_at(cells, moves):
    """(N, len(moves)) index of the marker at each cell plus each move, -1 where there is none."""
    margin = np.abs(moves).max()
    table = np.full(cells.max(axis=0) + 2 * margin + 1, -1)
    table[tuple((cells + margin).T)] = np.arange(len(cells))
    return table[tuple(np.moveaxis(cells[:, None] + moves + margin, -1, 0))]


def _centroids(brightness, centres, diameter):
    """Centroid of each dot's darkness against a plane through the ring around it."""
    reach = int(np.ceil(1.1 * diameter))
    padded = cv2.copyMakeBorder(brightness, *[reach] * 4, cv2.BORDER_REPLICATE)
    offset = np.indices((2 * reach + 1, 2 * reach + 1)).reshape(2, -1).T - reach
    for _ in range(4):
        corner = np.rint(centres).astype(int)
        at = corner[:, None] + offset + reach
        patch = padded[at[..., 0], at[..., 1]].astype(np.float64)
        from_centre = offset - (centres - corner)[:, None]
        distance = np.hypot(*np.moveaxis(from_centre, -1, 0))
        ring = (distance > 0.75 * diameter) & (distance < 1.1 * diameter)
        inside = np.clip(0.75 * diameter + 0.5 - distance, 0, 1)
        basis = np.concatenate([np.ones((*distance.shape, 1)), from_centre], axis=2)
        weighted = basis * ring[..., None]
        plane = np.linalg.solve(np.swapaxes(weighted, 1, 2) @ basis,
                                np.swapaxes(weighted, 1, 2) @ patch[..., None])
        dark = np.maximum((basis @ plane)[..., 0] - patch, 0) * inside
        centres = centres + (dark[..., None] * from_centre).sum(1) / dark.sum(1)[:, None]
    return centres
