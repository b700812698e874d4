# SPDX-License-Identifier: Apache-2.0
"""Fit the shading model to pictures of a ball of known radius pressed into the skin.

Where the skin lies on the ball its slope is known, so every cell of every imprint says how the
light of the three channels goes with slope there. Circles, light ratios and camera response are
fitted together, with little weight to what does not fit (printed markers, specks).
"""

import math
from collections import Counter
from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy.optimize import least_squares

from tactile_nodes.calibration.least_squares import fit_linear
from tactile_nodes.core.contact import ContactStage
from tactile_nodes.core.depth import (
    MOST_AMBIENT,
    TERMS,
    ShadingModel,
    SteepShading,
    light_logs,
    position_terms,
)
from tactile_nodes.errors import DataError

MIN_PRESSES = 6
_PARTS = 3                     # the image is divided in 3 x 3 parts to see what is covered
_MAX_EMPTY_PARTS = 2
_MIN_SLOPE = 0.15              # that the steepest cells must reach
_INSIDE = 0.8                  # of the contact radius: clear of its rim, where smoothing reaches
_FIRST_GAMMA = 2.0
_OUTLIER = 0.02                # of the grey level: what fits worse counts less
_DARK = 1e-3                   # of the light of the flat skin
_MAX_RESIDUAL = 0.03           # of the light
_STEEPEST = 0.7                # slope beyond which lamps are shaded and edges shine; left out
_CELLS = 120                   # of an imprint that are used at most
_PICTURES = 40                 # that are used at most
_ODD_PRESS = 3                 # times the median press's residual: left out
_MAX_STEPS = 100
_CURVED = 0.3                  # light ratio over gamma, that is usual of terms of second order
_PRIOR_WEIGHT = 0.1            # of the log of the grey level: an imprint's cells err together
_GAMMA_RANGE = (0.2, 5)

_STEEP = 1.5                   # slope of the cells that the model for steep slopes is fitted to
_TINY = 1e-12
_LEAST_DEPTH = 1e-4            # m; of imprints whose darkness is looked at
_LEAST_DARKENING = 20          # 1/m; of lamps that are far away there is nothing to learn
_LEAST_DARKENING_SD = 1e-3     # of the logarithm of the light; drift that is not made good
_UNEVEN_DARKENING = 0.2        # of it, that is usual from the middle to the border
_DARKENING_STEPS = 5           # between darkening and its standard deviation
_CERTAIN = 5                   # standard deviations that it must differ from 0 by
# what is usual of cameras and housings, and how far others are from it
_USUAL_GAMMA, _GAMMA_SD = 1.8, 0.4         # of the log
_USUAL_AMBIENT, _AMBIENT_SD, _MOST_MEAN_AMBIENT = 0.3, 0.2, 0.8
_USUAL_SOFTNESS, _SOFTNESS_SD = 0.2, 0.2
_USUAL_MIXED, _MIXED_SD, _MOST_MIXED = 0.06, 0.05, 0.24


@dataclass(frozen=True, eq=False)
class ShadingFit:
    """A shading model and what it was fitted to.

    Attributes
    ----------
    model : ShadingModel
    circles : (N, 3) float64
        Centre x, y and radius of the imprints used, m.
    cells : int
        Work-grid cells used.
    steepest : float
        Largest slope among them.
    """

    model: ShadingModel
    circles: np.ndarray
    cells: int
    steepest: float


