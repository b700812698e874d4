# SPDX-License-Identifier: Apache-2.0
"""Ten minutes in one: the light drifts by 5 %, at rest and under load; nothing else may change.

A frame every three seconds of a virtual fingertip whose LEDs warm up, each colour its own way.
Nothing may be seen at rest, and under a steady load the wrench stay within 1 % of full scale.
"""

import numpy as np
import pytest

from tactile_nodes.device.contract import Light
from tactile_nodes.virtual.mechanics import Pose, Sphere
from tests.core.test_pipeline import Bench, ready

SECONDS = range(0, 600, 3)
FULL_SCALE = np.array([4, 4, 8, 0.02, 0.02, 0.02])         # N, N*m


def lights(count):
    """LED levels while the LEDs warm up: +5 %, -5 % and -2 % after ten minutes."""
    done = 1 - np.exp(-np.arange(count) / count * 3)       # warm-up is quick at first
    return [Light(0.6 * (1 + 0.05 * d), 0.6 * (1 - 0.05 * d), 0.6 * (1 - 0.02 * d))
            for d in done]


@pytest.fixture(scope='module')
def bench():
    return Bench()


@pytest.fixture(scope='module')
def shading(bench):
    return bench.shading()


def shots(bench, count):
    seen = bench.camera.as_seen(bench.skin.state.displacement)
    for light in lights(count):
        yield bench.camera.picture(seen, light, 8e-3, 1.0)


def test_ten_minutes_of_rest_feel_like_nothing(bench, shading):
    bench.skin.reset()
    pipeline = ready(bench, shading)
    for second, image in zip(SECONDS, shots(bench, len(SECONDS)), strict=True):
        contact, markers, estimate = pipeline.process(image, second * 10**9)
        assert not contact.in_contact, f'after {second} s'
        assert (estimate.wrench == 0).all()
        assert np.nanmax(np.abs(markers.displacement)) < 6e-6
    assert contact.light_gain[2] > 1.03 and contact.light_gain[1] < 0.97


@pytest.mark.parametrize('force', [0.2, 3.0])
def test_a_steady_load_is_never_zeroed_away(bench, shading, force):
    pipeline = ready(bench, shading)
    bench.skin.reset()
    for stamp in range(5):
        pipeline.process(bench.picture(), stamp)
    bench.press(Sphere(8e-3), force, Pose(0.5e-3, -0.3e-3))
    seen = [pipeline.process(image, second * 10**9 + 10**9)
            for second, image in enumerate(shots(bench, len(SECONDS) // 2))]
    bench.skin.reset()
    assert all(contact.in_contact for contact, _, _ in seen)
    wrench = np.array([estimate.wrench for _, _, estimate in seen])
    first, last = wrench[:20].mean(axis=0), wrench[-20:].mean(axis=0)
    assert first[2] < -0.8 * force
    assert (np.abs(last - first) < 0.01 * FULL_SCALE).all()


def test_what_was_pressed_is_gone_when_it_lifts(bench, shading):
    """A long touch leaves no trace in the zero."""
    pipeline = ready(bench, shading)
    bench.skin.reset()
    before = [pipeline.process(bench.picture(), second * 10**9)[2] for second in range(20)]
    bench.press(Sphere(8e-3), 2.0, Pose(0, 0))
    for second in range(60):
        pipeline.process(bench.picture(), (20 + second) * 10**9)
    bench.skin.reset()
    contact, _, after = pipeline.process(bench.picture(), 90 * 10**9)
    assert not contact.in_contact and (after.wrench == 0).all()
    np.testing.assert_allclose(after.sd, before[-1].sd, rtol=0.1)
