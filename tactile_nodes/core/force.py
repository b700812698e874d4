# SPDX-License-Identifier: Apache-2.0
"""Force on the fingertip from how far the skin moved."""

from dataclasses import dataclass

import numpy as np

from tactile_nodes.core.types import ForceEstimate
from tactile_nodes.errors import DataError


@dataclass(frozen=True)
class ForceModel:
    """How the elastic layer's file values are corrected for this fingertip.

    Attributes
    ----------
    stiffness_scale : float
        Multiplies the elastomer's modulus; 1 without a calibration.
    relative_sd : float
        Standard uncertainty of the corrected modulus as a fraction of it.
    """

    stiffness_scale: float = 1.0
    relative_sd: float = 0.15

    def __post_init__(self):
        if not self.stiffness_scale > 0:
            raise DataError('not a positive number', where='stiffness_scale',
                            found=self.stiffness_scale)
        if not 0 <= self.relative_sd < 1:
            raise DataError('out of range', where='relative_sd', found=self.relative_sd,
                            expected='at least 0, below 1')


class ForceStage:
    """Wrench, its standard deviation and slip of one fingertip.

    Parameters
    ----------
    geometry : ImageGeometry
    elastomer : Elastomer
    model : ForceModel
    """

    def __init__(self, geometry, elastomer, model=ForceModel()):  # noqa: B008
        self._work = geometry.work
        self._elastomer = elastomer
        self._model = model

    def process(self, contact, markers, stamp_ns):
        """Estimate from one frame; see `ForceEstimate`. No axis is measured yet."""
        return ForceEstimate(np.zeros(6), np.full(6, np.inf), 1.0, False)
