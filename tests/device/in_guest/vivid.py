# SPDX-License-Identifier: Apache-2.0
"""The V4L2 layer against the kernel's own test driver, which nobody here wrote.

Source: the Linux kernel's Documentation/admin-guide/media/vivid.rst.
"""

import time
from contextlib import suppress

import numpy as np
import pytest

from tactile_nodes.device.v4l2 import VideoNode
from tactile_nodes.errors import DeviceError, DeviceLost
from tests.device.in_guest.bench import load

BRIGHTNESS = 0x00980900


@pytest.fixture
def node():
    load('vivid')
    node = next(n for n in (_open(f'/dev/video{i}') for i in range(16))
                if n and n.driver == 'vivid')
    yield node
    node.close()


def _open(path):
    try:
        return VideoNode(path)
    except DeviceError as error:
        print(error)
        return None


def read(node):
    assert node.wait(2.0)
    return node.take()


def test_modes_controls_and_format(node):
    modes = node.modes()
    print(f'{node.card} at {node.bus}: {len(modes)} modes, {len(node.controls())} controls')
    assert any(m.format == 'YUYV' and (m.width_px, m.height_px) == (320, 180)
               and 30.0 in m.rates for m in modes)
    brightness = node.controls()[BRIGHTNESS]
    assert (brightness.name, brightness.minimum, brightness.maximum) == ('Brightness', 0, 255)
    assert node.set_control(BRIGHTNESS, 200) == 200
    with pytest.raises(OSError):
        node.set_control(0x00980999, 1)
    assert node.set_format('YUYV', 320, 180) == ('YUYV', 320, 180, 640, 115200)
    assert node.set_rate(25.0) == pytest.approx(25.0)


def test_frames_come_at_the_rate_with_stamps_and_sequence(node):
    node.set_format('YUYV', 320, 180)
    rate = node.set_rate(10.0)
    node.start()
    filled = [read(node) for _ in range(21)]
    stamps = np.array([f.monotonic_ns for f in filled])
    sequence = np.array([f.sequence for f in filled])
    seen = (sequence[-1] - sequence[0]) / np.ptp(stamps) * 1e9
    print(f'{seen:.3f} frames/s of {rate:g}, now - last stamp '
          f'{(time.monotonic_ns() - stamps[-1]) * 1e-6:.1f} ms')
    assert seen == pytest.approx(rate, rel=0.03)
    assert sequence[0] == 0 and np.all(np.diff(sequence) >= 1)
    assert all(len(f.data) == 115200 and not f.damaged for f in filled)
    assert abs(time.monotonic_ns() - stamps[-1]) < 1e9
    node.stop()
    with pytest.raises(DeviceError, match='not streaming'):
        node.take()
    node.start()
    assert read(node).sequence == 0


def test_brightness_control_changes_the_picture(node):
    node.set_format('YUYV', 320, 180)
    node.set_rate(10.0)
    node.start()
    seen = []
    for value in (50, 200):
        node.set_control(BRIGHTNESS, value)
        data = [read(node).data for _ in range(6)][-1]
        seen.append(np.frombuffer(data, np.uint8)[::2].mean())
    print(f'mean luma at brightness 50 and 200: {seen[0]:.1f}, {seen[1]:.1f}')
    assert seen[1] > seen[0] + 50


def number_of(node, name):
    return next(control.id for control in node.controls().values() if control.name == name)


def press(node, name):
    """A button has no value that could be read back."""
    with suppress(OSError):
        node.set_control(number_of(node, name), 1)


def test_a_frame_that_the_driver_flags_is_damaged(node):
    node.set_format('YUYV', 320, 180)
    node.set_rate(10.0)
    node.start()
    assert not read(node).damaged
    press(node, 'Inject V4L2_BUF_FLAG_ERROR')
    damaged = [read(node).damaged for _ in range(8)]
    print(f'flagged: {damaged}')
    assert damaged.count(True) == 1


def test_frames_that_the_driver_drops_are_gaps_in_the_sequence(node):
    number = number_of(node, 'Percentage of Dropped Buffers')
    node.set_format('YUYV', 320, 180)
    node.set_rate(25.0)
    node.start()
    node.set_control(number, 50)
    sequence = np.array([read(node).sequence for _ in range(30)])
    node.set_control(number, 0)
    print(f'{np.ptp(sequence) + 1 - len(sequence)} of {np.ptp(sequence) + 1} frames dropped')
    assert np.all(np.diff(sequence) >= 1) and np.ptp(sequence) + 1 - len(sequence) >= 5


def test_a_device_that_is_gone_is_lost(node):
    node.set_format('YUYV', 320, 180)
    node.start()
    read(node)
    press(node, 'Disconnect')
    with pytest.raises(DeviceLost, match='went away'):
        while True:
            node.wait(1.0)
            node.take()
    for ask in (node.modes, node.controls):
        with pytest.raises(OSError, match='No such device'):
            ask()
