# SPDX-License-Identifier: Apache-2.0
"""The elastic layer: a slab bonded to a rigid camera window, loaded on its free outer skin.

In the wavevector domain the skin's displacement is a 3x3 matrix times the traction, one matrix
per wavevector. The matrix is solved from Navier's equations with the Papkovich-Neuber
representation, u = 0 on the window (K. L. Johnson, Contact Mechanics, 1985, ch. 5.8 treats the
same layer; a thick layer gives the half-space, ch. 3).
"""

import numpy as np
from scipy.integrate import trapezoid

from tactile_nodes.errors import DataError


def gent_modulus(shore_a):
    """Young's modulus in Pa from Shore A hardness (A. N. Gent, Rubber Chem. Technol. 31, 1958)."""
    if not 0 < shore_a < 100:
        raise DataError('out of range', where='Shore A hardness', found=shore_a,
                        expected='above 0, below 100')
    return 1e6 * 0.0981 * (56 + 7.62336 * shore_a) / (0.137505 * (254 - 2.54 * shore_a))


def _plane_compliance(k, thickness, shear_modulus, nu):
    """Compliance along and across the skin for wavenumbers k > 0.

    Returns (K, 2, 2) M with (U, W) = M (tau, sigma), where u_l = iU, t_l = i tau along the
    wavevector and u_z = W, t_z = sigma.
    """
    s = k * thickness
    kappa = 3 - 4 * nu
    lam = 2 * shear_modulus * nu / (1 - 2 * nu)
    e = np.exp(-s)            # growing solutions are scaled by exp(-kh), so nothing overflows

    def state(t, up, down):
        """U, W and their derivatives by kz of the four solutions at kz = t, as (K, 4) arrays."""
        u = np.stack([up, down, t * up, t * down], -1)
        w = np.stack([up, -down, (t - kappa) * up, (-t - kappa) * down], -1)
        du = np.stack([up, -down, (1 + t) * up, (1 - t) * down], -1)
        dw = np.stack([up, down, (1 + t - kappa) * up, (-1 + t + kappa) * down], -1)
        return u, w, du, dw

    zero, one = np.zeros_like(s), np.ones_like(s)
    u0, w0, _, _ = state(zero, e, one)
    u, w, du, dw = state(s, one, e)
    k_ = k[:, None]
    shear = shear_modulus * k_ * (du + w)
    normal = k_ * (lam * (dw - u) + 2 * shear_modulus * dw)
    system = np.stack([u0, w0, shear / shear_modulus, normal / shear_modulus], axis=1)
    load = np.zeros((len(k), 4, 2))
    load[:, 2, 0] = load[:, 3, 1] = 1 / shear_modulus
    solution = np.linalg.solve(system, load)
    return np.stack([u[:, None] @ solution, w[:, None] @ solution], axis=1)[:, :, 0, :]


def layer_compliance(kx, ky, elastomer):
    """Displacement of the skin per traction, for each wavevector.

    Parameters
    ----------
    kx, ky : array_like, broadcastable, rad/m
    elastomer : Elastomer

    Returns
    -------
    (..., 3, 3) complex128, m/Pa
        u(k) = C(k) t(k) for fields exp(i k.x); axes x, y, z of the fingertip frame (z outward:
        pressure is t_z < 0, indentation u_z < 0). Hermitian, positive definite.
    """
    kx, ky = np.broadcast_arrays(np.asarray(kx, float), np.asarray(ky, float))
    k = np.hypot(kx, ky)
    g, nu, h = elastomer.shear_modulus, elastomer.poissons_ratio, elastomer.thickness
    moving, inverse = np.unique(k.ravel(), return_inverse=True)
    at_rest = moving == 0
    m = np.zeros((len(moving), 2, 2))
    across = np.zeros(len(moving))
    # uniform load: simple shear, and compression with no way out sideways
    m[at_rest] = np.diag([h / g, h * (1 - 2 * nu) / (2 * g * (1 - nu))])
    across[at_rest] = h / g
    ks = moving[~at_rest]
    m[~at_rest] = _plane_compliance(ks, h, g, nu)
    across[~at_rest] = np.tanh(ks * h) / (g * ks)
    m = m[inverse].reshape(*k.shape, 2, 2)
    across = across[inverse].reshape(k.shape)
    safe = np.where(k > 0, k, 1)
    lx, ly = np.where(k > 0, kx / safe, 1.0), np.where(k > 0, ky / safe, 0.0)
    c = np.zeros((*k.shape, 3, 3), complex)
    along = m[..., 0, 0]
    c[..., 0, 0] = along * lx * lx + across * ly * ly
    c[..., 1, 1] = along * ly * ly + across * lx * lx
    c[..., 0, 1] = c[..., 1, 0] = (along - across) * lx * ly
    c[..., 2, 2] = m[..., 1, 1]
    coupling = 1j * m[..., 0, 1]
    c[..., 0, 2], c[..., 1, 2] = coupling * lx, coupling * ly
    c[..., 2, 0], c[..., 2, 1] = -coupling * lx, -coupling * ly
    return c


class PunchStiffness:
    """Force per way of a stuck circle of the skin that is moved along the skin.

    The traction under it is taken as that under a flat punch on a half-space, proportional to
    1 / sqrt(c^2 - r^2); the way is the mean weighted with it, right to second order in the error
    of the traction. On a thick layer it is 8 G c / (2 - nu) (K. L. Johnson, Contact Mechanics,
    1985, ch. 3.7); a layer much thinner than the circle is wide is out of range.

    Parameters
    ----------
    elastomer : Elastomer
    """

    _RATIOS = np.geomspace(0.01, 3, 50)                # of radius to thickness

    def __init__(self, elastomer):
        h = elastomer.thickness
        self._radii = self._RATIOS * h
        k = np.geomspace(1e-3, 1e3, 4000) / h
        c = layer_compliance(k, 0.0, elastomer).real
        mean = (c[:, 0, 0] + c[:, 1, 1]) / 2           # of all directions
        # the transform of that traction is sin(k c) / (k c)
        weight = np.sinc(np.outer(self._radii, k) / np.pi)**2
        self._stiffness = 2 * np.pi / trapezoid(weight * mean * k**2, np.log(k))

    def __call__(self, radius):
        """Stiffness, N/m, of a circle of `radius`, m."""
        return float(np.interp(radius, self._radii, self._stiffness))
