# SPDX-License-Identifier: Apache-2.0
"""Compliance of a bonded elastic layer: finite elements through the thickness per wavenumber.

For a surface traction that varies as one plane wave, the displacement is the same wave times
functions of depth. Those are found by Galerkin's method with cubic elements, so nothing here
shares a closed formula with the code under test. Source: weak form of linear elasticity, e.g.
T. J. R. Hughes, The Finite Element Method (1987), ch. 2.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.interpolate import CubicSpline

_NODES = np.array([-1, -1 / 3, 1 / 3, 1])


def _cubic_shapes(s):
    """Values and derivatives (len(s), 4) of the cubic Lagrange polynomials on [-1, 1]."""
    coefficients = np.linalg.inv(np.vander(_NODES, 4, increasing=True))
    values = np.vander(s, 4, increasing=True) @ coefficients
    powers = np.stack([np.zeros_like(s), np.ones_like(s), 2 * s, 3 * s ** 2], axis=1)
    return values, powers @ coefficients


def _mesh(depth, elements=20, ratio=1.25):
    """Corners of elements from the surface (0) down to `depth`, finer at the surface."""
    sizes = ratio ** np.arange(elements)
    return np.concatenate([[0], np.cumsum(sizes)]) * depth / sizes.sum()


@dataclass(frozen=True)
class Layer:
    """A flat elastic layer, bonded to a rigid window below, free above.

    Attributes
    ----------
    thickness : float
        m.
    modulus : float
        Young's modulus, Pa.
    poisson : float
    """

    thickness: float
    modulus: float
    poisson: float

    @property
    def shear_modulus(self):
        return self.modulus / (2 * (1 + self.poisson))

    @property
    def lame(self):
        return self.modulus * self.poisson / ((1 + self.poisson) * (1 - 2 * self.poisson))

    def compliance(self, k):
        """Surface displacement per unit traction for one wavenumber.

        Parameters
        ----------
        k : float
            Wavenumber, rad/m, above 0.

        Returns
        -------
        tuple of float
            Along the wave per traction along it, the coupling of along and out of the surface,
            out of the surface, and across the wave; m/Pa. With traction (T cos kx, 0, P sin kx)
            the surface moves by ((a T + b P) cos kx, 0, (b T + c P) sin kx).
        """
        corners = _mesh(min(self.thickness, 30 / k))
        points, weights = np.polynomial.legendre.leggauss(5)
        values, slopes = _cubic_shapes(points)
        count = 3 * (len(corners) - 1) + 1
        plane, across = np.zeros((2, count, 2, count)), np.zeros((count, count))
        mu, lam = self.shear_modulus, self.lame
        for e in range(len(corners) - 1):
            size = corners[e + 1] - corners[e]
            w = weights * size / 2
            # Depth runs down and z up, hence the minus.
            d = -slopes * 2 / size
            nn, dd = (values.T * w) @ values, (d.T * w) @ d
            dn = (d.T * w) @ values
            i = slice(3 * e, 3 * e + 4)
            plane[0, i, 0, i] += (lam + 2 * mu) * k * k * nn + mu * dd
            plane[1, i, 1, i] += (lam + 2 * mu) * dd + mu * k * k * nn
            plane[0, i, 1, i] += -lam * k * dn.T + mu * k * dn
            plane[1, i, 0, i] += -lam * k * dn + mu * k * dn.T
            across[i, i] += mu * (dd + k * k * nn)
        free = count - 1          # the lowest node is bonded
        stiffness = plane[:, :free, :, :free].reshape(2 * free, 2 * free)
        loads = np.zeros((2 * free, 2))
        loads[0, 0] = loads[free, 1] = 1
        moved = np.linalg.solve(stiffness, loads)
        sideways = np.linalg.solve(across[:free, :free], np.eye(free)[:, 0])
        return moved[0, 0], moved[0, 1], moved[free, 1], sideways[0]

    @lru_cache(maxsize=8)          # noqa: B019 - a layer is a small value and lives on
    def _table(self):
        kh = np.geomspace(0.01, 2000, 160)
        rows = np.array([self.compliance(x / self.thickness) for x in kh])
        # Times k h the entries are smooth and bounded for short waves.
        return CubicSpline(np.log(kh), rows * kh[:, None])

    def compliances(self, k):
        """The four entries of `compliance` for an array of wavenumbers, k = 0 included.

        Returns
        -------
        ndarray
            (4, ...) m/Pa.
        """
        kh = np.asarray(k, dtype=float) * self.thickness
        safe = np.maximum(kh, 0.01)
        found = np.moveaxis(self._table()(np.log(safe)) / safe[..., None], -1, 0).copy()
        still = kh < 0.01
        found[0][still] = found[3][still] = self.thickness / self.shear_modulus
        found[1][still] = 0
        found[2][still] = self.thickness / (self.lame + 2 * self.shear_modulus)
        return found
