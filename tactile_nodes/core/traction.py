# SPDX-License-Identifier: Apache-2.0
"""Resultant of the traction on the skin from how the skin moved: a linear Gaussian inverse.

Unknown is the traction as a sum of hat functions on a coarse grid, zero outside the touched cells.
Inside it is a Gaussian Markov random field (H. Rue and L. Held, Gaussian Markov Random Fields,
2005), of either sign, with a standard deviation of half the elastic modulus: wider than what a
soft skin bears, so that the data decide whatever the data can tell. Measured rows are the motion
of the markers, with independent errors, and the steps of depth between neighbouring cells: depth
is integrated from slopes, so its errors are independent in slope, and its constant is unknown.

The posterior (A. Tarantola, Inverse Problem Theory, 2005, ch. 3) gives wrench and covariance. All
responses are computed once per elastomer and marker lattice; a frame costs one Cholesky
factorisation over the touched cells.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from scipy.linalg import cho_factor, cho_solve
from scipy.ndimage import map_coordinates

from tactile_nodes.core.layer import layer_compliance

_FINE = 8                # kernel samples per cell and direction
_PRIOR_SD = (0.25, 0.25, 0.5)     # of Young's modulus, per component
_PRIOR_LENGTH = 1.0      # of the layer's thickness
_MARGIN = 8              # thicknesses beyond the image until the kernels repeat


@dataclass(frozen=True, eq=False)
class Resultant:
    """Wrench of the traction and what its uncertainty is made of.

    Attributes
    ----------
    wrench : (6,) float64
        fx fy fz tx ty tz at the tip origin, N and N*m.
    noise : (6, 6) float64
        Covariance from the errors of the rows.
    prior : (6, 6) float64
        Covariance left by what the rows do not tell, the price of regularisation.
    misfit : float
        Mean square of what the posterior leaves unexplained over what the errors of the rows
        and the prior allow; 1 is right, far above 1 says that layer or errors are wrong.
    """

    wrench: np.ndarray
    noise: np.ndarray
    prior: np.ndarray
    misfit: float


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
        self._kernels, self._centre = _kernels(elastomer, size, self._pitch)
        self._to_wrench = _resultant_matrix(self.nodes, self._pitch.prod())
        self._prior = self._prior_precision(elastomer)
        self._depth_response = self._cell_response()                       # (N, 3N)
        steps = self._steps(self._depth_response)
        self._depth_information = steps.T @ steps
        self.set_markers(np.zeros((0, 2)))

    def set_markers(self, rest):
        """Take the markers' positions without load, (M, 2) x, y in m."""
        x, y = ((rest[:, None, i] - self.nodes[:, i]) / self._pitch[i] * _FINE
                + self._centre[i] for i in (0, 1))
        rows = [[map_coordinates(self._kernels[i][j], [y, x], order=3) for j in range(3)]
                for i in range(2)]
        self._marker_response = np.block(rows)                             # (2M, 3N)
        self._marker_information = self._marker_response.T @ self._marker_response

    def support(self, mask):
        """Cells that may bear traction: those that the mask touches and their neighbours.

        Parameters
        ----------
        mask : (h, w) bool on the work grid

        Returns
        -------
        (N,) bool
        """
        cover = cv2.resize(mask.astype(np.float32), self.shape[::-1],
                           interpolation=cv2.INTER_AREA)
        touched = (cover > 0).astype(np.uint8)
        return cv2.dilate(touched, np.ones((3, 3), np.uint8)).ravel() > 0

    def depth_steps(self, depth):
        """Steps of the cells' mean depth to the right and downwards, NaN where not measured.

        Parameters
        ----------
        depth : (h, w) float32 on the work grid, m

        Returns
        -------
        (S,) float64, m
        """
        cells = cv2.resize(depth, self.shape[::-1], interpolation=cv2.INTER_AREA)
        return self._steps(cells.reshape(-1, 1).astype(np.float64))[:, 0]

    def solve(self, support, steps, step_sd, displacement, marker_sd):
        """Posterior of the resultant.

        Parameters
        ----------
        support : (N,) bool
        steps : (S,) float64
            From `depth_steps`.
        step_sd : float
            Standard deviation of a step, m.
        displacement : (M, 2) float
            Of the markers, m, NaN where lost.
        marker_sd : float
            Standard deviation of each component, m.

        Returns
        -------
        Resultant
        """
        n, cells = len(support), np.flatnonzero(support)
        active = np.concatenate([cells, cells + n, cells + 2 * n])
        block = np.ix_(active, active)
        precision = np.zeros((len(active), len(active)))
        for i in range(3):
            part = slice(i * len(cells), (i + 1) * len(cells))
            precision[part, part] = self._prior[i][np.ix_(cells, cells)]
        information = np.zeros_like(precision)
        data = np.zeros(len(active))
        square, count = 0.0, 0
        motion = displacement.T.ravel().astype(np.float64)
        for measured, sd, response, full in (
                (motion, marker_sd, self._marker_response, self._marker_information),
                (-steps, step_sd, None, self._depth_information)):
            known = np.isfinite(measured)
            if not known.any():
                continue
            values = np.where(known, measured, 0)
            lost = np.flatnonzero(~known)
            if response is None:
                data += self._depth_response.T[active] @ self._steps_adjoint(values) / sd**2
                rows = self._steps(self._depth_response[:, active])[lost] if len(lost) else None
            else:
                data += response.T[active] @ values / sd**2
                rows = response[np.ix_(lost, active)]
            information += full[block] / sd**2
            if len(lost):
                information -= rows.T @ rows / sd**2
            square += values @ values / sd**2
            count += known.sum()
        to_wrench = self._to_wrench[:, active]
        factor = cho_factor(information + precision, lower=True, check_finite=False)
        solution = cho_solve(factor, np.column_stack([data, to_wrench.T]), check_finite=False)
        traction, gain = solution[:, 0], solution[:, 1:]
        return Resultant(to_wrench @ traction, gain.T @ information @ gain,
                         gain.T @ precision @ gain,
                         (square - data @ traction) / count if count else 1.0)

    def _steps(self, columns):
        """Differences between neighbouring cells, (N, K) to (S, K)."""
        grid = columns.reshape(*self.shape, -1)
        return np.concatenate([np.diff(grid, axis=1).reshape(-1, grid.shape[2]),
                               np.diff(grid, axis=0).reshape(-1, grid.shape[2])])

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

    def _cell_response(self):
        """Mean u_z of every cell per traction of every node, (N, 3N)."""
        row, column = np.divmod(np.arange(len(self.nodes)), self.shape[1])
        y = self._centre[1] + _FINE * (row[:, None] - row)
        x = self._centre[0] + _FINE * (column[:, None] - column)
        return np.concatenate([kernel[y, x] for kernel in self._kernels[2]], axis=1)

    def _prior_precision(self, elastomer):
        """Precision of the traction on all nodes per component, (3, N, N).

        Its rows and columns of some nodes are the precision given that all others are zero.
        """
        def minus_second_difference(n, pitch):
            return (2 * np.eye(n) - np.eye(n, k=1) - np.eye(n, k=-1)) / pitch**2

        ny, nx = self.shape
        root = (np.eye(nx * ny) / (_PRIOR_LENGTH * elastomer.thickness)**2
                + np.kron(np.eye(ny), minus_second_difference(nx, self._pitch[0]))
                + np.kron(minus_second_difference(ny, self._pitch[1]), np.eye(nx)))
        field = root @ root
        middle = (ny // 2) * nx + nx // 2
        variance = np.linalg.solve(field, np.eye(nx * ny)[middle])[middle]
        sd = np.array(_PRIOR_SD) * elastomer.youngs_modulus
        return field * variance / np.square(sd)[:, None, None]


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
    kx, ky = np.meshgrid(2 * np.pi * np.fft.fftfreq(nx, step[0]),
                         2 * np.pi * np.fft.fftfreq(ny, step[1]))
    compliance = layer_compliance(kx, ky, elastomer)
    # a box of one cell in the wavevector domain; a hat is a box twice, times its height
    box = np.sinc(kx * pitch[0] / (2 * np.pi)) * np.sinc(ky * pitch[1] / (2 * np.pi))
    shape = (box**2, box**2, box**3)
    scale = _FINE**2         # hat area over sample area
    kernels = [[np.fft.fftshift(np.fft.ifft2(compliance[..., i, j] * shape[i]).real) * scale
                for j in range(3)] for i in range(3)]
    return kernels, np.array([nx // 2, ny // 2])


def _resultant_matrix(nodes, area):
    """Wrench at the tip origin per traction of every node, (6, 3N)."""
    x, y = nodes.T * area
    one, zero = np.full(len(nodes), area), np.zeros(len(nodes))
    return np.stack([np.concatenate(row) for row in (
        (one, zero, zero), (zero, one, zero), (zero, zero, one),
        (zero, zero, y), (zero, zero, -x), (-y, x, zero))])
