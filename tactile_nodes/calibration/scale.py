# SPDX-License-Identifier: Apache-2.0
"""Image scale from the printed marker lattice."""

from tactile_nodes.core.marker_detection import find_markers, log_brightness
from tactile_nodes.errors import DataError

_USUAL_WIDTH = 19.2e-3         # m of skin across the image; a third off is still found


def scale_from_markers(reference, elastomer):
    """Metres per pixel, from the lattice's pitch in the picture and in the elastomer file.

    Parameters
    ----------
    reference : Reference
        Of the untouched skin.
    elastomer : Elastomer

    Returns
    -------
    float

    Raises
    ------
    DataError
        No markers, or not that lattice.
    """
    if not elastomer.kind.has_markers:
        raise DataError('without markers the image scale cannot be measured',
                        where=f'elastomer {elastomer.name}', fix='Give it with --mm-per-px.')
    guess = _USUAL_WIDTH / reference.mean_q8.shape[1]
    lattice = find_markers(log_brightness(reference.mean), elastomer.marker_pitch / guess,
                           elastomer.marker_diameter / guess)
    return elastomer.marker_pitch / lattice.pitch
