# SPDX-License-Identifier: Apache-2.0
import numpy as np
import pytest

from tactile_nodes.calibration.uncertainty import figures, fit_sd
from tactile_nodes.core.force_model import FEATURES, Correction


def sd_of(shares, own, layer_sd):
    return np.sqrt(np.square(np.stack([np.ones_like(own), own, layer_sd], 1) * shares).sum(1))


@pytest.mark.parametrize('shares', [(0.02, 0.03, 0.0), (0.02, 0.0, 0.6), (0.0, 0.01, 0.4)])
def test_sd_follows_load_and_layer_and_covers_68_percent(shares):
    """Errors of known standard deviation, and others drawn anew."""
    rng = np.random.default_rng(1)
    own, layer_sd = rng.uniform(0, 8, 4000), rng.uniform(0.01, 0.3, 4000)
    true = sd_of(shares, own, layer_sd)
    found = sd_of(fit_sd(rng.normal(0, true), own, layer_sd), own, layer_sd)
    np.testing.assert_allclose(found, true, rtol=0.15)
    assert (np.abs(rng.normal(0, true)) < found).mean() == pytest.approx(0.683, abs=0.02)


def test_noise_of_the_reference_is_not_counted():
    rng = np.random.default_rng(2)
    own, layer_sd = rng.uniform(0, 4, 4000), rng.uniform(0, 0.04, 4000)
    true = np.hypot(0.004, 0.01 * own)
    error = rng.normal(0, true) + rng.normal(0, 0.01, 4000)
    found = sd_of(fit_sd(error, own, layer_sd, noise=0.01), own, layer_sd)
    assert (np.abs(rng.normal(0, true)) < found).mean() == pytest.approx(0.683, abs=0.05)


def test_figures_of_a_transducer_with_known_faults():
    """1 % more going down than up, sagging by 2 % at full scale and half of that between."""
    rise = np.linspace(0, 1, 50)
    one = np.concatenate([rise, rise[::-1]])
    reference = np.tile(8 * one, 20)
    press, seconds = np.repeat(np.arange(20), 100), np.tile(np.arange(100.0), 20)
    going_down = seconds % 100 >= 50
    error = 8 * (0.01 * going_down + 0.08 * (reference / 8) * (1 - reference / 8))
    found = figures(reference, error, press, seconds, 8.0)
    assert found.hysteresis == pytest.approx(1.0, abs=0.01)
    assert found.rmse == pytest.approx(100 * np.sqrt(np.mean((error / 8)**2)))
    assert 0.5 < found.non_linearity < 2.5 and found.repeatability == pytest.approx(0, abs=1e-9)
    shifted = error + 0.08 * np.where(press % 2, 1, -1)
    assert figures(reference, shifted, press, seconds, 8.0).repeatability == pytest.approx(
        np.sqrt(20 / 19), abs=0.01)


def test_outside_the_range_sd_grows():
    part = np.full(6, 0.01)
    correction = Correction(np.zeros((6, len(FEATURES))), part, part, part,
                            [4, 4, 8, 0.02, 0.02, 0.02])
    inside = correction.sd(np.array([0, 0, -8.0, 0, 0, 0]), part)
    outside = correction.sd(np.array([0, 0, -12.0, 0, 0, 0]), part)
    assert (outside > 5 * inside).all()
