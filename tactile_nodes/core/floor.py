# SPDX-License-Identifier: Apache-2.0
"""How deep the flat part of an imprint lies, by how dark it is.

A skin that is pressed in comes closer to the plane of the lamps, so that their light grazes it: by
the geometry of a lamp nearby, the logarithm of its light falls by about one over the lamp's height
per metre. That is far less exact than slopes are, but does not suffer from what is lost at steep
sides, over which the depth of the flat part is integrated.
"""

import math
from typing import NamedTuple

import cv2
import numpy as np

from tactile_nodes.core.depth import position_terms

_FLAT, _SLOPING = 0.15, 0.35   # slopes of the flat part, and of what is beside it
_BESIDE = np.ones((7, 7), np.uint8)        # cells; that near, light of both is mixed
_INNER = 0.5                   # of the deepest point: where the flat part is
_FEW = 30                      # cells
_MEDIAN_SD = 1.25              # of a median, times that of a mean, of normally distributed values
_LEAST_SIDES = 0.1             # of the depth, that must come from the sides
_LOST_SD, _MOST_LOST = 0.25, 1.2           # of the height of the sides: usual, and at most
_DARK = 0.05                   # of the light of flat skin


class Floor(NamedTuple):
    """Flat part of an imprint.

    Attributes
    ----------
    cells : (K,) int
    dark, dark_sd : float
        Fall of the logarithm of its light against the untouched skin, and what chance does to it.
    depth : float
        m.
    place : (3,) float64
        Mean of the first three `position_terms`.
    """

    cells: np.ndarray
    dark: float
    dark_sd: float
    depth: float
    place: np.ndarray


class FloorFinder:
    """Find the flat part of an imprint, and how much depth was lost over its sides.

    Parameters
    ----------
    shading : ShadingModel
        With a model for steep slopes.
    work : ImageGeometry
        Of the cells.

    Attributes
    ----------
    darkens : bool
        Whether it is known how light falls with depth.
    """

    def __init__(self, shading, work):
        self._steep, self._power = shading.steep, shading.steep.gamma / shading.gamma
        self._places = position_terms(work)[:3].reshape(3, -1)
        self.darkens = bool(shading.steep.darkening.any())

    def find(self, depth, steepness, bare, brightness):
        """Light and depth of the flat part.

        Parameters
        ----------
        depth, steepness : (h, w) float32
            m; and squared slope.
        bare : (h * w,) bool
            Where there is no print.
        brightness : (h, w) float32
            Reflectance ratio by the model for gentle slopes.

        Returns
        -------
        Floor or None
            None where there is too little of it.
        """
        slopes = cv2.dilate((steepness > _SLOPING**2).view(np.uint8), _BESIDE)
        cells = np.flatnonzero((steepness < _FLAT**2) & (slopes == 0)
                               & (depth > _INNER * depth.max()))
        cells = cells[bare[cells]]
        if len(cells) < _FEW:
            return None
        dark = -self._power * np.log(np.maximum(brightness.take(cells), _DARK))
        # what little slope there is takes light, too
        dark -= (1 - self._steep.ambient.mean()) / 2 * steepness.take(cells)
        middle = float(np.median(dark))
        scatter = 1.4826 * float(np.median(np.abs(dark - middle)))
        return Floor(cells, middle, _MEDIAN_SD * scatter / math.sqrt(len(cells)),
                     float(np.median(depth.take(cells))),
                     self._places.take(cells, axis=1).mean(axis=1))

    def lost(self, floor, height):
        """Part of the height of the sides that was lost, 0 to 1.2.

        What the light and what the height of the sides are worth decides between the two.

        Parameters
        ----------
        floor : Floor
        height : float
            What the sides add to its depth, m.

        Returns
        -------
        float32
        """
        darkening = float(self._steep.darkening @ floor.place)
        if darkening * self._steep.darkening[0] <= 0 or height <= _LEAST_SIDES * floor.depth:
            return np.float32(0)
        lost = (floor.dark / darkening - floor.depth) / height
        sd = math.hypot(floor.dark_sd, self._steep.darkening_sd) / abs(darkening) / height
        lost *= _LOST_SD**2 / (_LOST_SD**2 + sd**2)
        return np.float32(min(max(lost, 0), _MOST_LOST))
