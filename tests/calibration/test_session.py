# SPDX-License-Identifier: Apache-2.0
import numpy as np
import pytest

from tactile_nodes.calibration.session import (
    Overview,
    Recording,
    SensorStillError,
    coarse_lag,
    correlation_lag,
    overview,
    press_of,
    reference_sensor,
    within,
)
from tactile_nodes.errors import DataError

LENGTH = 30.0
ZERO = np.array([0.3, -0.2, 0.5, 2e-3, -1e-3, 3e-3])
STARTS = np.arange(2.0, 28.0, 3.0)           # nine presses of two seconds


def load(seconds):
    """Shape of the presses, 0 to 1."""
    since = (seconds[:, None] - STARTS).clip(0, 2)
    return np.minimum(np.minimum(since / 0.5, 1), (2 - since) / 0.5).max(axis=1)


def recording(seed=1, late=0.0, drift=0.0, **changes):
    rng = np.random.default_rng(seed)
    seconds = np.arange(0, LENGTH, 0.004)
    wrench = load(seconds - late)[:, None] * [0.5, -0.4, -4, 5e-3, 3e-3, 1e-3] + ZERO
    wrench = wrench + drift * seconds[:, None] / LENGTH * [1, 1, 1, 1e-3, 1e-3, 1e-3]
    wrench += rng.normal(0, [0.01, 0.01, 0.02, 1e-4, 1e-4, 1e-4], wrench.shape)
    values = {'wrench_ns': np.round(seconds * 1e9).astype(np.int64) + 10**18, 'wrench': wrench}
    return Recording('session', iter, **values | changes)


def sensor_of(one):
    return reference_sensor(one, 10**18, 10**18 + round(LENGTH * 1e9))


def test_zero_presses_and_idle_are_found():
    found = sensor_of(recording())
    np.testing.assert_allclose(found.zero[:3], ZERO[:3], atol=3e-3)
    np.testing.assert_allclose(found.zero[3:], ZERO[3:], atol=3e-5)
    assert len(found.presses) == len(STARTS)
    np.testing.assert_allclose(found.presses[:, 0], STARTS, atol=0.05)
    np.testing.assert_allclose(found.presses[:, 1], STARTS + 2, atol=0.05)
    rest = within(found.seconds, found.idle, 0.05)
    assert np.abs(found.wrench[rest, :3].mean(axis=0)).max() < 2e-3
    assert found.at(np.array([3.0]))[0, 2] == pytest.approx(-4, abs=0.1)


def test_a_slow_drift_of_the_zero_is_taken_off():
    found = sensor_of(recording(drift=0.1))
    rest = within(found.seconds, found.idle, 0.05)
    assert np.abs(found.wrench[rest, 2]).mean() < 0.025          # its noise is 0.02
    assert found.drift[2] == pytest.approx(0.1, rel=0.2)


@pytest.mark.parametrize('what', ['step', 'fast drift', 'begins pressed', 'coarse'])
def test_presses_are_found_whatever_the_zero_does(what):
    one = recording()
    seconds, wrench = (one.wrench_ns - 10**18) * 1e-9, one.wrench.copy()
    if what == 'step':
        wrench[seconds > 13, 2] += 0.3
    elif what == 'fast drift':
        wrench[:, 2] += 0.02 * seconds
    elif what == 'coarse':
        wrench = np.round(wrench / ([0.05] * 3 + [2e-3] * 3)) * ([0.05] * 3 + [2e-3] * 3)
    else:
        wrench[seconds < 1, 2] -= 3
    found = sensor_of(recording(wrench=wrench))
    presses = found.presses[what == 'begins pressed':]
    assert len(presses) == len(STARTS)
    np.testing.assert_allclose(presses[:, 0], STARTS, atol=0.1)
    np.testing.assert_allclose(presses[:, 1], STARTS + 2, atol=0.1)
    assert found.at(STARTS + 1)[:, 2] == pytest.approx(-4, abs=0.2)


