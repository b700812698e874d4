# SPDX-License-Identifier: Apache-2.0
"""Fit the force model to a press session: effective layer first, then what it leaves.

Layer: thickness, Poisson's ratio and modulus with which the very stage that runs live explains
the reference sensor best; the wrench goes with the modulus, so that is solved for directly.
Correction: ridge regression per axis on `feature_vector`, strength chosen by cross-validation that
leaves out whole presses (frames of one press know one another).
"""

import itertools
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import minimize, minimize_scalar

from tactile_nodes.calibration.least_squares import fit_linear
from tactile_nodes.calibration.session import correlation_lag
from tactile_nodes.core.force import ForceStage
from tactile_nodes.core.force_model import FEATURES, OWN_FEATURES, ForceModel
from tactile_nodes.core.motion_contact import PatchFinder
from tactile_nodes.core.types import AXES

_LAYER_FRAMES = 160            # that the layer is sought with
_THICKNESS = (0.25, 4.0)       # of the elastomer file's
_STRIDE = 0.35                 # in its logarithm, with which the neighbourhood is sought
_POISSON = (0.40, 0.498)
_THICKNESSES = 16              # that a clear skin is tried with
_STEPS = 24                    # evaluations of the layer in that neighbourhood at most
_STRENGTHS = 10.0 ** np.arange(-4, 4.1, 0.5)
_MOUNTING = 0.3
_LAG_REACH = 0.15              # s


@dataclass(frozen=True, eq=False)
class Samples:
    """Frames of a session after contact and marker stage, in time order.

    Attributes
    ----------
    stamps_ns : (N,) int64
    seconds : (N,) float64
        From the first image.
    contacts : list of Contact
    markers : list of MarkerField
    """

    stamps_ns: np.ndarray
    seconds: np.ndarray
    contacts: list
    markers: list

    def only(self, index):
        """Samples of these frames."""
        return Samples(self.stamps_ns[index], self.seconds[index],
                       [self.contacts[i] for i in index], [self.markers[i] for i in index])


def layer_features(samples, geometry, elastomer, model):
    """What the live stage with this ForceModel says of every frame.

    Returns
    -------
    features : (N, F) float64
        `feature_vector`.
    layer_sd : (N, 6) float64
        Standard deviation of the layer's wrench, N and N*m.
    """
    stage = ForceStage(geometry, elastomer, model)
    features = np.empty((len(samples.contacts), len(FEATURES)))
    layer_sd = np.empty((len(samples.contacts), 6))
    for i, (contact, markers) in enumerate(zip(samples.contacts, samples.markers, strict=True)):
        stage.process(contact, markers, int(samples.stamps_ns[i]))
        features[i], layer_sd[i] = stage.features, stage.layer_sd
    return features, layer_sd


def fit_layer(samples, geometry, elastomer, *, sensor, lag, measured, full_scale, press,
              progress=lambda done: None):
    """Effective layer and time offset.

    Parameters
    ----------
    samples : Samples
    geometry : ImageGeometry
    elastomer : Elastomer
    sensor : Sensor
    lag : float
        First guess of the sensor's delay, s.
    measured : (6,) bool
        Axes to explain.
    full_scale : (6,) float64
        That errors are counted in.
    press : (N,) int
        Press of every frame, -1 for none.
    progress : callable
        Told the share done.

    Returns
    -------
    ForceModel
        Without correction.
    lag : float
    """
    frames = _spread(press, _LAYER_FRAMES)
    few = samples.only(frames)
    scale = full_scale[measured]
    best, count = {}, itertools.count(1)

    def cost(vector):
        thickness = float(np.clip(np.exp(vector[0]), *_THICKNESS))
        poisson = float(np.clip(0.5 - np.exp(vector[1]), *_POISSON))
        model = ForceModel(thickness_scale=thickness, poissons_ratio=poisson)
        found = layer_features(few, geometry, elastomer, model)[0][:, :6]
        here = fit_lag(few, found, sensor, lag)
        truth = sensor.at(few.seconds + here)
        a, b = found[:, measured] / scale, truth[:, measured] / scale
        stiffness = max(float(np.vdot(a, b) / np.vdot(a, a)), 1e-3)
        misfit = float(np.square(stiffness * a - b).mean())
        progress(min(1.0, next(count) / (_STEPS + 3)))
        if misfit < best.get('misfit', np.inf):
            best.update(misfit=misfit, lag=here, stiffness=stiffness, model=model)
        return misfit

    compressible = np.log(0.5 - np.clip(elastomer.poissons_ratio, 0.42, 0.495))
    # a file may be far off, further than a simplex walks
    strides = {n: cost([n * _STRIDE, compressible]) for n in (-1, 0, 1)}
    while (nearest := min(strides, key=strides.get)) in (min(strides), max(strides)) \
            and np.log(_THICKNESS[0]) < nearest * _STRIDE < np.log(_THICKNESS[1]):
        further = nearest + (1 if nearest > 0 else -1)
        strides[further] = cost([further * _STRIDE, compressible])
    start = np.array([nearest * _STRIDE, compressible])
    simplex = start + np.array([[0, 0], [0.15, 0], [0, 0.6]])
    minimize(cost, start, method='Nelder-Mead',
             options={'initial_simplex': simplex, 'maxfev': _STEPS, 'xatol': 5e-3,
                      'fatol': 1e-8})
    return replace(best['model'], stiffness_scale=best['stiffness']), best['lag']


