# SPDX-License-Identifier: Apache-2.0
"""A composed finger is never zeroed under load, however lightly something touches."""

import pytest

from tactile_nodes.nodes.fingertip import compose
from tests.nodes.foreign import wait_until
from tests.nodes.replay import REFERENCE_FRAMES, ReplayDevice

LIGHT = 0.1      # N


@pytest.fixture
def finger(serve, frames, options):
    """A finger with a reference; call with frames to let them through."""
    device = ReplayDevice(frames)
    nodes = compose(device=device, **options)
    serve(nodes)
    nodes[0].begin()

    def show(more):
        device._frames, device._next = list(more), 0
        taken = nodes[0]._taker.count + len(more)
        device.release(len(more))
        wait_until(lambda: nodes[0]._taker.count == taken, 'the frames are through')

    show(frames[:REFERENCE_FRAMES])
    wait_until(lambda: nodes[0]._reference is not None, 'the reference is in use')
    return show


def test_a_light_touch_that_holds_still_refuses_the_reference(finger, foreign, frames):
    def answer():
        return foreign.call('/sorter/index/capture_reference', 'std_srvs/srv/Trigger')

    touch = min(frames, key=lambda frame: abs(frame.truth.wrench[2] + LIGHT))
    assert 0.5 * LIGHT < -touch.truth.wrench[2] < 2 * LIGHT
    finger([touch] * 2 * REFERENCE_FRAMES)
    assert 'something touches the skin' in answer().message
    finger(frames[:3])
    assert 'has just touched' in answer().message
    finger(frames[:REFERENCE_FRAMES])
    assert answer().success
