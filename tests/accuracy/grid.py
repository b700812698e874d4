# SPDX-License-Identifier: Apache-2.0
"""The skin as a periodic grid, and its displacement under traction by Fourier transforms."""

from functools import cached_property

import numpy as np
from scipy import fft


class SkinGrid:
    """Square cells in the plane of the skin, periodic beyond a wide margin.

    Parameters
    ----------
    layer : tests.accuracy.elastic.Layer
    pitch : float
        Cell size, m.
    shape : tuple of int
        Rows (along y) and columns (along x), both even.
    """

    def __init__(self, layer, pitch=1.2e-4, shape=(240, 300)):
        self.layer, self.pitch, self.shape = layer, pitch, shape
        self.y = (np.arange(shape[0]) - shape[0] // 2) * pitch
        self.x = (np.arange(shape[1]) - shape[1] // 2) * pitch
        self._boxes = {}

    @cached_property
    def response(self):
        """Displacement per traction for each wave: dict of (rows, columns // 2 + 1) arrays."""
        ky = 2 * np.pi * fft.fftfreq(self.shape[0], self.pitch)[:, None]
        kx = 2 * np.pi * fft.rfftfreq(self.shape[1], self.pitch)[None, :]
        k = np.hypot(kx, ky)
        along, coupling, out, across = self.layer.compliances(k)
        c, s = kx / np.maximum(k, 1e-9), ky / np.maximum(k, 1e-9)
        c[0, 0] = 1          # a uniform traction has no direction of its own, but it does move
        # The highest frequencies stand for both signs: an odd response has no value there.
        odd = np.ones(k.shape)
        odd[self.shape[0] // 2] = 0
        odd[:, -1] = 0
        return {'xx': c * c * along + s * s * across, 'yy': s * s * along + c * c * across,
                'xy': c * s * (along - across) * odd, 'zz': out,
                'xz': 1j * coupling * c * odd, 'yz': 1j * coupling * s * odd}

    def displacement(self, traction):
        """(3, rows, columns) displacement of the skin in m for such a traction in Pa."""
        tx, ty, tz = fft.rfft2(traction)
        r = self.response
        # The response to z is that of x and y the other way round, complex conjugated.
        u = np.stack([r['xx'] * tx + r['xy'] * ty + r['xz'] * tz,
                      r['xy'] * tx + r['yy'] * ty + r['yz'] * tz,
                      -r['xz'] * tx - r['yz'] * ty + r['zz'] * tz])
        return fft.irfft2(u, s=self.shape)

    def box(self, rows, columns):
        """BoxResponse for a part of the skin of that many cells (cached)."""
        if (rows, columns) not in self._boxes:
            self._boxes[rows, columns] = BoxResponse(self, rows, columns)
        return self._boxes[rows, columns]


class BoxResponse:
    """Displacement inside a box of cells due to traction inside that box alone."""

    def __init__(self, grid, rows, columns):
        self.shape = rows, columns
        self._padded = tuple(fft.next_fast_len(2 * n - 1, real=True) for n in self.shape)
        self.kernel = {name: self._kernel(grid, response)
                       for name, response in grid.response.items()}

    def _kernel(self, grid, response):
        influence = fft.irfft2(response, s=grid.shape)
        kernel = np.zeros(self._padded, dtype=np.float32)
        rows, columns = (np.arange(-n + 1, n) for n in self.shape)
        kernel[np.ix_(rows, columns)] = influence[np.ix_(rows, columns)]
        return fft.rfft2(kernel)

    def transform(self, field):
        """Fourier transform of (..., rows, columns), padded with zeros."""
        padded = np.zeros((*field.shape[:-2], self._padded[0], self._padded[1]), np.float32)
        padded[..., :self.shape[0], :self.shape[1]] = field
        return fft.rfft2(padded)

    def back(self, transformed):
        """Inverse of `transform`, cut to the box."""
        return fft.irfft2(transformed, s=self._padded)[..., :self.shape[0], :self.shape[1]]

    def normal(self, pressure):
        """Downward displacement (rows, columns) under a pressure."""
        return self.back(self.kernel['zz'] * self.transform(pressure))

    def tangential(self, q):
        """Displacement (2, rows, columns) in the plane under a traction in the plane."""
        x, y = self.transform(q)
        k = self.kernel
        return self.back(np.stack([k['xx'] * x + k['xy'] * y, k['xy'] * x + k['yy'] * y]))

    def plane_under_pressure(self, pressure):
        """Displacement (2, rows, columns) in the plane under a pressure."""
        p = self.transform(pressure)
        return -self.back(np.stack([self.kernel['xz'] * p, self.kernel['yz'] * p]))

    def rise_under_shear(self, q):
        """Upward displacement (rows, columns) under a traction in the plane."""
        x, y = self.transform(q)
        return -self.back(self.kernel['xz'] * x + self.kernel['yz'] * y)
