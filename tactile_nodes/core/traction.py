# SPDX-License-Identifier: Apache-2.0
"""Resultant of the traction on the skin from how the skin moved: a linear Gaussian inverse.

Unknown is the traction as a sum of hat functions on a coarse grid, zero outside the touched cells.
Inside it is a Gaussian Markov random field (H. Rue and L. Held, Gaussian Markov Random Fields,
2005), of either sign, with a standard deviation of three times the elastic modulus for pressure
(the edges of flat things reach that) and half of it for shear: wider than what a soft skin bears,
so that the data decide whatever they can tell. Measured rows are the motion of the markers, with
independent errors, and the steps of depth between neighbouring cells: depth is integrated from
slopes, so its errors are independent in slope, and its constant is unknown.

The posterior (A. Tarantola, Inverse Problem Theory, 2005, ch. 3) gives wrench and covariance. All
responses are computed once per elastomer and marker lattice; a frame costs one Cholesky
factorisation over the touched cells, and less while those and the errors stay as they were.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from scipy import fft, linalg
from scipy.ndimage import map_coordinates, spline_filter

from tactile_nodes.core.layer import layer_compliance

# Integration leaves of independent errors of slope what is a gradient, and the mean over a cell
# smooths it: the variance of a step between cells is this part of the slope's over a cell, the
# integral of sinc(kx/2)^2 sinc(ky/2)^2 4 sin(kx/2)^2 / k^2 over all wavevectors / (2 pi)^2.
STEP_VARIANCE = 0.258
_FINE = 8                # kernel samples per cell and direction
_NEIGHBOURS = np.ones((3, 3), np.uint8)
_PRIOR_SD = (0.5, 0.5, 3.0)     # of Young's modulus, per component
_PRIOR_LENGTH = 1.0      # of `resolution`
_SYSTEMS = 6             # kept for when supports and errors come back: up to 5 MB each
_BLOCKS = ((0, 0), (0, 1), (0, 2), (1, 1), (1, 2), (2, 2))     # of a symmetric 3x3 matrix
_MARGIN = 8              # thicknesses beyond the image until the kernels repeat


def resolution(work, elastomer):
    """Length, m, over which traction can be told: the layer blurs over its thickness.

    At most a quarter of the image's shorter side, so that on a thick layer, too, there are cells
    enough; at least an eighth, because memory grows as the square of their number.
    """
    side = min(work.shape) * work.metres_per_px
    return min(max(elastomer.thickness, side / 8), side / 4)


@dataclass(frozen=True, eq=False)
class Resultant:
    """Wrench of the traction and its uncertainty.

    Attributes
    ----------
    wrench : (6,) float64
        fx fy fz tx ty tz at the tip origin, N and N*m.
    covariance : (6, 6) float64
        Of the posterior: errors of the rows, and what the rows leave open.
    misfit : float
        Mean square of the rows over what their errors and the prior allow; 1 is right, far above
        1 says that layer, support or errors are wrong.
    """

    wrench: np.ndarray
    covariance: np.ndarray
    misfit: float


@dataclass(frozen=True, eq=False)
class _System:
    """A solution but for the values of the rows, over the active unknowns A.

    Attributes
    ----------
    response : (A, N + 2M)
    factor : (A, A)
        Cholesky factor of the posterior precision, in its lower triangle.
    to_wrench : (A, 6)
        Wrench per unknowns that the factor has made independent, of unit variance.
    covariance : (6, 6)
    """

    response: np.ndarray
    factor: np.ndarray
    to_wrench: np.ndarray
    covariance: np.ndarray


class TractionEstimator:
    """Resultant traction from depth and marker motion on one grid of cells.

    Parameters
    ----------
    work : ImageGeometry
        The work grid.
    elastomer : Elastomer
        With the modulus that applies.
    pitch : float
        Wanted cell size, m; the image is divided into the nearest whole number of cells.

    Attributes
    ----------
    shape : (int, int)
        Rows and columns of the grid of N cells.
    nodes : (N, 2) float64
        x, y of the cells' centres, row by row, m.
    """

    def __init__(self, work, elastomer, pitch):
        size = np.array(work.shape[::-1]) * work.metres_per_px
        nx, ny = np.maximum(2, np.round(size / pitch)).astype(int)
        self.shape = int(ny), int(nx)
        self._pitch = size / (nx, ny)
        x, y = ((np.arange(n) - (n - 1) / 2) * p
                for n, p in zip((nx, ny), self._pitch, strict=True))
        self.nodes = np.stack([a.ravel() for a in np.meshgrid(x, y)], -1)
        # centres and borders of the pixels per axis, where cell k reaches from k to k + 1; the
        # outermost pixels reach as far as the skin can
        self._pixels = [(np.arange(k) + 0.5) * n / k for k, n in
                        zip(work.shape[::-1], (nx, ny), strict=True)]
        self._borders = [np.concatenate([[-np.inf], (a[1:] + a[:-1]) / 2, [np.inf]])
                         for a in self._pixels]
        kernels, self._centre = _kernels(elastomer, size, self._pitch)
        self._splines = [[spline_filter(k) for k in kernels[i]] for i in (0, 1)]
        self._to_wrench = _resultant_matrix(self.nodes, self._pitch.prod())
        self._prior_scale = 1 / np.square(np.array(_PRIOR_SD) * elastomer.youngs_modulus)
        self._cell_response = self._mean_depth_response(kernels[2])                # (3N, N)
        steps = self._steps(self._cell_response.T)
        # per pair of nodes: _BLOCKS of the information of depth and of markers, prior precision
        self._pairs = np.zeros((nx * ny, nx * ny, 13))
        self._pairs[..., :6] = _by_pairs(steps.T @ steps)
        self._pairs[..., 12] = _prior_precision(
            self.shape, self._pitch, _PRIOR_LENGTH * resolution(work, elastomer))
        self.set_markers(np.zeros((0, 2)))

    def set_markers(self, rest):
        """Take the markers' positions without load, (M, 2) x, y in m."""
        x, y = ((rest[:, None, i] - self.nodes[:, i]) / self._pitch[i] * _FINE
                + self._centre[i] for i in (0, 1))
        rows = [np.stack([map_coordinates(spline, [y, x], prefilter=False) for spline in splines],
                         axis=-1) for splines in self._splines]
        markers = np.concatenate(rows).reshape(2 * len(rest), 3 * len(self.nodes)).T
        self._pairs[..., 6:12] = _by_pairs(markers @ markers.T)
        # (3N, N + 2M): node by node x, y, z; depths of the cells, x of the markers, y of them
        self._response = np.concatenate([self._cell_response, markers], axis=1)
        self._systems, self._cells, self._taken = {}, None, None

    def support(self, touched, shift):
        """Cells that may bear traction: those that hold a touched pixel and their neighbours.

        Parameters
        ----------
        touched : (h, w) bool on the work grid
        shift : (2,) float
            x, y by which the skin has moved there, m; cells are places of the skin.

        Returns
        -------
        (N,) bool
        """
        cells = [np.minimum(np.maximum(np.floor(a - s), 0), n - 1) for n, a, s in
                 zip(self.shape[::-1], self._pixels, shift / self._pitch, strict=True)]
        columns, rows = ((np.arange(n)[:, None] == c).astype(np.float32)
                         for n, c in zip(self.shape[::-1], cells, strict=True))
        count = rows @ touched.astype(np.float32, order='C') @ columns.T
        return cv2.dilate((count > 0).astype(np.uint8), _NEIGHBOURS).ravel() > 0

    def depth_steps(self, depth, shift=(0.0, 0.0)):
        """Steps of the cells' mean depth to the right and downwards, NaN where not measured.

        Parameters
        ----------
        depth : (h, w) float32 on the work grid, m
        shift : (2,) float
            x, y by which the skin has moved, m; cells are places of the skin.

        Returns
        -------
        (S,) float64, m
        """
        covered = [np.minimum(np.maximum(a - s - np.arange(n)[:, None], 0), 1).astype(np.float32)
                   for n, a, s in zip(self.shape[::-1], self._borders, shift / self._pitch,
                                      strict=True)]
        to_columns, to_rows = (c[:, 1:] - c[:, :-1] for c in covered)
        lost = np.isnan(depth)
        cells = to_rows @ np.where(lost, np.float32(0), depth) @ to_columns.T
        if lost.any():
            cells[to_rows @ lost.astype(np.float32, order='C') @ to_columns.T > 0] = np.nan
        return self._steps(cells.reshape(-1, 1).astype(np.float64))[:, 0]

    def solve(self, support, steps, step_sd, displacement, marker_sd):
        """Posterior of the resultant.

        Parameters
        ----------
        support : (N,) bool
        steps : (S,) float64
            From `depth_steps`, NaN where not measured.
        step_sd : float
            Standard deviation of a step, m.
        displacement : (M, 2) float
            Of the markers, m, NaN where lost.
        marker_sd : float
            Standard deviation of a component, m.

        Returns
        -------
        Resultant
        """
        motion = displacement.T.ravel()
        known = np.isfinite(steps), np.isfinite(motion)
        weights = STEP_VARIANCE * step_sd**-2, marker_sd**-2
        key = (support.tobytes(), *(k.tobytes() for k in known), *weights)
        system = self._systems.pop(key, None) or self._prepare(support, known, weights)
        self._systems[key] = system                # the last used is last
        if len(self._systems) > _SYSTEMS:
            del self._systems[next(iter(self._systems))]
        down, motion = np.where(known[0], -steps, 0), np.where(known[1], motion, 0)
        data = system.response @ np.concatenate([weights[0] * self._steps_adjoint(down),
                                                 weights[1] * motion])
        whitened = linalg.lapack.dtrtrs(system.factor, data, lower=1)[0]
        square = weights[0] * (down @ down) + weights[1] * (motion @ motion)
        count = STEP_VARIANCE * np.count_nonzero(known[0]) + np.count_nonzero(known[1])
        return Resultant(whitened @ system.to_wrench, system.covariance,
                         (square - whitened @ whitened) / max(1, count))

    def _prepare(self, support, known, weights):
        """All of a solution that does not depend on the values of the rows."""
        n, cells = len(support), np.flatnonzero(support)
        active = (3 * cells + np.arange(3)[:, None]).ravel()       # all x, all y, all z
        to_blocks = np.zeros((6, 13))
        to_blocks[:, :6] = weights[0] * known[0].any() * np.eye(6)
        to_blocks[:, 6:12] = weights[1] * np.eye(6)
        to_blocks[[0, 3, 5], 12] = self._prior_scale
        if not np.array_equal(cells, self._cells):
            index = (n * cells[:, None] + cells).ravel()
            # take with mode 'clip' is three times as fast as indexing
            pairs = np.take(self._pairs.reshape(n * n, 13), index, axis=0, mode='clip')
            response = np.take(self._response, active, axis=0, mode='clip')
            self._cells, self._taken = cells, (pairs, response)
        pairs, response = self._taken
        blocks = (to_blocks @ pairs.T).reshape(6, len(cells), len(cells))
        precision = np.zeros((3, len(cells), 3, len(cells)))       # its upper triangle suffices
        for (i, j), block in zip(_BLOCKS, blocks, strict=True):
            precision[i, :, j] = block
        precision = precision.reshape(len(active), len(active))
        if known[0].any() and not known[0].all():
            lost = self._steps(response[:, :n].T)[~known[0]]
            precision -= weights[0] * (lost.T @ lost)
        if not known[1].all():
            lost = response[:, n:][:, ~known[1]]
            precision -= weights[1] * (lost @ lost.T)
        factor = linalg.lapack.dpotrf(precision.T, lower=1, clean=0, overwrite_a=1)[0]
        to_wrench = linalg.lapack.dtrtrs(factor, self._to_wrench[:, active].T, lower=1)[0]
        return _System(response, factor, to_wrench, to_wrench.T @ to_wrench)

    def _steps(self, columns):
        """Differences between neighbouring cells, (N, K) to (S, K)."""
        grid = columns.reshape(*self.shape, -1)
        return np.concatenate([(grid[:, 1:] - grid[:, :-1]).reshape(-1, grid.shape[2]),
                               (grid[1:] - grid[:-1]).reshape(-1, grid.shape[2])])

    def _steps_adjoint(self, steps):
        """Transpose of `_steps` on one column, (S,) to (N,)."""
        ny, nx = self.shape
        right = steps[:ny * (nx - 1)].reshape(ny, nx - 1)
        down = steps[ny * (nx - 1):].reshape(ny - 1, nx)
        cells = np.zeros(self.shape)
        cells[:, 1:] += right
        cells[:, :-1] -= right
        cells[1:] += down
        cells[:-1] -= down
        return cells.ravel()

    def _mean_depth_response(self, kernels):
        """Mean u_z of every cell per traction of every node, (3N, N); node by node x, y, z."""
        row, column = np.divmod(np.arange(len(self.nodes)), self.shape[1])
        y = self._centre[1] + _FINE * (row - row[:, None])
        x = self._centre[0] + _FINE * (column - column[:, None])
        return np.stack([kernel[y, x] for kernel in kernels], axis=1).reshape(
            -1, len(self.nodes))


