# SPDX-License-Identifier: Apache-2.0
"""Image scale and lens distortion: from the printed marker lattice, or from reference points."""

from dataclasses import dataclass, replace

import numpy as np

from tactile_nodes.calibration.least_squares import fit_linear
from tactile_nodes.calibration.session import Part
from tactile_nodes.core.geometry import USUAL_WIDTH, ImageGeometry
from tactile_nodes.core.marker_detection import find_markers, log_brightness
from tactile_nodes.errors import DataError

_TRIED = (1.0, 0.6, 1.6)       # times that; each finds what is a third off
_LEAST_POINTS, _FEW_POINTS = 20, 8         # that tell the scale, and the direction of the axes
_LEAST_SPREAD = 2e-3           # m, standard deviation of the contact points
_SURE = 3.0                    # standard deviations of what is there
_PRINT = 0.03                  # by which a print's pitch may be off; our choice
_MOTION = 0.06                 # by which places that the motion of markers tells may be off (0.04
                               # with an independent model)
_MISTAKEN = 1.6                # more than that is no pitch mistaken, but a sensor
_LARGEST = 0.1                 # distortion that is believed
_FOLLOW = 0.6                  # part of the scatter that right axes explain at least
_TURNED = 5.0                  # degrees that a sensor may be mounted askew
_SCALES = (1e-6, 1e-3)         # m per px
_UNEVEN = 0.06                 # one that contact points may show because imprints are seen
                               # unevenly beside the lamps (0.04 with an independent model)


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
        Where they contradict the pitch of the markers in the elastomer's file, they count.

    Returns
    -------
    ImageGeometry, Elastomer, Part
        The elastomer with the pitch that its markers have at that scale.

    Raises
    ------
    DataError
        No evidence, or reference points in other axes than the image's.
    """
    shape = reference.mean_q8.shape[:2]
    by_markers = by_points = None
    if elastomer.kind.has_markers:
        lattice = _lattice(reference, elastomer)
        by_markers = _fit(elastomer.marker_pitch * lattice.cells[:, ::-1],
                          lattice.centres[:, ::-1], shape, printed=True)
        about = f'from the markers, {len(lattice.ids)} found'
    if points is not None and len(points[0]) >= _FEW_POINTS \
            and points[0].std(axis=0).max() > _LEAST_SPREAD:
        _check_axes(found := _fit(*points, shape))
        by_points = found if len(points[0]) >= _LEAST_POINTS else None
        from_points = f'from {len(points[0])} reference contact points'
    best = by_markers or by_points
    if not (given or best):
        raise DataError('the image scale cannot be measured', where=f'elastomer {elastomer.name}',
                        found='no markers and '
                              + ('no' if points is None else 'too few or too close')
                              + ' reference contact points',
                        fix='Give it with --mm-per-px, or press all over the image, on a '
                            'reference sensor that measures moments or with its contact point '
                            '(geometry_msgs/PointStamped).')
    scale, notes, advice = given or best.scale, (), ''
    _check_scale(scale)
    if given:
        about = 'given'
    elif not by_markers:
        about = f'+- {best.sd * 1e6:.2f} um/px, {from_points}'
    if by_points and by_points.contradicts(
            scale, _PRINT if elastomer.kind.has_shading else _MOTION):
        said = f'{by_points.scale * 1e6:.2f} um/px {from_points}'
        if given or not 1 / _MISTAKEN < by_points.scale / scale < _MISTAKEN:
            notes, advice = (said,), 'Check the scale, and frame and units of the reference.'
        else:
            notes = f'by the pitch in its file the markers say {scale * 1e6:.2f} um/px',
            scale, about = by_points.scale, from_points
            pitch = elastomer.marker_pitch * scale / by_markers.scale
            advice = f'Correct marker_pitch_mm in the elastomer file: {pitch * 1e3:.3g}.'
    if by_markers:
        elastomer = replace(elastomer,
                            marker_pitch=elastomer.marker_pitch * (scale / by_markers.scale))
    distortion = best.distortion if best else 0.0
    return ImageGeometry(*shape, scale, distortion), elastomer, Part(
        'scale', True, f'{scale * 1e6:.2f} um/px ({about}); distortion at the corner '
                       f'{100 * distortion:.2f} %', advice, notes)


@dataclass(frozen=True)
class _Evidence:
    """Scale, its standard uncertainty (m per px) and the distortion at the corner.

    Of contact points also their turn against the image, degrees, whether they are mirrored, and
    which part of their scatter is explained.
    """

    scale: float
    sd: float
    distortion: float
    turn: float = 0.0
    mirrored: bool = False
    explained: float = 1.0

    def contradicts(self, scale, allowed):
        """Whether another scale is off by more than an allowed part and what is uncertain."""
        return abs(scale / self.scale - 1) > max(allowed, _SURE * self.sd / self.scale)


def _check_axes(points):
    """Refuse reference points that are turned or mirrored against the image."""
    fix = 'Publish wrench and contact point in the frame of the fingertip: x to the right of ' \
          'the image, y to its bottom, z out of the skin.'
    if points.mirrored:
        raise DataError('the axes of the reference are mirrored against the image', where='scale',
                        fix=fix)
    if points.explained < _FOLLOW:
        raise DataError('the reference does not follow the contact in the images', where='scale',
                        found=f'{100 * points.explained:.0f} % of the scatter of its contact '
                              'points explained', fix=fix)
    if abs(points.turn) > max(_TURNED, np.degrees(_SURE * points.sd / points.scale)):
        raise DataError('the axes of the reference are turned against the image', where='scale',
                        found=f'{points.turn:.0f} degrees', expected=f'within {_TURNED:g}',
                        fix=fix)


def _check_scale(scale):
    if not _SCALES[0] < scale < _SCALES[1]:
        raise DataError('impossible image scale', where='scale', found=f'{scale * 1e3:.4g} mm/px',
                        expected='{:g} to {:g}'.format(*np.multiply(_SCALES, 1e3)),
                        fix='Give the pitch of markers in mm, contact points in m.')


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


def _fit(points, pixels, shape, *, printed=False):
    """_Evidence from points; outliers are left out.

    Shift and turn between points (m) and pixels, both (n, 2) x, y, are free; of `printed` points
    also what a print that is not quite square does. Others are contact points.
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
        if not printed:
            rows = [x, -y, one, zero], [y, x, zero, one]
        design = np.stack([np.stack([*row, -square * s], axis=1)
                           for row, s in zip(rows, seen.T, strict=True)])
        fit = fit_linear(np.concatenate(design[:, keep]), np.concatenate(seen.T[:, keep]))
        miss = np.hypot(*(seen.T - design @ fit.coefficients))
        keep = miss < 3 * np.median(miss[keep]) + 1e-9
    distortion, sd = fit.coefficients[-1], np.sqrt(fit.covariance[-1, -1])
    least = 0.0 if printed else _UNEVEN
    if not max(_SURE * sd, least) < abs(distortion) < _LARGEST:
        distortion = 0.0
        fit = fit_linear(np.concatenate(design[:, keep])[:, :-1], np.concatenate(seen.T[:, keep]))
    if printed:
        a, b, c, d = fit.coefficients[:4]
        per_metre, axes = np.sqrt(abs(a * d - b * c)), ()
    else:
        per_metre = np.hypot(*fit.coefficients[:2])
        axes = _axes(points, seen, fit.coefficients[:2], miss[keep])
    return _Evidence(float(1 / per_metre), float(np.sqrt(fit.covariance[0, 0]) / per_metre**2),
                     float(distortion), *axes)


def _axes(points, seen, turned, miss):
    """Turn, whether mirrored, and explained part of contact points, as in _Evidence."""
    arm, rest = points - np.median(points, axis=0), seen - np.median(seen, axis=0)
    free = np.linalg.lstsq(arm, rest, rcond=None)[0]
    well = 1 - np.square(rest - arm @ free).sum() / np.square(rest).sum() > _FOLLOW
    return (float(np.degrees(np.arctan2(turned[1], turned[0]))),
            bool(well and np.linalg.det(free) < 0),
            float(1 - np.square(miss).mean() / np.square(rest).sum(axis=1).mean()))
