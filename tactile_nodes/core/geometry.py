# SPDX-License-Identifier: Apache-2.0
"""Pixels to the fingertip frame and back: the one place where axes and units change."""

from dataclasses import dataclass

import numpy as np

from tactile_nodes.errors import DataError

USUAL_WIDTH = 19.2e-3      # m of skin across the image
_WORK_WIDTH = 160
_MOST_DISTORTION = 0.2
_INVERSIONS = 4            # steps to undo distortion; each leaves a part of about 3 x it


@dataclass(frozen=True)
class ImageGeometry:
    """How an image of the skin maps to the fingertip frame.

    The frame's origin is where the image centre projects; x to the image's right, y to its
    bottom (REP 103, optical convention). Pixels are (row, column) with the centre of the first
    pixel at (0, 0).

    Attributes
    ----------
    height_px, width_px : int
    metres_per_px : float
        At the image's centre.
    distortion : float
        Of the lens, first radial term: a place is farther from the centre than its distance in
        the image says, by this share at the image's corner and with the square of the distance
        (D. C. Brown, Photogramm. Eng. 37 (1971) 855).
    """

    height_px: int
    width_px: int
    metres_per_px: float
    distortion: float = 0.0

    def __post_init__(self):
        if not self.metres_per_px > 0:
            raise DataError('not a positive number', where='metres_per_px',
                            found=self.metres_per_px)
        if min(self.height_px, self.width_px) < 16 or self.height_px % self.work_factor \
                or self.width_px % self.work_factor:
            raise DataError('unusable image size', found=f'{self.width_px}x{self.height_px}',
                            expected=f'at least 16x16, multiples of {self.work_factor}')
        if not abs(self.distortion) <= _MOST_DISTORTION:
            raise DataError('out of range', where='distortion', found=self.distortion,
                            expected=f'-{_MOST_DISTORTION:g} to {_MOST_DISTORTION:g}')

    @classmethod
    def usual(cls, height, width):
        """What is assumed of an image of this size, px, until there is a calibration."""
        return cls(height, width, USUAL_WIDTH / width)

    @property
    def shape(self):
        """(height, width) in pixels."""
        return self.height_px, self.width_px

    @property
    def pixel_area(self):
        """Skin area of one pixel, m^2."""
        return self.metres_per_px ** 2

    @property
    def work_factor(self):
        """Image pixels per side of a work-grid cell; the work grid is about 160 cells wide."""
        return max(1, self.width_px // _WORK_WIDTH)

    @property
    def work(self):
        """ImageGeometry of the work grid, on which contact and depth are computed."""
        f = self.work_factor
        return ImageGeometry(self.height_px // f, self.width_px // f, self.metres_per_px * f,
                             self.distortion)

    def to_tip(self, rowcol):
        """(N, 2) pixel positions (row, column) to (N, 2) x, y in m."""
        rowcol = np.asarray(rowcol, dtype=np.float64).reshape(-1, 2)
        centre = (np.array(self.shape) - 1) / 2
        return self.straightened((rowcol - centre)[:, ::-1] * self.metres_per_px)

    def to_pixel(self, xy):
        """(N, 2) x, y in m to (N, 2) pixel positions (row, column)."""
        xy = np.asarray(xy, dtype=np.float64).reshape(-1, 2)
        seen = xy
        for _ in range(_INVERSIONS if self.distortion else 0):
            seen = xy / self._stretch(seen)
        centre = (np.array(self.shape) - 1) / 2
        return seen[:, ::-1] / self.metres_per_px + centre

    def straightened(self, seen):
        """(..., 2) x, y in m as an undistorted image would show it, from x, y in this one."""
        return seen * self._stretch(seen) if self.distortion else seen

    def _stretch(self, seen):
        corner = self.metres_per_px * np.hypot(*self.shape) / 2
        return 1 + self.distortion * np.square(seen / corner).sum(axis=-1, keepdims=True)

    def axes(self):
        """x of the columns (W,) and y of the rows (H,), m."""
        return ((np.arange(self.width_px) - (self.width_px - 1) / 2) * self.metres_per_px,
                (np.arange(self.height_px) - (self.height_px - 1) / 2) * self.metres_per_px)


def check_image(image, geometry, where='image'):
    """Raise DataError unless `image` is (H, W, 3) uint8 of the geometry's size."""
    image = np.asarray(image)
    if image.dtype != np.uint8 or image.shape != (*geometry.shape, 3):
        raise DataError('wrong image', where=where, found=f'{image.shape} {image.dtype}',
                        expected=f'{(*geometry.shape, 3)} uint8 (blue, green, red)')
    return image
