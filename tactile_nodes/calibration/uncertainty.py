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


def fit_sd(error, own, load, full_scale, *, noise=0.0):
    """Standard deviation of an axis as a function of load, from held-out errors.

    Maximum likelihood of normal errors with variance noise^2 + v, where v = floor^2 +
    (share_own own)^2 + (share_all full_scale load)^2, and v scaled so that 68 % of the errors lie
    within one standard deviation. The noise is the reference sensor's, and not the estimate's.

    Parameters
    ----------
    error : (N,) float64
    own : (N,) float64
        Load of the axis itself.
    load : (N,) float64
        Of all axes, in full scales.
    full_scale : float
    noise : float
        Standard deviation of the reference.

    Returns
    -------
    floor, share_own, share_all : float
    """
    square, own = np.square(error / full_scale), np.abs(own / full_scale)
    known = (noise / full_scale)**2

    def variance(logs):
        a, b, c = np.exp(2 * np.asarray(logs))
        return a + b * own**2 + c * load**2

    def cost(logs):
        v = known + variance(np.clip(logs, -14, 2))
        return np.mean(np.log(v) + square / v)

    typical = np.log(max(np.sqrt(np.mean(square)), 1e-6))
    fit = minimize(cost, [typical - 1, typical - 1, typical - 1], method='Nelder-Mead',
                   options={'maxfev': 600})
    logs = np.clip(fit.x, -14, 2)
    widen = np.quantile((square - known) / variance(logs), _ONE_SD)
    floor, share_own, share_all = np.exp(logs) * np.sqrt(max(widen, _LEAST_WIDENING))
    return float(floor * full_scale), float(share_own), float(share_all)