def fit_shading(presses, reference, geometry, elastomer):
    """Fit light ratios and camera response.

    Pictures in which not exactly one thing touches, or whose imprint is cut by the border or is no
    ball's, are left out.

    Parameters
    ----------
    presses : list of ((H, W, 3) uint8 or float32, float)
        Picture of a ball that rests in the skin, and the ball's radius in m.
    reference : Reference
        Of the untouched skin, under the same light.
    geometry : ImageGeometry
    elastomer : Elastomer

    Returns
    -------
    ShadingFit

    Raises
    ------
    DataError
        Too few usable pictures, too small a part of the image covered, too shallow, or the model
        does not fit.
    """
    if not elastomer.kind.has_shading:
        raise DataError('a clear elastomer has no shading', where=f'elastomer {elastomer.name}')
    stage = ContactStage(geometry, elastomer)
    stage.set_reference(reference)
    size = geometry.work.shape[::-1]
    rest = np.maximum(cv2.resize(reference.mean, size, interpolation=cv2.INTER_AREA), 1)
    imprints, refused = [], Counter()
    for picture, radius in presses:
        contact = stage.process(np.round(picture).astype(np.uint8))
        fault = _fault(contact, radius)
        if fault:
            refused[fault] += 1
            continue
        grey = cv2.resize(np.asarray(picture, np.float32), size, interpolation=cv2.INTER_AREA)
        imprints.append(_Imprint(contact, grey / rest / contact.light_gain, radius, geometry.work))
    imprints = imprints[::-(-len(imprints) // _PICTURES) or 1]
    _check_coverage(imprints, refused, geometry.work)
    fit, _ = _fit(imprints)
    # the mask without a shading model may lie beside the ball: take the cells around it again
    for imprint, (x, y, _) in zip(imprints, fit.circles, strict=True):
        imprint.take_around(np.array([x, y]))
    fit, residuals = _fit(imprints)
    good = residuals < max(_ODD_PRESS * np.median(residuals), _MAX_RESIDUAL / 3)
    if not good.all() and np.count_nonzero(good) >= MIN_PRESSES:
        imprints = [imprint for imprint, is_good in zip(imprints, good, strict=True) if is_good]
        fit, residuals = _fit(imprints)
    if fit.model.residual_sd > _MAX_RESIDUAL:
        raise DataError('the shading model does not fit', where='shading',
                        found=f'{fit.model.residual_sd:.3f} of the light left over',
                        expected=f'at most {_MAX_RESIDUAL}',
                        fix='Check the radius of the ball, the image scale and the intervals.')
    steep = _fit_steep(imprints, fit, light_logs(cv2.split(rest)))
    steep = replace(steep, **_darkening([picture for picture, _ in presses], reference, geometry,
                                        elastomer, replace(fit.model, steep=steep)))
    return replace(fit, model=replace(fit.model, steep=steep))


def _darkening(pictures, reference, geometry, elastomer, model):
    """By how much the flat part of an imprint is darker the deeper it lies.

    Fields of SteepShading as a dict, empty where the pictures do not tell.
    """
    stage = ContactStage(geometry, elastomer, model)
    stage.set_reference(reference)
    floors = []
    for picture in pictures:
        contact = stage.process(np.round(picture).astype(np.uint8))
        if contact.in_contact:
            slope = np.gradient(contact.depth, geometry.work.metres_per_px)
            floors.append(stage.floor(contact.depth, np.square(slope).sum(axis=0)))
    floors = [floor for floor in floors if floor is not None and floor.depth > _LEAST_DEPTH]
    if len(floors) < MIN_PRESSES:
        return {}
    dark, chance, depth = (np.array([getattr(floor, key) for floor in floors])
                           for key in ('dark', 'dark_sd', 'depth'))
    design = depth[:, None] * np.array([floor.place for floor in floors])
    uneven = _UNEVEN_DARKENING * max(abs(np.median(dark / depth)), _LEAST_DARKENING)
    sd = _LEAST_DARKENING_SD
    for _ in range(_DARKENING_STEPS):
        weights = 1 / np.hypot(chance, sd)
        fit = fit_linear(design * weights[:, None], dark * weights, [0, uneven**-2, uneven**-2])
        square = np.square(dark - design @ fit.coefficients)
        # median of the square of a standard normal variable is 0.4549
        sd = math.sqrt(max(np.median(square) / 0.4549 - np.median(chance)**2,
                           _LEAST_DARKENING_SD**2))
    # the weighted rows have unit variance
    least = max(_LEAST_DARKENING,
                _CERTAIN * math.sqrt(fit.covariance[0, 0]) / fit.residual_sd)
    if abs(fit.coefficients[0]) < least:
        return {}
    return {'darkening': fit.coefficients, 'darkening_sd': sd}


def is_cut(mask):
    """Whether the border of the image cuts a mask (h, w)."""
    return bool(mask[[0, -1]].any() or mask[:, [0, -1]].any())


def _fault(contact, ball_radius):
    """Why an imprint cannot be used, '' if it can."""
    count, _ = cv2.connectedComponents(contact.mask.view(np.uint8))
    if count != 2:
        return f'{count - 1} imprints instead of one'
    if is_cut(contact.mask):
        return 'cut by the border of the image'
    if np.sqrt(contact.area / np.pi) > 0.9 * ball_radius:
        return 'larger than the ball can be (check radius_mm and the image scale)'
    return ''


class _Imprint:
    """Cells inside the contact circle of one press."""

    def __init__(self, contact, ratio, ball_radius, work):
        self.ball_radius, self.radius = ball_radius, np.sqrt(contact.area / np.pi)
        self._work, self._ratio = work, ratio.reshape(-1, 3)
        self.take_around(contact.centroid)

    def take_around(self, centre, steepest=_STEEPEST):
        """Use the cells that lie on the ball when it is here, (2,) m, up to that slope."""
        self.centre = centre
        x, y = (a.ravel() for a in np.meshgrid(*self._work.axes()))
        reach = min(_INSIDE * self.radius, np.sin(np.arctan(steepest)) * self.ball_radius)
        inside = np.flatnonzero(np.hypot(x - centre[0], y - centre[1]) < reach)
        inside = inside[::len(inside) // _CELLS + 1]
        self.place = np.stack([x[inside], y[inside]])
        self.terms = position_terms(self._work).reshape(TERMS, -1)[:, inside]
        self.inside = inside
        self.ratio = self._ratio[inside].T

    def slope(self, centre):
        """Slope gx, gy of the skin on the ball, and its height below the ball's middle, m."""
        out = self.place - centre[:, None]
        below = np.sqrt(np.maximum(self.ball_radius ** 2 - np.square(out).sum(axis=0),
                                   (0.1 * self.ball_radius) ** 2))
        return np.stack([*(-out / below), below])


def _check_coverage(imprints, refused, work):
    if len(imprints) < MIN_PRESSES:
        left_out = '; left out: ' + ', '.join(f'{n} {why}' for why, n in refused.items()) \
            if refused else ''
        raise DataError('too few indentations', where='shading', found=len(imprints),
                        expected=f'at least {MIN_PRESSES} pictures of one ball that lies wholly '
                                 f'in the image{left_out}')
    place = np.concatenate([imprint.place for imprint in imprints], axis=1)
    half = np.array([axis[-1] + work.metres_per_px / 2 for axis in work.axes()])
    part = np.floor((place / half[:, None] + 1) / 2 * _PARTS).astype(int)
    filled = np.zeros((_PARTS, _PARTS), bool)
    filled[part[1], part[0]] = True
    if (~filled).sum() > _MAX_EMPTY_PARTS:
        raise DataError(
            'the indentations cover too little of the image', where='shading',
            found=f'{filled.sum()} of {filled.size} parts covered (rows from the top: '
                  + ', '.join(''.join('x' if f else '-' for f in row) for row in filled) + ')',
            expected=f'at least {filled.size - _MAX_EMPTY_PARTS}',
            fix='Press the ball in where a - is.')
    steepest = max(np.hypot(*i.slope(i.centre)[:2]).max() for i in imprints)
    if steepest < _MIN_SLOPE:
        raise DataError('the indentations are too shallow', where='shading',
                        found=f'slope {steepest:.2f}', expected=f'at least {_MIN_SLOPE}',
                        fix='Press deeper or take a smaller ball.')


def _fit(imprints):
    """ShadingFit, and the median residual of every imprint, of the light."""
    problem = _Problem(imprints)
    found = problem.solve()
    gamma, a, b, centres = problem.unpack(found)
    residuals = 1.48 * gamma * np.abs(problem.misfit(found)).reshape(3, -1)
    if not _GAMMA_RANGE[0] <= gamma <= _GAMMA_RANGE[1]:
        raise DataError('the shading model does not fit', where='shading',
                        found=f'a camera response of gamma {gamma:.2f}',
                        expected=f'{_GAMMA_RANGE[0]} to {_GAMMA_RANGE[1]}',
                        fix='Check the radius of the ball, the image scale and the intervals.')
    ends = np.cumsum([imprint.ratio.shape[1] for imprint in imprints])[:-1]
    by_press = np.array([np.median(part) for part in np.split(residuals, ends, axis=1)])
    circles = np.column_stack([centres, [imprint.radius for imprint in imprints]])
    model = ShadingModel(float(gamma), a, b, float(np.median(residuals)))
    return ShadingFit(model, circles, problem.ratio.shape[1],
                      float(np.hypot(*problem.slopes(centres)[:2]).max())), by_press


class _LightProblem:
    """What the least-squares problems of gentle and of steep slopes share.

    Their first unknowns are gamma, a and b.
    """

    _lights = np.s_[1:1 + 6 * TERMS]

    def __init__(self, imprints):
        self.ratio = np.concatenate([imprint.ratio for imprint in imprints], axis=1)
        self._logs = np.log(np.maximum(self.ratio, _DARK))
        self._terms = np.concatenate([imprint.terms for imprint in imprints], axis=1)
        self._prior = np.tile(np.repeat([0, _PRIOR_WEIGHT / _CURVED], TERMS // 2), 6)

    def solve(self):
        """Unknowns that fit best."""
        return least_squares(self.residuals, self.start(), self.jacobian, loss=self.loss,
                             bounds=self.bounds(), f_scale=_OUTLIER, x_scale='jac',
                             max_nfev=_MAX_STEPS).x

    @staticmethod
    def bounds():
        """Least and most of all unknowns."""
        return -np.inf, np.inf

    def _linear(self, gx, gy, gamma):
        """a and b, (2, 3, 6), by a linear fit with a guess of gamma."""
        design = -np.concatenate([self._terms * gx, self._terms * gy]).T
        target = np.power(self.ratio, gamma) * np.sqrt(1 + gx * gx + gy * gy) - 1
        light = np.linalg.lstsq(design, target.T, rcond=None)[0]       # (2 TERMS, 3)
        return light.reshape(2, TERMS, 3).transpose(0, 2, 1)

    def _curved(self, vector):
        """Terms of second order, (36,), that are meant to be small.

        They keep sane what is beyond the outermost imprints.
        """
        return self._prior * vector[self._lights] / vector[0]

    def loss(self, square):
        """Cauchy's for the misfit, plain squares for the rest, with two derivatives (3, n)."""
        rho = np.stack([square, np.ones_like(square), np.zeros_like(square)])
        cells = square[:self.ratio.size]
        rho[:, :len(cells)] = np.log1p(cells), 1 / (1 + cells), -1 / (1 + cells)**2
        return rho

    def _misfit(self, light, gamma):
        """Log of the grey level over that of the flat skin: model minus measured, (3 cells,).

        Each cell's mean over the channels is taken off: brightness that all share is reflectance,
        a marker or nearness to the lamps, and says nothing of slope.
        """
        miss = np.log(np.maximum(light, _DARK)) / gamma - self._logs
        return (miss - miss.mean(axis=0)).ravel()


class _Problem(_LightProblem):
    """For gentle slopes; further unknowns are the centres in mm."""

    def __init__(self, imprints):
        super().__init__(imprints)
        self._imprints = imprints

    def unpack(self, vector):
        """Return gamma, a (3, 6), b (3, 6), centres (N, 2) in m."""
        a, b = vector[self._lights].reshape(2, 3, TERMS)
        return vector[0], a, b, vector[1 + 6 * TERMS:].reshape(-1, 2) * 1e-3

    def start(self):
        """Linear fit with the first guess of gamma and the centres of the masks."""
        centres = np.array([imprint.centre for imprint in self._imprints])
        light = self._linear(*self.slopes(centres)[:2], _FIRST_GAMMA)
        return np.concatenate([[_FIRST_GAMMA], light.ravel(), centres.ravel() * 1e3])

    def slopes(self, centres):
        """gx, gy and height below the ball's middle of all cells, (3, cells)."""
        return np.concatenate([imprint.slope(centre) for imprint, centre
                               in zip(self._imprints, centres, strict=True)], axis=1)

    def residuals(self, vector):
        """`misfit`, and terms of second order that are meant to be small, (3 cells + 36,)."""
        return np.concatenate([self.misfit(vector), self._curved(vector)])

    def misfit(self, vector):
        """Log of the grey level over that of the flat skin: model minus measured, (3 cells,)."""
        gamma, a, b, centres = self.unpack(vector)
        gx, gy, _ = self.slopes(centres)
        return self._misfit(1 - a @ self._terms * gx - b @ self._terms * gy, gamma)

    def jacobian(self, vector):
        """Derivatives of `residuals`, (3 cells + 36, unknowns)."""
        gamma, a, b, centres = self.unpack(vector)
        gx, gy, below = self.slopes(centres)
        a, b = a @ self._terms, b @ self._terms
        raw = 1 - a * gx - b * gy
        light = np.maximum(raw, _DARK)
        per_light = (raw > _DARK) / (gamma * light)
        result = np.zeros((*self.ratio.shape, len(vector)))
        result[..., 0] = -np.log(light) / gamma ** 2
        lights = np.zeros((*self.ratio.shape, 2, 3, TERMS))
        for channel in range(3):
            for axis, slope in enumerate((gx, gy)):
                lights[channel, :, axis, channel] = -(per_light[channel] * slope * self._terms).T
        result[..., 1:1 + 6 * TERMS] = lights.reshape(*self.ratio.shape, -1)
        by_gx, by_gy = -per_light * a, -per_light * b
        # the slopes change with the centre by ((1 + gx^2, gx gy), (gx gy, 1 + gy^2)) / below
        by_x = (by_gx * (1 + gx * gx) + by_gy * gx * gy) / below * 1e-3
        by_y = (by_gx * gx * gy + by_gy * (1 + gy * gy)) / below * 1e-3
        first, column = 0, 1 + 6 * TERMS
        for imprint in self._imprints:
            cells = slice(first, first + imprint.ratio.shape[1])
            result[:, cells, column], result[:, cells, column + 1] = by_x[:, cells], by_y[:, cells]
            first, column = cells.stop, column + 2
        result -= result.mean(axis=0)
        prior = np.zeros((6 * TERMS, len(vector)))
        prior[:, self._lights] = np.diag(self._prior / gamma)
        prior[:, 0] = -self._prior * vector[self._lights] / gamma ** 2
        return np.concatenate([result.reshape(-1, len(vector)), prior])


def _fit_steep(imprints, fit, logs):
    """SteepShading from the same imprints, whose places are known now, up to their rims.

    `logs` are `light_logs` of the untouched skin's grey levels.
    """
    for imprint, (x, y, _) in zip(imprints, fit.circles, strict=True):
        imprint.take_around(np.array([x, y]), _STEEP)
    problem = _SteepProblem(imprints, logs)
    return SteepShading(*problem.unpack(problem.solve()))


class _SteepProblem(_LightProblem):
    """For steep slopes of known places; further unknowns are ambient, softness and mix."""

    _ambient = np.s_[1 + 6 * TERMS:4 + 6 * TERMS]
    _softness = np.s_[4 + 6 * TERMS:7 + 6 * TERMS]
    _mix = np.s_[7 + 6 * TERMS:13 + 6 * TERMS]
    _others = np.nonzero(~np.eye(3, dtype=bool))          # elements of mix that are unknown

    def __init__(self, imprints, logs):
        super().__init__(imprints)
        self._gx, self._gy = np.concatenate([i.slope(i.centre)[:2] for i in imprints], axis=1)
        self._rest = np.concatenate([logs[:, imprint.inside] for imprint in imprints], axis=1)

    def bounds(self):
        """Least and most of all unknowns."""
        least = np.full(13 + 6 * TERMS, -np.inf)
        most = -least
        least[0], most[0] = _GAMMA_RANGE
        least[self._ambient], most[self._ambient] = 0, _MOST_MEAN_AMBIENT
        least[self._softness], most[self._softness] = 0, 1
        least[self._mix], most[self._mix] = 0, _MOST_MIXED
        return least, most

    def unpack(self, vector):
        """Return gamma, a (3, 6), b (3, 6), ambient (3,), softness (3,), mix (3, 3)."""
        a, b = vector[self._lights].reshape(2, 3, TERMS)
        mix = np.zeros((3, 3))
        mix[self._others] = vector[self._mix]
        mix[np.diag_indices(3)] = 1 - mix.sum(axis=1)
        return vector[0], a, b, vector[self._ambient], vector[self._softness], mix

    def start(self):
        """Linear fit with what is usual."""
        light = self._linear(self._gx, self._gy, _USUAL_GAMMA) / (1 - _USUAL_AMBIENT)
        return np.concatenate([[_USUAL_GAMMA], light.ravel(), [_USUAL_AMBIENT] * 3,
                               [_USUAL_SOFTNESS] * 3, [_USUAL_MIXED] * 6])

    def residuals(self, vector):
        """`misfit`, and what is known of the unknowns beforehand, (3 cells + 49,).

        Terms of second order are meant to be small, the others weakly what is usual.
        """
        usual = np.concatenate([
            [np.log(vector[0] / _USUAL_GAMMA) / _GAMMA_SD],
            (vector[self._ambient] - _USUAL_AMBIENT) / _AMBIENT_SD,
            (vector[self._softness] - _USUAL_SOFTNESS) / _SOFTNESS_SD,
            (vector[self._mix] - _USUAL_MIXED) / _MIXED_SD])
        return np.concatenate([self.misfit(vector), self._curved(vector), _PRIOR_WEIGHT * usual])

    def misfit(self, vector):
        """Log of the grey level over that of the flat skin: model minus measured, (3 cells,)."""
        gamma, a, b, ambient, softness, mix = self.unpack(vector)
        colours = self._colours(a @ self._terms, b @ self._terms,
                                self._ambient_parts(gamma, ambient), softness)[0]
        return self._misfit(mix @ colours, gamma)

    def _ambient_parts(self, gamma, ambient):
        """Per colour and cell."""
        return np.minimum(ambient[:, None] * np.exp(-gamma * self._rest), MOST_AMBIENT)

    def _colours(self, a, b, ambient, softness):
        """All times root(1 + g^2): light of every colour; the parts of it; f and the root in h."""
        gx, gy = self._gx, self._gy
        square = gx * gx + gy * gy
        facing = 1 - a * gx - b * gy
        root = np.sqrt(facing**2 + softness[:, None]**2 * (a * a + b * b) * square + _TINY)
        direct, everywhere = (facing + root) / 2, np.sqrt(1 + square)
        return ambient * everywhere + (1 - ambient) * direct, direct, everywhere, facing, root

    def jacobian(self, vector):
        """Derivatives of `residuals`, (3 cells + 49, unknowns)."""
        gamma, a, b, mean_ambient, softness, mix = self.unpack(vector)
        gx, gy = self._gx, self._gy
        a, b = a @ self._terms, b @ self._terms
        ambient = self._ambient_parts(gamma, mean_ambient)             # (3, cells)
        colours, direct, everywhere, facing, root = self._colours(a, b, ambient, softness)
        raw = mix @ colours
        light = np.maximum(raw, _DARK)
        per_light = (raw > _DARK) / (gamma * light)                    # (3, cells)
        square, tilt, soft = gx * gx + gy * gy, a * a + b * b, softness[:, None]**2
        half = (1 - ambient) / 2
        lit = half * (1 + facing / root)                   # per facing
        result = np.zeros((*self.ratio.shape, len(vector)))
        by_ambient = np.where(ambient < MOST_AMBIENT, np.exp(-gamma * self._rest), 0) \
            * (everywhere - direct)
        result[..., 0] = per_light * (mix @ (-self._rest * mean_ambient[:, None] * by_ambient)) \
            - np.log(light) / gamma ** 2
        lights = np.zeros((*self.ratio.shape, 2, 3, TERMS))
        for channel in range(3):
            for colour in range(3):
                part = mix[channel, colour] * per_light[channel]
                bent = half[colour] * soft[colour] * square / root[colour]
                for axis, (slope, ratio) in enumerate(((gx, a), (gy, b))):
                    by_ratio = bent * ratio[colour] - lit[colour] * slope
                    lights[channel, :, axis, colour] = (part * by_ratio * self._terms).T
        result[..., self._lights] = lights.reshape(*self.ratio.shape, -1)
        result[..., self._ambient] = np.einsum('ij,in,jn->inj', mix, per_light, by_ambient)
        result[..., self._softness] = np.einsum(
            'ij,in,jn->inj', mix, per_light, half * softness[:, None] * tilt * square / root)
        for column, channel, colour in zip(range(self._mix.start, self._mix.stop), *self._others,
                                           strict=True):
            result[channel, :, column] = per_light[channel] * (colours[colour] - colours[channel])
        result -= result.mean(axis=0)
        prior = np.zeros((6 * TERMS + 13, len(vector)))
        prior[:6 * TERMS, self._lights] = np.diag(self._prior / gamma)
        prior[:6 * TERMS, 0] = -self._prior * vector[self._lights] / gamma ** 2
        prior[6 * TERMS, 0] = _PRIOR_WEIGHT / _GAMMA_SD / gamma
        prior[6 * TERMS + 1:6 * TERMS + 4, self._ambient] = np.eye(3) * _PRIOR_WEIGHT / _AMBIENT_SD
        prior[6 * TERMS + 4:6 * TERMS + 7, self._softness] = \
            np.eye(3) * _PRIOR_WEIGHT / _SOFTNESS_SD
        prior[6 * TERMS + 7:, self._mix] = np.eye(6) * _PRIOR_WEIGHT / _MIXED_SD
        return np.concatenate([result.reshape(-1, len(vector)), prior])
