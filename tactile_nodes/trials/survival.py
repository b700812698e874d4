# SPDX-License-Identifier: Apache-2.0
"""Rates and times to an event, compared between conditions.

Sources: E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209 (interval of a rate); E. L. Kaplan and
P. Meier, ibid. 53 (1958) 457 (curve); M. Greenwood (1926) for its variance, the band on the
log-log scale of J. D. Kalbfleisch and R. L. Prentice (The Statistical Analysis of Failure Time
Data, 1980); N. Mantel, Cancer Chemother. Rep. 50 (1966) 163 (log-rank test). The tests compare
with SciPy and with published examples.
"""

from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2, norm


@dataclass(frozen=True, eq=False)
class Curve:
    """Share that has not had the event yet, a step function that begins at 1.

    Attributes
    ----------
    time : (K,) float
        When it falls, s.
    share, low, high : (K,) float
        From then on, with its band.
    at_risk : (K,) int
        How many were still watched just before.
    """

    time: np.ndarray
    share: np.ndarray
    low: np.ndarray
    high: np.ndarray
    at_risk: np.ndarray


def wilson(successes, count, confidence=0.95):
    """Interval of a rate, (low, high); (0, 1) when nothing was tried."""
    if not count:
        return 0.0, 1.0
    z, rate = norm.ppf(0.5 + confidence / 2), successes / count
    centre = rate + z * z / (2 * count)
    half = z * np.sqrt(rate * (1 - rate) / count + z * z / (4 * count * count))
    scale = 1 + z * z / count
    return max(0.0, float((centre - half) / scale)), min(1.0, float((centre + half) / scale))


def kaplan_meier(times, events, confidence=0.95):
    """Kaplan-Meier estimate of the share without event over time.

    Parameters
    ----------
    times : (N,) float
        When the event came, or watching ended without it.
    events : (N,) bool
        Which of the two.
    confidence : float
        Of the pointwise band.

    Returns
    -------
    Curve
    """
    times, events = np.asarray(times, float), np.asarray(events, bool)
    moments = np.unique(times[events])
    at_risk = np.array([(times >= moment).sum() for moment in moments], int)
    falls = np.array([(times[events] == moment).sum() for moment in moments], int)
    share = np.cumprod(1 - falls / np.maximum(at_risk, 1))
    with np.errstate(divide='ignore', invalid='ignore'):
        variance = np.cumsum(falls / (at_risk * (at_risk - falls)))        # Greenwood
        spread = norm.ppf(0.5 + confidence / 2) * np.sqrt(variance) / np.log(share)
        low, high = share ** np.exp(-spread), share ** np.exp(spread)
    # at a share of 0 the variance is not known: nothing is claimed
    low, high = np.nan_to_num(low, nan=0.0), np.where(np.isnan(high), 1.0, high)
    return Curve(moments, share, np.minimum(low, high), np.maximum(low, high), at_risk)


def log_rank(groups):
    """Whether groups differ in when the event comes.

    Parameters
    ----------
    groups : list of (times, events)
        As for `kaplan_meier`; at least two.

    Returns
    -------
    statistic, p : float
        Chi-squared with one degree of freedom fewer than groups; NaN without any event.
    """
    groups = [(np.asarray(times, float), np.asarray(events, bool)) for times, events in groups]
    moments = np.unique(np.concatenate([times[events] for times, events in groups]))
    excess = np.zeros(len(groups))
    covariance = np.zeros((len(groups), len(groups)))
    for moment in moments:
        at_risk = np.array([(times >= moment).sum() for times, _ in groups], float)
        falls = np.array([(times[events] == moment).sum() for times, events in groups], float)
        n, d = at_risk.sum(), falls.sum()
        excess += falls - at_risk * d / n
        if n > 1:
            share = at_risk / n
            covariance += d * (n - d) / (n - 1) * (np.diag(share) - np.outer(share, share))
    if not len(moments) or not covariance[:-1, :-1].any():
        return float('nan'), float('nan')
    part = excess[:-1]
    statistic = float(part @ np.linalg.pinv(covariance[:-1, :-1]) @ part)
    return statistic, float(chi2.sf(statistic, len(groups) - 1))