def fit_lag(samples, features, sensor, guess):
    """Delay of the sensor behind the camera, s, by the normal force in features (N, ...)."""
    return correlation_lag(samples.seconds, -features[:, 2], sensor.seconds, -sensor.wrench[:, 2],
                           around=guess, reach=_LAG_REACH)[0]


def fit_thickness(motion, press, geometry, elastomer, *, progress=lambda done: None):
    """Thickness (m) of the layer on which patches explain the motion of the markers best.

    That is how a clear skin's contact is found (`core.motion_contact`).

    Parameters
    ----------
    motion : list of MarkerField
        Of every frame.
    press : (N,) int
        Press of every frame, -1 for none.
    geometry : ImageGeometry
    elastomer : Elastomer
    progress : callable
        Told the share done.

    Returns
    -------
    float
    """
    markers = [motion[i] for i in _spread(press, _LAYER_FRAMES)]
    count = itertools.count(1)

    def cost(log):
        finder = PatchFinder(geometry.work,
                             replace(elastomer, thickness=np.exp(log) * elastomer.thickness))
        finder.set_markers(markers[0].rest)
        progress(min(1.0, next(count) / _THICKNESSES))
        return sum(finder.unexplained(field.displacement) for field in markers)

    found = minimize_scalar(cost, bounds=np.log(_THICKNESS), method='bounded',
                            options={'maxiter': _THICKNESSES, 'xatol': 0.01})
    return float(np.exp(found.x)) * elastomer.thickness


def _spread(press, count):
    """At most `count` frames, evenly over all that belong to a press."""
    frames = np.flatnonzero(press >= 0)
    return frames[np.linspace(0, len(frames) - 1, min(count, len(frames))).astype(int)]


@dataclass(frozen=True, eq=False)
class AxisFit:
    """Regression of one axis.

    Attributes
    ----------
    weights : (F,) float64
    strength : float
        Of the shrinkage.
    held_out : (N,) float64
        Prediction of every frame by the fit that its press had no part in.
    """

    weights: np.ndarray
    strength: float
    held_out: np.ndarray


def sizes(features, full_scale, axis):
    """Size (F,) of each feature that an axis may be corrected with, 0 of the others.

    The wrench itself counts in full scales and is shrunk more: it is the layer's business already,
    and only what is left of how the sensor is mounted (its turn and place) may come from it.
    """
    size = np.sqrt(np.square(features).mean(axis=0))
    size[:6] = full_scale * np.sqrt(np.square(features[:, :6] / full_scale).mean()) * _MOUNTING
    allowed = [name in AXES or name in OWN_FEATURES[axis] for name in FEATURES]
    return np.where(allowed, size, 0)


def fit_axis(features, target, group, scale):
    """Ridge regression of what the layer leaves on one axis.

    Parameters
    ----------
    features : (N, F) float64
    target : (N,) float64
        Reference less layer.
    group : (N,) int
        Frames of one group are never on both sides of the cross-validation.
    scale : (F,) float64
        Of `sizes`: weights are shrunk alike in it; a feature of size 0 is left out.

    Returns
    -------
    AxisFit
    """
    used = scale > 0
    design = features[:, used] / scale[used]
    groups = np.unique(group)
    tried = []
    for strength in _STRENGTHS * len(target):
        shrink, held_out = np.full(design.shape[1], strength), np.empty(len(target))
        for g in groups:
            inside = group == g
            fit = fit_linear(design[~inside], target[~inside], shrink)
            held_out[inside] = design[inside] @ fit.coefficients
        by_group = np.array([np.square((held_out - target)[group == g]).sum() for g in groups])
        tried.append((strength, held_out, by_group))
    # the strongest shrinkage that is not worse than the best beyond chance: one standard error, as
    # L. Breiman et al., Classification and Regression Trees (1984), ch. 3, choose
    best = min(tried, key=lambda one: one[2].sum())[2]
    strength, held_out, _ = next(
        one for one in reversed(tried)
        if (one[2] - best).sum() <= np.std(one[2] - best) * np.sqrt(len(groups)))
    fit = fit_linear(design, target, np.full(design.shape[1], strength))
    weights = np.zeros(features.shape[1])
    weights[used] = fit.coefficients / scale[used]
    return AxisFit(weights, float(strength), held_out)
