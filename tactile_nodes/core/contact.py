# SPDX-License-Identifier: Apache-2.0
"""Contact from an image: mask, area, centroid and depth (being built: finds nothing yet)."""

import numpy as np

from tactile_nodes.core.geometry import check_image
from tactile_nodes.core.types import Contact
from tactile_nodes.errors import DataError


class ContactStage:
    """Find where the skin is touched and how deep.

    Parameters
    ----------
    geometry : ImageGeometry
    elastomer : Elastomer
    shading : ShadingModel, optional
        Without it the mask comes from the change of colour alone and depth is NaN.
    """

    def __init__(self, geometry, elastomer, shading=None):
        self._geometry, self._elastomer, self._shading = geometry, elastomer, shading
        self._reference = None

    def set_reference(self, reference):
        """Take the no-contact Reference that images are compared with from now on."""
        if reference.mean_q8.shape[:2] != self._geometry.shape:
            raise DataError('wrong reference', where='contact',
                            found=reference.mean_q8.shape[:2], expected=self._geometry.shape)
        self._reference = reference

    def process(self, image):
        """Compare an image (H, W, 3) uint8 with the reference.

        Returns
        -------
        Contact
        """
        check_image(image, self._geometry)
        if self._reference is None:
            raise DataError('no reference yet', where='contact',
                            fix='Call set_reference first.')
        shape = self._geometry.work.shape
        depth = np.full(shape, np.nan if self._shading is None else 0, np.float32)
        return Contact(np.zeros(shape, bool), depth, 0.0, np.full(2, np.nan), np.nan, np.ones(3))
