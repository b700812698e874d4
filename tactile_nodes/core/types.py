# SPDX-License-Identifier: Apache-2.0
"""What the stages hand to each other; all SI, all in the fingertip frame unless said otherwise."""

from dataclasses import dataclass
from enum import Enum

import numpy as np

from tactile_nodes.errors import DataError

AXES = ('fx', 'fy', 'fz', 'tx', 'ty', 'tz')
"""Of a wrench, in this order everywhere."""


class ElastomerKind(str, Enum):
    """What the camera can see of the skin."""

    REFLECTIVE = 'reflective'
    REFLECTIVE_MARKERS = 'reflective_markers'
    CLEAR_MARKERS = 'clear_markers'

    @property
    def has_markers(self):
        """Whether printed marker dots move with the skin."""
        return self is not ElastomerKind.REFLECTIVE

    @property
    def has_shading(self):
        """Whether the skin's slope changes its colour."""
        return self is not ElastomerKind.CLEAR_MARKERS


@dataclass(frozen=True)
class Elastomer:
    """A bonded elastic layer with a free outer skin.

    Attributes
    ----------
    name : str
    kind : ElastomerKind
    thickness : float
        Layer thickness, m.
    youngs_modulus : float
        Pa.
    poissons_ratio : float
        Above 0 and at most 0.499 (the compliance of a strictly incompressible layer is singular).
    marker_pitch, marker_diameter : float or None
        Of the square marker lattice, m; None without markers.
    modulus_relative_sd : float
        Standard uncertainty of the modulus as a fraction of it.
    """

    name: str
    kind: ElastomerKind
    thickness: float
    youngs_modulus: float
    poissons_ratio: float
    marker_pitch: float | None = None
    marker_diameter: float | None = None
    modulus_relative_sd: float = 0.1

    def __post_init__(self):
        for key in ('thickness', 'youngs_modulus'):
            if not getattr(self, key) > 0:
                raise DataError('not a positive number', where=f'elastomer {self.name}: {key}',
                                found=getattr(self, key))
        if not 0 < self.poissons_ratio <= 0.499:
            raise DataError('out of range', where=f'elastomer {self.name}: poissons_ratio',
                            found=self.poissons_ratio, expected='above 0, at most 0.499')
        if self.kind.has_markers and not (self.marker_pitch and self.marker_diameter):
            raise DataError('marker pitch and diameter are missing',
                            where=f'elastomer {self.name}', expected='both, in metres')

    @property
    def shear_modulus(self):
        """G = E / (2 (1 + nu)), Pa."""
        return self.youngs_modulus / (2 * (1 + self.poissons_ratio))


@dataclass(frozen=True, eq=False)
class Truth:
    """What a virtual fingertip knows about a frame and a real one does not.

    Attributes
    ----------
    wrench : (6,) float64
        fx fy fz tx ty tz on the fingertip at the frame's origin, N and N*m.
    centroid : (3,) float64
        Pressure-weighted contact centroid x, y, where the skin is now, and the deepest
        indentation (positive inward), m; NaN without contact.
    stick_ratio : float
        Stuck share of the contact area; 1 without contact.
    slipping : bool
        Whether the whole contact slides.
    in_contact : bool
    """

    wrench: np.ndarray
    centroid: np.ndarray
    stick_ratio: float
    slipping: bool
    in_contact: bool


@dataclass(frozen=True, eq=False)
class Frame:
    """One picture of the skin from inside.

    Attributes
    ----------
    image : (H, W, 3) uint8
        Blue, green, red.
    stamp_ns : int
        When it was exposed, ROS time in ns.
    sequence : int
        The device's own count, so that a gap means lost frames.
    jpeg : bytes or None
        The camera's own compressed bytes where it sent such.
    truth : Truth or None
        Only from a virtual fingertip.
    """

    image: np.ndarray
    stamp_ns: int
    sequence: int
    jpeg: bytes | None = None
    truth: Truth | None = None


@dataclass(frozen=True, eq=False)
class Contact:
    """What the contact stage found, on the work grid (`ImageGeometry.work`).

    Attributes
    ----------
    mask : (h, w) bool
        True where the skin is touched.
    depth : (h, w) float32
        Indentation, m, positive inward; NaN where not measured.
    area : float
        m^2.
    centroid : (2,) float64
        x, y in m; NaN without contact.
    centroid_depth : float
        Depth of the imprint at the centroid, m; NaN without contact or where not measured.
    light_gain : (3,) float64
        Drift of the light against the reference per channel (b, g, r), 1 = none.
    """

    mask: np.ndarray
    depth: np.ndarray
    area: float
    centroid: np.ndarray
    centroid_depth: float
    light_gain: np.ndarray

    @property
    def in_contact(self):
        """Whether anything touches."""
        return self.area > 0


@dataclass(frozen=True, eq=False)
class MarkerField:
    """Marker dots and how far each moved since the reference.

    Attributes
    ----------
    ids : (N,) int32
        Stays with the marker for the life of a reference.
    rest : (N, 2) float32
        x, y where the marker is without load, m.
    displacement : (N, 2) float32
        dx, dy, m; NaN for a marker that is lost at the moment.
    """

    ids: np.ndarray
    rest: np.ndarray
    displacement: np.ndarray

    @property
    def valid(self):
        """(N,) bool, False for lost markers."""
        return np.isfinite(self.displacement[:, 0])

    def mean_motion(self, mask, work):
        """Mean motion of the markers that are now within a mask, (2,) float64 m; 0 without any.

        Parameters
        ----------
        mask : (h, w) bool
        work : ImageGeometry
            The grid of the mask.
        """
        known = self.valid
        motion = self.displacement[known]
        row, column = np.rint(work.to_pixel(self.rest[known] + motion)).astype(int).T
        inside = (row >= 0) & (row < mask.shape[0]) & (column >= 0) & (column < mask.shape[1])
        inside[inside] = mask[row[inside], column[inside]]
        return inside @ motion.astype(np.float64) / max(1, np.count_nonzero(inside))

    @classmethod
    def empty(cls):
        """No markers: what an unmarked elastomer gives."""
        return cls(np.zeros(0, np.int32), np.zeros((0, 2), np.float32),
                   np.zeros((0, 2), np.float32))


@dataclass(frozen=True, eq=False)
class ForceEstimate:
    """Wrench on the fingertip at the frame's origin, with its uncertainty.

    Attributes
    ----------
    wrench : (6,) float64
        fx fy fz tx ty tz, N and N*m; 0 on an axis that is not measured.
    sd : (6,) float64
        Standard deviation; inf on an axis that is not measured.
    stick_ratio : float
        Stuck share of the contact, 0 to 1; 1 without contact, 0 while the whole contact slides.
    slipping : bool
        Whether the whole contact slides, or will within about 0.1 s if the motion goes on.
    """

    wrench: np.ndarray
    sd: np.ndarray
    stick_ratio: float
    slipping: bool
