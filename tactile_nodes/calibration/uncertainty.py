# SPDX-License-Identifier: Apache-2.0
"""How well a calibrated axis measures: standard deviation by load, and force-transducer figures.

Everything from held-out predictions (`force_fit`): errors of presses that the fit had not seen.
Figures in % of full scale, after the ideas of ISO 376 (calibration of force-proving instruments)
and ASTM E74, whose procedures ask for dead weights at fixed steps; a press session has other
loads, so the definitions are these:

- rmse: root mean square of estimate less reference;
- non-linearity: largest distance of the curve of third degree through estimate against reference
  (ISO 376 interpolates by up to the third degree) from the best straight line through zero;
- hysteresis: mean over presses of the distance between the errors at half of the press's largest
  load, going up and coming down (reversibility in ISO 376);
- repeatability: standard deviation between presses of a press's mean error, that curve taken off.
"""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize

from tactile_nodes.calibration.least_squares import fit_linear

_HALF = (0.35, 0.65)            # of the largest load of a press: where hysteresis is looked at
_LEAST_WIDENING = 0.05         # where the reference's noise hides the estimate's own error
_ONE_SD = 0.6827                # of normally distributed errors lie within one
_LOGS = (-10, 3)               # least and most of a part, in logarithms of the typical error
_TINY = 1e-30                  # N and N*m; for sessions without any error or load


@dataclass(frozen=True)
class Figures:
    """Of one axis, % of full scale but for the first.

    Attributes
    ----------
    full_scale : float
        N or N*m.
    rmse, non_linearity, hysteresis, repeatability : float
        NaN where the session has nothing to tell it from.
    """

    full_scale: float
    rmse: float
    non_linearity: float
    hysteresis: float
    repeatability: float


def figures(reference, error, press, seconds, full_scale):
    """Figures of one axis.

    Parameters
    ----------
    reference : (N,) float64
    error : (N,) float64
        Held-out estimate less reference.
    press : (N,) int
    seconds : (N,) float64
    full_scale : float

    Returns
    -------
    Figures
    """
    x = reference / full_scale
    estimate = x + error / full_scale
    curve = fit_linear(np.stack([x, x * x, x**3], axis=1), estimate).coefficients
    line = fit_linear(x[:, None], estimate).coefficients[0]
    grid = np.linspace(x.min(), x.max(), 101)
    on_curve = np.stack([grid, grid**2, grid**3], axis=1) @ curve
    left = estimate - np.stack([x, x * x, x**3], axis=1) @ curve
    loops, means = [], []
    for number in np.unique(press):
        inside = press == number
        means.append(left[inside].mean())
        load, when, e = np.abs(x[inside]), seconds[inside], error[inside] / full_scale
        top = when[np.argmax(load)]
        half = (load > _HALF[0] * load.max()) & (load < _HALF[1] * load.max())
        up, down = half & (when < top), half & (when > top)
        if up.any() and down.any():
            loops.append(abs(e[down].mean() - e[up].mean()))
    return Figures(full_scale, 100 * float(np.sqrt(np.square(error / full_scale).mean())),
                   100 * float(np.abs(on_curve - line * grid).max()),
                   100 * float(np.mean(loops)) if loops else np.nan,
                   100 * float(np.std(means, ddof=1)) if len(means) > 1 else np.nan)


def fit_sd(error, own, layer_sd, *, noise=0.0):
    """Standard deviation of an axis, from held-out errors.

    Maximum likelihood of normal errors with variance noise^2 + v, where v = floor^2 +
    (share_own own)^2 + (share_layer layer_sd)^2, and v scaled so that 68 % of the errors lie
    within one standard deviation. The noise is the reference sensor's, and not the estimate's.

    Parameters
    ----------
    error : (N,) float64
    own : (N,) float64
        Load of the axis itself.
    layer_sd : (N,) float64
        Standard deviation that the layer's estimate has by itself.
    noise : float
        Standard deviation of the reference.

    Returns
    -------
    floor, share_own, share_layer : float
    """
    parts = np.stack([np.ones(len(error)), np.abs(own), layer_sd], axis=1)
    size = np.maximum(np.sqrt(np.square(parts).mean(axis=0)), _TINY)
    typical = max(np.sqrt(np.square(error).mean()), _TINY)
    # variances in units of the typical error's: terms of each part, squares of errors and noise
    terms, square, known = np.square(parts / size), (error / typical)**2, (noise / typical)**2

    def cost(logs):
        v = known + terms @ np.exp(2 * np.clip(logs, *_LOGS))
        return np.mean(np.log(v) + square / v)

    fit = minimize(cost, [-1.0, -1.0, -1.0], method='Nelder-Mead', options={'maxfev': 600})
    shares = np.exp(np.clip(fit.x, *_LOGS))
    widen = np.quantile((square - known) / (terms @ shares**2), _ONE_SD)
    shares *= np.sqrt(max(widen, _LEAST_WIDENING)) * typical / size
    return tuple(float(share) for share in shares)
