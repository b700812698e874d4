# SPDX-License-Identifier: Apache-2.0
"""The USB device on a video node without a kernel: what a healthy kernel seldom answers."""

import errno
import os

import pytest

from tactile_nodes.device.usb import UsbDevice
from tactile_nodes.errors import DeviceError, DeviceLost
from tests.device.camera_node import (
    HEIGHT,
    PROFILE,
    RATES,
    WIDTH,
    CameraNode,
    put_in_place,
)


def answer(number):
    """What the kernel answers."""
    return OSError(number, os.strerror(number))


@pytest.fixture
def node(monkeypatch):
    return put_in_place(monkeypatch, CameraNode())


def make(profile=PROFILE, **options):
    return UsbDevice('FT-1', profile, width=WIDTH, height=HEIGHT, frame_rate=RATES[0], **options)


@pytest.fixture
def device(node):
    with make() as device:
        yield device


@pytest.mark.parametrize('call', ['set_rate', 'start'])
def test_a_rate_that_the_bus_refuses_leaves_the_old_one(node, device, call):
    device.start()
    node.live, node.troubles = True, {call: [answer(errno.ENOSPC)]}
    with pytest.raises(DeviceError, match='no bandwidth left on USB bus 1'):
        device.set_frame_rate(RATES[2])
    assert [rate for name, *rate in node.calls if name == 'set_rate'][-1] == [RATES[0]]
    assert device.read(1.0).sequence == 0
    assert device.set_frame_rate(RATES[0]) == RATES[0]
    assert device.read(1.0).sequence > 0                # as it was: the stream went on


def test_a_camera_that_goes_while_its_rate_is_changed_is_lost(node, device):
    device.start()
    node.troubles = {'start': answer(errno.ENODEV)}
    with pytest.raises(DeviceLost):
        device.set_frame_rate(RATES[2])
    with pytest.raises(DeviceLost, match='No such device'):
        device.read(0.1)
    device.close()
    node.troubles, node.live = {}, True
    with device:
        device.start()
        assert device.read(1.0).sequence == 0
