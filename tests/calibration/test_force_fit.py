# SPDX-License-Identifier: Apache-2.0
"""The correction never sees the press it is judged by, and does no harm where nothing is to do."""

import numpy as np

from tactile_nodes.calibration import force_fit
from tactile_nodes.calibration.force_fit import fit_axis, sizes
from tactile_nodes.core.force_model import FEATURES
from tactile_nodes.core.types import AXES

PRESSES, FRAMES = 20, 12
FULL_SCALE = np.array([4, 4, 8, 0.02, 0.02, 0.02])


def session(rng):
    """Feature rows, press of every row."""
    press = np.repeat(np.arange(PRESSES), FRAMES)
    wrench = rng.normal(size=(PRESSES, 6))[press] * rng.uniform(0.2, 1, (len(press), 1))
    strain = rng.uniform(0.05, 0.3, len(press))
    wrench = wrench * FULL_SCALE / 3
    features = np.zeros((len(press), len(FEATURES)))
    features[:, :6], features[:, 6:12] = wrench, wrench * strain[:, None]
    return features, press


def test_a_press_is_never_on_both_sides(monkeypatch):
    """Each row carries its press's number in the target: no fit may see one it is asked about."""
    features, press = session(np.random.default_rng(1))
    target, seen = press.astype(float), []
    real = force_fit.fit_linear

    def watched(design, values, shrink):
        seen.append(set(values))
        return real(design, values, shrink)

    monkeypatch.setattr(force_fit, 'fit_linear', watched)
    fit_axis(features, target, press, sizes(features, FULL_SCALE, 'fz'))
    left_out = [set(range(PRESSES)) - one for one in seen]
    assert all(len(one) <= 1 for one in left_out)
    for number in range(PRESSES):            # every press is left out once per strength
        assert sum(one == {number} for one in left_out) == len(force_fit._STRENGTHS)
    assert sum(not one for one in left_out) == 1          # and the last fit takes all


def test_held_out_predictions_do_not_know_their_press():
    """What only one press does cannot be predicted for it."""
    features, press = session(np.random.default_rng(2))
    target = np.where(press == 7, features[:, 2], 0.0)
    fit = fit_axis(features, target, press, sizes(features, FULL_SCALE, 'fz'))
    odd = press == 7
    assert np.abs(fit.held_out[odd]).max() < 0.1 * np.abs(target[odd]).max()


def test_a_real_effect_is_found():
    """An axis that is 20 % stiffer per strain, as a layer pressed deeply may be."""
    rng = np.random.default_rng(3)
    features, press = session(rng)
    column = FEATURES.index('fz strain')
    target = 0.2 * features[:, column] + rng.normal(0, 1e-3, len(press))
    fit = fit_axis(features, target, press, sizes(features, FULL_SCALE, 'fz'))
    assert abs(fit.weights[column] - 0.2) < 0.02
    assert np.abs(fit.held_out - target).std() < 0.02


def test_noise_alone_corrects_nothing():
    rng = np.random.default_rng(4)
    features, press = session(rng)
    target = rng.normal(0, 0.01, PRESSES)[press]
    fit = fit_axis(features, target, press, sizes(features, FULL_SCALE, 'fx'))
    assert np.abs(features @ fit.weights).max() < 0.01


def test_features_of_another_symmetry_are_left_out():
    features, _ = session(np.random.default_rng(5))
    size = dict(zip(FEATURES, sizes(features, FULL_SCALE, 'fz'), strict=True))
    assert size['fz strain'] > 0 and size['fx strain'] == 0 and size['tz strain'] == 0
    assert all(size[axis] > 0 for axis in AXES)
