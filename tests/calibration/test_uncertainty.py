# SPDX-License-Identifier: Apache-2.0
import numpy as np
import pytest

from tactile_nodes.calibration.uncertainty import figures, fit_sd
from tactile_nodes.core.force_model import FEATURES, Correction


def test_sd_follows_the_load_and_covers_68_percent():
    """Errors of known standard deviation, which grows with load, and others drawn anew."""
    rng = np.random.default_rng(1)
    own, load = rng.uniform(0, 8, (2, 4000))
    load = load / 8
    true = np.sqrt(0.02**2 + (0.03 * own)**2)
    floor, share_own, share_all = fit_sd(rng.normal(0, true), own, load, 8.0)
    found = np.sqrt(floor**2 + (share_own * own)**2 + (share_all * 8 * load)**2)
    np.testing.assert_allclose(found, true, rtol=0.15)
    assert (np.abs(rng.normal(0, true)) < found).mean() == pytest.approx(0.683, abs=0.02)


def test_noise_of_the_reference_is_not_counted():
    rng = np.random.default_rng(2)
    own, load = rng.uniform(0, 4, 4000), rng.uniform(0, 1, 4000)
    true = np.hypot(0.004, 0.01 * own)
    error = rng.normal(0, true) + rng.normal(0, 0.01, 4000)
    floor, share_own, share_all = fit_sd(error, own, load, 4.0, noise=0.01)
    found = np.sqrt(floor**2 + (share_own * own)**2 + (share_all * 4 * load)**2)
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
    inside = correction.sd(np.array([0, 0, -8.0, 0, 0, 0]))
    outside = correction.sd(np.array([0, 0, -12.0, 0, 0, 0]))
    assert (outside > 5 * inside).all()
