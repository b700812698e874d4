# SPDX-License-Identifier: Apache-2.0
"""The fit behind every calibration, against published results."""

import csv
from pathlib import Path

import numpy as np
import pytest

from tactile_nodes.calibration.least_squares import fit_linear
from tactile_nodes.core.force_model import FEATURES, Correction
from tactile_nodes.errors import DataError

DATA = Path(__file__).parent / 'data'


def table(name):
    with open(DATA / name, encoding='utf-8') as file:
        lines = [line for line in file if not line.startswith('#')]
    rows = list(csv.reader(lines))[1:]
    return np.array(rows, float).T


def test_load_cell_of_nist():
    """NIST StRD, linear least squares, "Pontius": certified coefficients and deviations."""
    load, deflection = table('nist_strd_pontius.csv')
    fit = fit_linear(np.stack([np.ones_like(load), load, load**2], axis=1), deflection)
    np.testing.assert_allclose(
        fit.coefficients,
        [0.673565789473684e-3, 0.732059160401003e-6, -0.316081871345029e-14], rtol=1e-9)
    np.testing.assert_allclose(
        np.sqrt(np.diag(fit.covariance)),
        [0.107938612033077e-3, 0.157817399981659e-9, 0.486652849992036e-16], rtol=1e-9)
    assert fit.residual_sd == pytest.approx(0.205177424076185e-3, rel=1e-9)
    assert fit.freedom == pytest.approx(37)


def test_thermometer_of_the_gum():
    """JCGM 100:2008 (GUM), H.3: straight line through 11 corrections, and its use at 30 deg C."""
    reading, correction = table('gum_h3_thermometer.csv')
    fit = fit_linear(np.stack([np.ones_like(reading), reading - 20], axis=1), correction)
    assert fit.coefficients == pytest.approx([-0.1712, 0.00218], abs=6e-5)
    u = np.sqrt(np.diag(fit.covariance))
    assert u == pytest.approx([0.0029, 0.00067], abs=6e-5)
    assert fit.covariance[0, 1] / u.prod() == pytest.approx(-0.930, abs=6e-4)
    assert fit.residual_sd == pytest.approx(0.0035, abs=6e-5)
    (value,), (sd,) = fit.predict([[1.0, 10.0]])
    assert (value, sd) == (pytest.approx(-0.1494, abs=6e-5), pytest.approx(0.0041, abs=6e-5))


def test_shrinkage_is_bayes_rule():
    """Normal prior and rows of unit variance: the posterior mean by Bayes' rule."""
    rng = np.random.default_rng(1)
    design, target = rng.normal(size=(30, 3)), rng.normal(size=30)
    precision = np.array([0.0, 2.0, 50.0])
    expected = np.linalg.solve(design.T @ design + np.diag(precision), design.T @ target)
    np.testing.assert_allclose(fit_linear(design, target, precision).coefficients, expected)


@pytest.mark.parametrize(('design', 'target', 'expected'), [
    ([[1, 2], [3, 4]], [1, 2], 'too few rows'),
    ([[1, 2], [2, 4], [3, 6]], [1, 2, 3], 'depend on one another'),
    ([[1, 2], [2, 1], [3, np.nan]], [1, 2, 3], 'not finite'),
])
def test_what_cannot_be_fitted_is_refused(design, target, expected):
    with pytest.raises(DataError, match=expected):
        fit_linear(design, target)


def test_propagation_agrees_with_the_gum_tree_calculator():
    """GTC (Measurement Standards Laboratory of New Zealand): line fit and value at 30 deg C."""
    gtc = pytest.importorskip('GTC')
    reading, correction = table('gum_h3_thermometer.csv')
    line = gtc.type_a.line_fit(reading - 20, correction)
    intercept, slope = line.a_b
    fit = fit_linear(np.stack([np.ones_like(reading), reading - 20], axis=1), correction)
    assert fit.coefficients == pytest.approx([gtc.value(intercept), gtc.value(slope)], rel=1e-9)
    at_30 = intercept + 10 * slope
    (value,), (sd,) = fit.predict([[1.0, 10.0]])
    assert value == pytest.approx(gtc.value(at_30), rel=1e-9)
    assert sd == pytest.approx(gtc.uncertainty(at_30), rel=1e-9)


def test_contributions_of_the_stated_sd_add_as_in_the_gum_tree_calculator():
    gtc = pytest.importorskip('GTC')
    scale = np.array([4, 4, 8, 0.02, 0.02, 0.02])
    floor, own, layer = 0.003 * scale, np.full(6, 0.02), np.full(6, 0.4)
    correction = Correction(np.zeros((6, len(FEATURES))), floor, own, layer, scale)
    wrench = np.array([1.0, -0.5, -5.0, 0.004, -0.01, 0.006])
    layer_sd = 0.01 * scale
    for i, sd in enumerate(correction.sd(wrench, layer_sd)):
        total = (wrench[i] * gtc.ureal(1, own[i]) + gtc.ureal(0, floor[i])
                 + layer[i] * gtc.ureal(0, layer_sd[i]))
        assert sd == pytest.approx(gtc.uncertainty(total), rel=1e-12)
