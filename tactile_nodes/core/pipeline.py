# SPDX-License-Identifier: Apache-2.0
"""Start reading here: one fingertip's processing, from image to wrench, in the order of the data.

image -> markers (displacement) -> contact (mask, centroid, depth)
                                     -> force (wrench, standard deviation, stick ratio, slipping)

Each stage is a module of this folder and can run in a process of its own; the numbers are the
same, because everything that goes from stage to stage here also fits through a topic unchanged.
"""

from tactile_nodes.core.contact import ContactStage
from tactile_nodes.core.force import ForceModel, ForceStage
from tactile_nodes.core.markers import FlowStage


class FingerPipeline:
    """Contact, marker motion and force of one fingertip, frame by frame.

    Parameters
    ----------
    geometry : ImageGeometry
    elastomer : Elastomer
    shading : ShadingModel, optional
        Without one, nothing is known of depth.
    force_model : ForceModel
    """

    def __init__(self, geometry, elastomer, shading=None, force_model=ForceModel()):  # noqa: B008
        self._contact = ContactStage(geometry, elastomer, shading)
        self._flow = FlowStage(geometry, elastomer)
        self._force = ForceStage(geometry, elastomer, force_model)

    def set_reference(self, reference):
        """Compare with this no-contact `Reference` from now on."""
        self._contact.set_reference(reference)
        self._flow.set_reference(reference)

    def process(self, image, stamp_ns):
        """Work through one frame.

        Parameters
        ----------
        image : (H, W, 3) uint8
            Blue, green, red.
        stamp_ns : int
            When it was exposed.

        Returns
        -------
        Contact, MarkerField, ForceEstimate

        Raises
        ------
        DataError
            For an image of another size or type, or before there is a reference.
        """
        markers = self._flow.process(image)
        contact = self._contact.process(image, markers)
        return contact, markers, self._force.process(contact, markers, stamp_ns)
