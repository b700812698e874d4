# SPDX-License-Identifier: Apache-2.0
"""Image scale: given, from the printed marker lattice, or from a reference contact point."""

import numpy as np

from tactile_nodes.calibration.least_squares import fit_linear
from tactile_nodes.calibration.session import Part
from tactile_nodes.core.geometry import USUAL_WIDTH
from tactile_nodes.core.marker_detection import find_markers, log_brightness
from tactile_nodes.errors import DataError

_TRIED = (1.0, 0.6, 1.6)       # times that; each finds what is a third off
_LEAST_POINTS = 20
_LEAST_SPREAD = 2e-3           # m, standard deviation of the contact points


def find_scale(reference, elastomer, *, given=None, points=None):
    """Metres per pixel from the best evidence there is.

    Parameters
    ----------
    reference : Reference
        Of the untouched skin.
    elastomer : Elastomer
    given : float, optional
        Known scale, which counts before everything else.
    points : ((n, 2) float64, (n, 2) float64), optional
        Reference contact points x, y in m, and where the images show the contact, x, y in px.

    Returns
    -------
    float, Part

    Raises
    ------
    DataError
        No evidence.
    """
    if given:
        return given, Part('scale', True, f'{given * 1e6:.2f} um/px (given)')
    if elastomer.kind.has_markers:
        lattice = _lattice(reference, elastomer)
        scale = elastomer.marker_pitch / lattice.pitch
        return scale, Part('scale', True, f'{scale * 1e6:.2f} um/px (from the markers, '
                                          f'{len(lattice.ids)} found)')
    if points is not None and len(points[0]) >= _LEAST_POINTS \
            and points[0].std(axis=0).max() > _LEAST_SPREAD:
        scale, sd = _from_points(*points)
        return scale, Part('scale', True, f'{scale * 1e6:.2f} +- {sd * 1e6:.2f} um/px (from '
                                          f'{len(points[0])} reference contact points)')
    raise DataError('the image scale cannot be measured', where=f'elastomer {elastomer.name}',
                    found='no markers and '
                          + ('no' if points is None else 'too few or too close')
                          + ' reference contact points',
                    fix='Give it with --mm-per-px, or record a contact point '
                        '(geometry_msgs/PointStamped, presses all over the image).')


def _lattice(reference, elastomer):
    failure = None
    for factor in _TRIED:
        guess = factor * USUAL_WIDTH / reference.mean_q8.shape[1]
        try:
            return find_markers(log_brightness(reference.mean), elastomer.marker_pitch / guess,
                                elastomer.marker_diameter / guess)
        except DataError as error:
            failure = failure or error
    raise failure


def _from_points(points, pixels):
    """Scale and its standard uncertainty; shift and turn are free, outliers are left out."""
    keep = np.ones(len(points), bool)
    for _ in range(3):
        x, y = pixels[keep].T
        one, zero = np.ones(len(x)), np.zeros(len(x))
        design = np.concatenate([np.stack([x, -y, one, zero], 1), np.stack([y, x, zero, one], 1)])
        fit = fit_linear(design, points[keep].T.ravel())
        a, b, *shift = fit.coefficients
        turned = pixels @ np.array([[a, b], [-b, a]]) + shift
        miss = np.hypot(*(turned - points).T)
        keep = miss < 3 * np.median(miss[keep]) + 1e-9
    return float(np.hypot(a, b)), float(np.sqrt(fit.covariance[0, 0]))