def _prior_precision(shape, pitch, length):
    """Precision of one traction component of unit standard deviation on all nodes, (N, N).

    Its rows and columns of some nodes are the precision given that all others are zero.
    """
    def minus_second_difference(n, step):
        return (2 * np.eye(n) - np.eye(n, k=1) - np.eye(n, k=-1)) / step**2

    ny, nx = shape
    root = (np.eye(nx * ny) / length**2
            + np.kron(np.eye(ny), minus_second_difference(nx, pitch[0]))
            + np.kron(minus_second_difference(ny, pitch[1]), np.eye(nx)))
    field = root @ root
    middle = (ny // 2) * nx + nx // 2
    return field * np.linalg.solve(field, np.eye(nx * ny)[middle])[middle]


def _kernels(elastomer, size, pitch):
    """Displacement by one hat of traction around it, sampled at pitch / _FINE.

    Returns
    -------
    kernels : 3 lists of 3 (ky, kx) float64
        [i][j]: u_i per t_j, m/Pa; u_x and u_y at a point, u_z as the mean over a cell.
    centre : (2,) float64
        x and y index of the hat's centre.
    """
    step = pitch / _FINE
    nx, ny = (2 * np.ceil((2 * size + _MARGIN * elastomer.thickness) / step / 2)).astype(int)
    kx, ky = np.meshgrid(2 * np.pi * fft.rfftfreq(nx, step[0]),
                         2 * np.pi * fft.fftfreq(ny, step[1]))
    compliance = layer_compliance(kx, ky, elastomer)
    # a box of one cell in the wavevector domain; a hat is a box twice, times its height
    box = np.sinc(kx * pitch[0] / (2 * np.pi)) * np.sinc(ky * pitch[1] / (2 * np.pi))
    shape = (box**2, box**2, box**3)
    scale = _FINE**2         # hat area over sample area
    kernels = [[fft.fftshift(fft.irfft2(compliance[..., i, j] * shape[i], (ny, nx))) * scale
                for j in range(3)] for i in range(3)]
    return kernels, np.array([nx // 2, ny // 2])


def _resultant_matrix(nodes, area):
    """Wrench at the tip origin per traction of every node, (6, 3N)."""
    x, y = nodes.T * area
    one, zero = np.full(len(nodes), area), np.zeros(len(nodes))
    rows = ((one, zero, zero), (zero, one, zero), (zero, zero, one),
            (zero, zero, y), (zero, zero, -x), (-y, x, zero))
    return np.stack([np.column_stack(row).ravel() for row in rows])


def _by_pairs(matrix):
    """(3N, 3N) over nodes and components to (N, N, 6): the _BLOCKS per pair of nodes."""
    n = len(matrix) // 3
    blocks = matrix.reshape(n, 3, n, 3)
    return np.stack([blocks[:, i, :, j] for i, j in _BLOCKS], axis=-1)
