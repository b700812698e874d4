# SPDX-License-Identifier: Apache-2.0
"""Linear least squares with covariance: the one fit that every part of a calibration goes through.

As JCGM 100:2008 (GUM), H.3 does it for a straight line: coefficients, their covariance, and the
standard deviation about the fit. Solved by QR of the scaled design, so that a badly scaled one
keeps its digits.
"""

from dataclasses import dataclass

import numpy as np
from scipy import linalg

from tactile_nodes.errors import DataError


@dataclass(frozen=True, eq=False)
class LinearFit:
    """What was fitted.

    Attributes
    ----------
    coefficients : (F,) float64
    covariance : (F, F) float64
    residual_sd : float
        Root of the squared residuals over the degrees of freedom.
    freedom : float
        Rows less (effective) coefficients.
    """

    coefficients: np.ndarray
    covariance: np.ndarray
    residual_sd: float
    freedom: float

    def predict(self, design):
        """Values (n,) for rows (n, F) and their standard uncertainties (n,)."""
        design = np.atleast_2d(design)
        return design @ self.coefficients, np.sqrt(
            np.einsum('ij,jk,ik->i', design, self.covariance, design))


def fit_linear(design, target, shrink=None):
    """Fit `target` = `design` @ coefficients.

    Parameters
    ----------
    design : (n, F) array_like
    target : (n,) array_like
    shrink : (F,) array_like, optional
        Prior precision of each coefficient in units of the inverse variance of a row (ridge;
        A. E. Hoerl and R. W. Kennard, Technometrics 12 (1970) 55); 0 leaves it free.

    Returns
    -------
    LinearFit

    Raises
    ------
    DataError
        Fewer rows than free coefficients, values that are not finite, or columns that depend on
        one another.
    """
    design, target = np.asarray(design, float), np.asarray(target, float)
    rows, columns = design.shape
    shrink = np.zeros(columns) if shrink is None else np.asarray(shrink, float)
    if not (np.isfinite(design).all() and np.isfinite(target).all()):
        raise DataError('values that are not finite', where='least squares')
    stacked = np.vstack([design, np.diag(np.sqrt(shrink))[shrink > 0]])
    scale = np.sqrt(np.square(stacked).sum(axis=0))
    if len(stacked) <= columns or not scale.all():
        raise DataError('too few rows for the coefficients', where='least squares', found=rows,
                        expected=f'more than {np.count_nonzero(shrink == 0)}')
    q, r = linalg.qr(stacked / scale, mode='economic')
    if np.abs(r.diagonal()).min() < 1e-12:
        raise DataError('columns that depend on one another', where='least squares')
    inverse = linalg.solve_triangular(r, np.eye(columns)) / scale[:, None]
    coefficients = inverse @ (q[:rows].T @ target)
    residuals = target - design @ coefficients
    freedom = rows - np.square(q[:rows]).sum()      # the trace of the hat matrix
    if freedom <= 0:
        raise DataError('no degrees of freedom left', where='least squares', found=rows,
                        expected=f'more than {columns} rows')
    variance = residuals @ residuals / freedom
    return LinearFit(coefficients, variance * inverse @ inverse.T, float(np.sqrt(variance)),
                     float(freedom))
