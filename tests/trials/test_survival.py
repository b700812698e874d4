# SPDX-License-Identifier: Apache-2.0
"""Statistics against published worked examples and against SciPy and lifelines."""

import warnings

import numpy as np
import pytest
from scipy import stats

from tactile_nodes.trials.survival import kaplan_meier, log_rank, wilson

# Remission of leukaemia in weeks, + = still in remission: E. J. Freireich et al., Blood 21 (1963)
# 699, as D. G. Kleinbaum and M. Klein print and work it (Survival Analysis, ch. 2).
TREATED = ([6, 6, 6, 7, 10, 13, 16, 22, 23, 6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35],
           [1] * 9 + [0] * 12)
PLACEBO = ([1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23], [1] * 21)


def test_kaplan_meier_is_that_of_the_book():
    curve = kaplan_meier(*TREATED)
    assert curve.time.tolist() == [6, 7, 10, 13, 16, 22, 23]
    assert curve.at_risk.tolist() == [21, 17, 15, 12, 11, 7, 6]
    # Kleinbaum and Klein, table of S(t) of the treated, printed to four digits
    assert curve.share == pytest.approx([.8571, .8067, .7529, .6902, .6275, .5378, .4482],
                                        abs=5e-5)
    assert kaplan_meier(*PLACEBO).share[:4] == pytest.approx([19 / 21, 17 / 21, 16 / 21, 14 / 21])


def test_log_rank_is_that_of_the_book():
    statistic, p = log_rank([TREATED, PLACEBO])
    assert statistic == pytest.approx(16.793, abs=5e-4)         # as printed there
    assert p == pytest.approx(4.17e-5, rel=5e-3)


def censored(times, events):
    times, events = np.array(times, float), np.array(events, bool)
    return stats.CensoredData.right_censored(times, ~events)


def random_group(rng, count):
    return rng.integers(1, 30, count).astype(float), rng.random(count) < 0.7


@pytest.mark.skipif(not hasattr(stats, 'logrank'), reason='SciPy before 1.11 has neither')
def test_curve_band_and_test_agree_with_scipy():
    rng = np.random.default_rng(2)
    for _ in range(5):
        groups = [random_group(rng, 25), random_group(rng, 18)]
        ours = log_rank(groups)
        theirs = stats.logrank(*(censored(*group) for group in groups))
        assert ours[0] == pytest.approx(theirs.statistic ** 2)
        assert ours[1] == pytest.approx(theirs.pvalue)
        survival = stats.ecdf(censored(*groups[0])).sf
        curve = kaplan_meier(*groups[0])
        assert curve.share == pytest.approx(survival.evaluate(curve.time))
        with warnings.catch_warnings():
            warnings.simplefilter('ignore')         # where the band is not defined
            band = survival.confidence_interval(method='log-log')
        inside = curve.share > 0
        assert curve.low[inside] == pytest.approx(band.low.evaluate(curve.time)[inside])
        assert curve.high[inside] == pytest.approx(band.high.evaluate(curve.time)[inside])


def test_agrees_with_lifelines():
    lifelines = pytest.importorskip('lifelines')
    from lifelines.statistics import multivariate_logrank_test
    rng = np.random.default_rng(3)
    groups = [random_group(rng, 20) for _ in range(3)]
    ours = log_rank(groups)
    theirs = multivariate_logrank_test(
        np.concatenate([times for times, _ in groups]), np.repeat([0, 1, 2], 20),
        np.concatenate([events for _, events in groups]))
    assert ours == pytest.approx((theirs.test_statistic, theirs.p_value))
    fitted = lifelines.KaplanMeierFitter().fit(*groups[0])
    curve = kaplan_meier(*groups[0])
    assert curve.share == pytest.approx(fitted.predict(curve.time).to_numpy())
    band = fitted.confidence_interval_survival_function_.loc[curve.time].to_numpy()
    inside = curve.share > 0
    assert curve.low[inside] == pytest.approx(band[inside, 0])
    assert curve.high[inside] == pytest.approx(band[inside, 1])


# R. G. Newcombe, Statistics in Medicine 17 (1998) 857, table I, method 3 (score)
@pytest.mark.parametrize(('successes', 'count', 'interval'), [
    (81, 263, (0.2553, 0.3662)), (15, 148, (0.0624, 0.1605)), (0, 20, (0.0, 0.1611)),
    (1, 29, (0.0061, 0.1718))])
def test_wilson_is_that_of_newcombes_table(successes, count, interval):
    assert wilson(successes, count) == pytest.approx(interval, abs=5e-5)
    binomial = stats.binomtest(successes, count).proportion_ci(method='wilson')
    assert wilson(successes, count) == pytest.approx((binomial.low, binomial.high), abs=1e-12)


def test_nothing_happened():
    assert wilson(0, 0) == (0, 1)
    curve = kaplan_meier([3.0, 4.0], [False, False])
    assert len(curve.time) == 0
    assert np.isnan(log_rank([([1.0], [False]), ([2.0], [False])])).all()
    everything = kaplan_meier([1.0, 2.0], [True, True])
    assert everything.share.tolist() == [0.5, 0.0] and everything.high[1] == 1