@pytest.mark.parametrize('late', [-7.3, -0.6, 0.0, 12.0])
def test_clocks_that_are_far_apart(late):
    """And images that show nothing of the presses say nothing of it."""
    frames = np.arange(0, LENGTH, 1 / 20)
    thumbs = np.full((len(frames), 30, 40, 3), 100, np.float16)
    thumbs[:, 10:15, 10:15] -= (30 * load(frames))[:, None, None, None].astype(np.float16)
    sensor = sensor_of(recording(wrench_ns=recording().wrench_ns + round(late * 1e9)))
    seen = Overview(np.round(frames * 1e9).astype(np.int64) + 10**18, thumbs, None, (240, 320))
    assert coarse_lag(seen, sensor) == pytest.approx(late, abs=0.03)
    dull = Overview(seen.stamps_ns, np.random.default_rng(1).normal(
        100, 1, thumbs.shape).astype(np.float16), None, (240, 320))
    assert coarse_lag(dull, sensor) == 0


def test_noise_is_that_of_a_mean_of_five_samples():
    """Of 250 a second in 20 ms; a line between two of them averages a little more."""
    noise = np.array([0.01, 0.01, 0.02, 1e-4, 1e-4, 1e-4]) / np.sqrt(5)
    found = [sensor_of(recording(seed)).noise / noise for seed in range(8)]
    assert np.mean(found) == pytest.approx(0.97, abs=0.05)


def test_noise_is_that_of_rest_where_the_force_hardly_ever_rests():
    """Presses that rise and fall all the time, four fifths of it."""
    one = recording()
    seconds = (one.wrench_ns - 10**18) * 1e-9
    wave = np.where(seconds % 5 > 1, np.abs(np.sin(np.pi * (seconds % 5 - 1) / 2)), 0)
    wrench = one.wrench - load(seconds)[:, None] * [0.5, -0.4, -4, 5e-3, 3e-3, 1e-3]
    wrench[:, 2] -= 5 * wave
    found = sensor_of(recording(wrench=wrench))
    assert found.noise[2] == pytest.approx(0.02 / np.sqrt(5), rel=0.2)
    assert found.zero[2] == pytest.approx(ZERO[2], abs=4e-3)


@pytest.mark.parametrize('late', [-0.043, 0.0, 0.017, 0.12])
def test_delay_is_found_to_a_fraction_of_a_frame(late):
    frames = np.arange(0, LENGTH, 1 / 20)
    found = sensor_of(recording(late=late))
    lag, score = correlation_lag(frames, load(frames), found.seconds, -found.wrench[:, 2])
    assert lag == pytest.approx(late, abs=2e-3) and score > 0.99


def test_clocks_that_do_not_overlap():
    one = recording()
    with pytest.raises(DataError, match='clocks of camera and reference sensor do not overlap'):
        sensor_of(recording(wrench_ns=one.wrench_ns + 10**12))


def test_values_that_are_not_finite():
    wrench = recording().wrench.copy()
    wrench[500, 2] = np.nan
    with pytest.raises(DataError, match='not finite.*1 of 7500 messages, the first 2.00 s'):
        sensor_of(recording(wrench=wrench))


def test_a_sensor_that_does_not_move():
    with pytest.raises(SensorStillError, match='does not move.*right topic'):
        sensor_of(recording(wrench=np.tile(ZERO, (7500, 1))))


def test_frames_belong_to_presses():
    presses = np.array([[1.0, 2.0], [3.0, 4.0]])
    seconds = np.array([0.5, 0.95, 1.5, 2.5, 3.0])
    assert press_of(seconds, presses).tolist() == [-1, 0, 0, -1, 1]


def pictures(*images):
    return Recording('pictures', lambda: iter([(i, image) for i, image in enumerate(images)]))


def test_overview_of_odd_images_is_refused():
    plain = np.full((48, 64, 3), 100, np.uint8)
    bright = np.full((48, 64, 3), 255, np.uint8)
    seen = overview(pictures(plain, bright))
    assert seen.saturated.tolist() == [0, 1] and seen.shape == (48, 64)
    with pytest.raises(DataError, match='several sizes'):
        overview(pictures(plain, plain[:40]))
    with pytest.raises(DataError, match='too few images'):
        overview(pictures(plain))


def test_change_leaves_a_change_of_light_out():
    rng = np.random.default_rng(2)
    plain = rng.integers(80, 120, (48, 64, 3)).astype(np.uint8)
    pressed = plain.copy()
    pressed[10:30, 20:40, 0] //= 2
    dimmer = np.round(plain * 0.9).astype(np.uint8)
    change = overview(pictures(plain, plain, dimmer, pressed)).change(np.array([1, 1, 0, 0], bool))
    assert change[0] < 1e-3 and change[2] < 0.02 < change[3]
