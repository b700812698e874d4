# SPDX-License-Identifier: Apache-2.0
"""Image scale and lens distortion: from the printed marker lattice, or from reference points."""

import numpy as np

from tactile_nodes.calibration.least_squares import fit_linear
from tactile_nodes.calibration.session import Part
from tactile_nodes.core.geometry import USUAL_WIDTH, ImageGeometry
from tactile_nodes.core.marker_detection import find_markers, log_brightness
from tactile_nodes.errors import DataError

_TRIED = (1.0, 0.6, 1.6)       # times that; each finds what is a third off
_LEAST_POINTS = 20
_LEAST_SPREAD = 2e-3           # m, standard deviation of the contact points
_SURE = 3.0                    # standard deviations of a distortion that is there
_LARGEST = 0.1                 # distortion that is believed


def find_geometry(reference, elastomer, *, given=None, points=None):
    """Image geometry from the best evidence there is.

    Parameters
    ----------
    reference : Reference
        Of the untouched skin.
    elastomer : Elastomer
    given : float, optional
        Known scale in m per px, which counts before everything else.
    points : ((n, 2) float64, (n, 2) float64), optional
        Reference contact points x, y in m, and where the images show the contact, x, y in px.

    Returns
    -------
    ImageGeometry, Part

    Raises
    ------
    DataError
        No evidence.
    """
    shape = reference.mean_q8.shape[:2]
    enough = points is not None and len(points[0]) >= _LEAST_POINTS \
        and points[0].std(axis=0).max() > _LEAST_SPREAD
    distortion, about = 0.0, 'given'
    if elastomer.kind.has_markers:
        lattice = _lattice(reference, elastomer)
        scale, sd, distortion = _fit(elastomer.marker_pitch * lattice.cells[:, ::-1],
                                     lattice.centres[:, ::-1], shape, any_affine=True)
        about = f'from the markers, {len(lattice.ids)} found'
    elif enough:
        scale, sd, distortion = _fit(*points, shape)
        about = f'+- {sd * 1e6:.2f} um/px, from {len(points[0])} reference contact points'
    elif not given:
        raise DataError('the image scale cannot be measured', where=f'elastomer {elastomer.name}',
                        found='no markers and '
                              + ('no' if points is None else 'too few or too close')
                              + ' reference contact points',
                        fix='Give it with --mm-per-px, or record a contact point '
                            '(geometry_msgs/PointStamped, presses all over the image).')
    if given:
        scale, about = given, 'given'
    return ImageGeometry(*shape, scale, distortion), Part(
        'scale', True, f'{scale * 1e6:.2f} um/px ({about}); distortion at the corner '
                       f'{100 * distortion:.2f} %')


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


def _fit(points, pixels, shape, *, any_affine=False):
    """Scale, its standard uncertainty and distortion; outliers are left out.

    Shift and turn between points (m) and pixels, both (n, 2) x, y, are free; with `any_affine`
    also what a print that is not quite square does.
    """
    height, width = shape
    seen = pixels - (np.array([width, height]) - 1) / 2
    square = np.square(seen).sum(axis=1) / (width**2 + height**2) * 4
    keep = np.ones(len(points), bool)
    for _ in range(3):
        # (1 + distortion square) seen = turned and scaled points + shift, all linear
        one, zero = np.ones(len(seen)), np.zeros(len(seen))
        x, y = points.T
        rows = [x, y, zero, zero, one, zero], [zero, zero, x, y, zero, one]
        if not any_affine:
            rows = [x, -y, one, zero], [y, x, zero, one]
        design = np.stack([np.stack([*row, -square * s], axis=1)
                           for row, s in zip(rows, seen.T, strict=True)])
        fit = fit_linear(np.concatenate(design[:, keep]), np.concatenate(seen.T[:, keep]))
        miss = np.hypot(*(seen.T - design @ fit.coefficients))
        keep = miss < 3 * np.median(miss[keep]) + 1e-9
    distortion, sd = fit.coefficients[-1], np.sqrt(fit.covariance[-1, -1])
    if not _SURE * sd < abs(distortion) < _LARGEST:
        distortion = 0.0
        free = fit_linear(np.concatenate(design[:, keep])[:, :-1], np.concatenate(seen.T[:, keep]))
        fit = free
    if any_affine:
        a, b, c, d = fit.coefficients[:4]
        per_metre = np.sqrt(abs(a * d - b * c))
    else:
        per_metre = np.hypot(*fit.coefficients[:2])
    return (float(1 / per_metre), float(np.sqrt(fit.covariance[0, 0]) / per_metre**2),
            float(distortion))
