# SPDX-License-Identifier: Apache-2.0
"""What a calibration says of force: the effective layer, and what it leaves to be corrected.

The layer's wrench is right as far as the layer is: linear, of even thickness, loaded on an
undeformed skin, on a sensor whose axes are the image's. What is left is corrected by a linear
regression on a few quantities that know the shape of the indenter through the mechanics only
(`feature_vector`), so that it holds for shapes that the calibration has not seen.
"""

from dataclasses import dataclass, replace

import numpy as np

from tactile_nodes.core.types import AXES
from tactile_nodes.errors import DataError

FEATURES = (*AXES, *(f'{axis} strain' for axis in AXES), 'fz x', 'fz y',
            'fz xx', 'fz yy', 'fx xx', 'fx yy', 'fy xx', 'fy yy')
# what an axis is corrected with besides the whole wrench: nothing of another symmetry, which would
# only fit the accidents of a session
OWN_FEATURES = {
    'fx': ('fx strain', 'fz x', 'fx xx', 'fx yy'),
    'fy': ('fy strain', 'fz y', 'fy xx', 'fy yy'),
    'fz': ('fz strain', 'fz xx', 'fz yy'),
    'tx': ('tx strain', 'fz y'), 'ty': ('ty strain', 'fz x'), 'tz': ('tz strain',)}
_FAR = 10e-3             # m; places are counted in it
_GROWTH = 10             # standard deviations doubled 10 % beyond the calibrated range; our choice


@dataclass(frozen=True, eq=False)
class Correction:
    """Regression on `feature_vector`, its uncertainty and the range in which it was found.

    Attributes
    ----------
    weights : (6, F) float64
        Per axis and feature, added to the layer's wrench, N and N*m.
    floor : (6,) float64
        Standard deviation of a wrench near 0, N and N*m.
    share_own : (6,) float64
        Standard deviation per load of the axis itself.
    share_layer : (6,) float64
        Standard deviation per that which the layer's estimate has by itself: it knows, frame by
        frame, what the image leaves open of this contact, whatever pressed.
    full_scale : (6,) float64
        Largest load of the calibration, N and N*m.
    """

    weights: np.ndarray
    floor: np.ndarray
    share_own: np.ndarray
    share_layer: np.ndarray
    full_scale: np.ndarray

    def __post_init__(self):
        for key in ('weights', 'floor', 'share_own', 'share_layer', 'full_scale'):
            shape = (6, len(FEATURES)) if key == 'weights' else (6,)
            value = np.asarray(getattr(self, key), dtype=np.float64)
            if value.shape != shape or not np.isfinite(value).all() \
                    or (key != 'weights' and value.min() < 0):
                raise DataError('wrong numbers', where=f'force correction: {key}',
                                found=value.shape, expected=f'{shape}, finite')
            object.__setattr__(self, key, value)
        if not self.full_scale.all():
            raise DataError('not positive', where='force correction: full_scale',
                            found=self.full_scale.tolist())

    def sd(self, wrench, layer_sd):
        """Standard deviations (..., 6) of wrenches (..., 6), grown outside the range.

        Outside that of the axis itself, and all of them outside that of fz: it strains the skin.
        `layer_sd` (..., 6) are those of the layer's estimate.
        """
        sd = np.sqrt(np.square(self.floor) + np.square(self.share_own * wrench)
                     + np.square(self.share_layer * layer_sd))
        beyond = np.abs(wrench) / self.full_scale - 1
        beyond = np.maximum(beyond, beyond[..., 2:3])
        return sd * (1 + _GROWTH * np.maximum(beyond, 0))


@dataclass(frozen=True, eq=False)
class ForceModel:
    """How the elastic layer's file values are corrected for this fingertip.

    Attributes
    ----------
    stiffness_scale : float
        Multiplies the elastomer's modulus; 1 without a calibration.
    relative_sd : float
        Standard uncertainty of the corrected modulus as a fraction of it; of an axis that the
        calibration has a `correction` for, that one counts instead.
    thickness_scale : float
        Multiplies the elastomer's thickness.
    poissons_ratio : float or None
        Effective one; None: the elastomer's.
    correction : Correction or None
    """

    stiffness_scale: float = 1.0
    relative_sd: float = 0.15
    thickness_scale: float = 1.0
    poissons_ratio: float | None = None
    correction: Correction | None = None

    def __post_init__(self):
        for key in ('stiffness_scale', 'thickness_scale'):
            if not getattr(self, key) > 0:
                raise DataError('not a positive number', where=key, found=getattr(self, key))
        if not 0 <= self.relative_sd < 1:
            raise DataError('out of range', where='relative_sd', found=self.relative_sd,
                            expected='at least 0, below 1')

    def layer(self, elastomer):
        """Elastomer with the effective values."""
        return replace(
            elastomer, youngs_modulus=self.stiffness_scale * elastomer.youngs_modulus,
            thickness=self.thickness_scale * elastomer.thickness,
            poissons_ratio=self.poissons_ratio or elastomer.poissons_ratio)

    def exceeded(self, wrench):
        """Which axes (6,) bool of a wrench lie outside the calibrated range; none without one."""
        if self.correction is None:
            return np.zeros(6, bool)
        return np.abs(wrench) > self.correction.full_scale


def feature_vector(wrench, layer, places, depths):
    """Quantities for the correction of a wrench; all are 0 where nothing touches.

    Parameters
    ----------
    wrench : (6,) float64
        Of the layer.
    layer : Elastomer
        Effective.
    places : (K, 2) float64
        x, y of the cells in contact, m.
    depths : (K,) float
        There, m; NaN where not measured.

    Returns
    -------
    (F,) float64
        FEATURES: the wrench; it times the mean strain of the layer; the force times the place of
        the contact in units of 10 mm.
    """
    if not len(places):
        return np.zeros(len(FEATURES))
    known = np.isfinite(depths)
    strain = float(depths[known].mean()) / layer.thickness if known.any() else 0.0
    # a product is many times as fast as `mean` over rows of two
    (x, y), (fx, fy, fz) = np.ones(len(places)) @ places / (len(places) * _FAR), wrench[:3]
    return np.array([*wrench, *(wrench * strain), fz * x, fz * y, fz * x * x, fz * y * y,
                     fx * x * x, fx * y * y, fy * x * x, fy * y * y])
