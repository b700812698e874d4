# SPDX-License-Identifier: Apache-2.0
"""Shapes that are pressed into the skin: height above the lowest point, all lengths in metres."""

from dataclasses import dataclass

import numpy as np

_FAR = 5e-3          # height given to places that can never be touched


def _round_edge(inside, radius):
    """Height that an edge rounded with `radius` has `inside` it (negative: beyond the edge)."""
    over = np.clip(radius - inside, 0, None)
    with np.errstate(invalid='ignore'):
        arc = radius - np.sqrt(np.maximum(radius ** 2 - over ** 2, 0))
    return np.where(over < radius, arc, radius + (over - radius) * 20)


@dataclass(frozen=True)
class Ball:
    """A ball; `radius` in m."""

    radius: float
    name: str = 'ball'
    reach: float = 5.4e-3

    def __call__(self, x, y):
        r2 = x * x + y * y
        return np.where(r2 < self.radius ** 2,
                        self.radius - np.sqrt(np.maximum(self.radius ** 2 - r2, 0)), _FAR)


@dataclass(frozen=True)
class Cylinder:
    """A cylinder that lies along y, with rounded ends."""

    radius: float
    length: float = 7e-3
    name: str = 'cylinder'
    reach: float = 5.4e-3

    def __call__(self, x, y):
        across = np.where(np.abs(x) < self.radius,
                          self.radius - np.sqrt(np.maximum(self.radius ** 2 - x * x, 0)), _FAR)
        return across + _round_edge(self.length / 2 - np.abs(y), 5e-4)


@dataclass(frozen=True)
class Box:
    """A flat face with nearly sharp edges, hardly tilted."""

    width: float = 6e-3
    height: float = 4e-3
    tilt: tuple = (0.0, 0.0)
    edge: float = 1.5e-4
    name: str = 'box'
    reach: float = 5.4e-3
    radius: float = 0.0

    def __call__(self, x, y):
        rim = _round_edge(self.width / 2 - np.abs(x), self.edge) \
            + _round_edge(self.height / 2 - np.abs(y), self.edge)
        low = abs(self.tilt[0]) * self.width / 2 + abs(self.tilt[1]) * self.height / 2
        return rim + self.tilt[0] * x + self.tilt[1] * y + low


@dataclass(frozen=True)
class Ridges:
    """Parallel ridges along y with round crests, on a common body.

    Attributes
    ----------
    count : int
    spacing : float
        m, crest to crest.
    radius : float
        Of the crests, m.
    groove : float
        Depth between the ridges, m.
    length : float
        m.
    """

    count: int = 5
    spacing: float = 1.2e-3
    radius: float = 2.5e-4
    groove: float = 6e-4
    length: float = 6e-3
    name: str = 'grating'
    reach: float = 5.4e-3

    def __call__(self, x, y):
        first = -(self.count - 1) / 2
        number = np.clip(np.round(x / self.spacing - first), 0, self.count - 1) + first
        off = np.abs(x - number * self.spacing)
        crest = np.where(off < self.radius,
                         self.radius - np.sqrt(np.maximum(self.radius ** 2 - off ** 2, 0)),
                         self.radius + 3 * (off - self.radius))
        beyond = np.abs(x) - (self.count / 2) * self.spacing
        crest = np.minimum(crest, np.where(beyond > 0, _FAR, self.groove))
        return crest + _round_edge(self.length / 2 - np.abs(y), 3e-4)


@dataclass(frozen=True)
class Wedge:
    """An edge along y: two planes that meet in a rounded crest."""

    slope: float = 0.7
    radius: float = 3e-4
    length: float = 6e-3
    name: str = 'edge'
    reach: float = 5.4e-3

    def __call__(self, x, y):
        # A circle that the planes touch.
        s = self.slope / np.hypot(1, self.slope) * self.radius
        round_ = self.radius - np.sqrt(np.maximum(self.radius ** 2 - np.minimum(x * x, s * s), 0))
        plane = np.maximum(np.abs(x) - s, 0) * self.slope
        return round_ + plane + _round_edge(self.length / 2 - np.abs(y), 5e-4)
