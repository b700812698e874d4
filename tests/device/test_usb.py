# SPDX-License-Identifier: Apache-2.0
"""The USB device on a video node without a kernel: what a healthy kernel seldom answers."""

import contextlib
import errno
import os
import time
from collections import Counter
from dataclasses import replace
from itertools import count

import cv2
import numpy as np
import pytest

from tactile_nodes.device import usb_discovery
from tactile_nodes.device.contract import Light
from tactile_nodes.device.usb import UsbDevice
from tactile_nodes.device.v4l2 import GET_CUR, GET_INFO, GET_LEN, SET_CUR
from tactile_nodes.errors import DeviceError, DeviceLost, FrameTimeout
from tactile_nodes.files.device_profile import Layout, Leds
from tactile_nodes.nodes.capture import Capture
from tests.device.camera_node import (
    BLUE,
    CAMERA,
    GREEN,
    HEIGHT,
    LEDS,
    PROFILE,
    RATES,
    RED,
    WIDTH,
    CameraNode,
    put_in_place,
    yuyv,
)

LIT, CHANNELS = Light(0.6, 0.6, 0.6), (RED, GREEN, BLUE)
BYTES = Layout(('red', 'green', 'blue'), 1, False, 0, 255)


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
    before = device.read(1.0).sequence
    assert device.set_frame_rate(RATES[0]) == RATES[0]
    assert device.read(1.0).sequence > before           # as it was: the stream went on


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
        assert device.read(1.0)


UNIT = Leds('extension_unit', guid=bytes(16), selector=1, layout=BYTES)
VENDOR = Leds('vendor_request', request=1, value=0, index=0, layout=BYTES)


@pytest.mark.parametrize(('call', 'number'), [
    ('open', errno.ENODEV), ('modes', errno.ENODEV), ('controls', errno.ENODEV),
    ('set_control', errno.ENODEV), ('set_control', errno.ETIMEDOUT), ('set_format', errno.ENODEV),
    ('set_rate', errno.EPROTO)])
def test_a_camera_that_goes_while_it_is_opened_is_lost(node, call, number):
    node.troubles = {call: answer(number)}
    device = make()
    with pytest.raises(DeviceLost, match='FT-1'):
        device.open()
    assert not node.opened
    node.troubles = {}
    with device:
        assert device.info.serial == 'FT-1'


@pytest.mark.parametrize('leds', [UNIT, VENDOR])
def test_leds_that_go_while_they_are_looked_for_are_lost(node, monkeypatch, leds):
    import usb.core

    def gone(*_, **__):
        raise answer(errno.ENODEV)

    node.troubles = {'unit_query': answer(errno.ETIMEDOUT)}
    monkeypatch.setattr(usb.core, 'find', gone)
    for unit in (None, 4):                # without a unit, the descriptors are read: gone too
        with pytest.raises(DeviceLost, match='FT-1'):
            make(replace(PROFILE, leds=replace(leds, unit=unit))).open()
    assert not node.opened


def test_vendor_requests_without_libusb(node, monkeypatch):
    import usb.core

    def no_backend(*_, **__):
        raise usb.core.NoBackendError('No backend available')

    monkeypatch.setattr(usb.core, 'find', no_backend)
    with pytest.raises(DeviceError, match='libusb-1.0-0') as caught:
        make(replace(PROFILE, leds=VENDOR)).open()
    assert not isinstance(caught.value, DeviceLost) and not node.opened


@pytest.mark.parametrize(('call', 'number', 'message'), [
    ('open', errno.EACCES, 'no permission.*udev rule'), ('open', errno.EBUSY, 'at the moment'),
    ('set_format', errno.EBUSY, 'in use'), ('start', errno.EBUSY, 'in use'),
    ('start', errno.ENOSPC, 'no bandwidth'), ('set_control', errno.EACCES, 'no permission')])
def test_what_can_pass_by_itself_is_to_be_tried_again(node, call, number, message):
    profile = replace(PROFILE, leds=replace(LEDS, controls={'all': RED}))
    node.troubles = {call: answer(number)}
    if call == 'open':          # as VideoNode says it
        node.troubles['open'] = DeviceError('cannot be opened')
        node.troubles['open'].__cause__ = answer(number)
    device = make(profile)
    with pytest.raises(DeviceLost, match=f'(?s){message}'):
        device.open()
        device.start()
    device.close()


@pytest.mark.parametrize(('serial', 'port', 'message'), [
    ('FT-2', '1-2', 'another device'), ('FT-1', '', 'several devices')])
def test_a_wrong_device_may_be_changed_for_the_right_one(monkeypatch, serial, port, message):
    cameras = [CAMERA, replace(CAMERA, port='1-3')]
    monkeypatch.setattr(usb_discovery, 'attached_cameras', lambda _: cameras)
    with pytest.raises(DeviceLost, match=message):
        usb_discovery.find_camera(serial, port)


def test_a_camera_that_does_not_answer_is_asked_once(node):
    """Each transfer that is never answered takes 5 s (uvcvideo's UVC_CTRL_CONTROL_TIMEOUT)."""
    device, frames = make(), []
    capture = Capture(device, lambda: device.set_light(LIT), frames.append, rate=lambda: RATES[0],
                      report=list)
    node.live = True
    capture.start()
    while not frames:
        time.sleep(0.01)
    node.troubles = {'set_control': answer(errno.ETIMEDOUT)}
    node.calls.clear()
    capture.stop()
    device.close()
    assert [name for name, *_ in node.calls] == ['set_control'] and not node.opened


def test_a_camera_that_does_not_answer_a_setting_is_opened_again(node, device):
    device.start()
    device.set_light(LIT)
    node.live, node.troubles = True, {'set_control': [answer(errno.ETIMEDOUT)]}
    with pytest.raises(DeviceLost, match='timed out'):
        device.set_gain(1.0)
    node.calls.clear()
    for use in (lambda: device.set_light(LIT), lambda: device.set_gain(1.0),
                lambda: device.read(1.0)):
        with pytest.raises(DeviceLost, match='opened again'):
            use()
    assert not node.calls
    device.close()
    with device:
        device.start()
        assert device.read(1.0) and not any(node.values[n] for n in CHANNELS)


def read_all(device):
    """All frames that wait, each as soon as it is there."""
    frames = []
    with contextlib.suppress(FrameTimeout):
        while True:
            frames.append(device.read(0.01))
    return frames


def jpeg(level, number=0):
    image = np.full((HEIGHT, WIDTH, 3), level, np.uint8)
    image[:8, :8] += number % 8
    return cv2.imencode('.jpg', image)[1].tobytes()


@pytest.mark.parametrize(('image_format', 'picture'), [('YUYV', yuyv), ('MJPG', jpeg)])
def test_the_same_picture_again_and_again(node, image_format, picture):
    with make(replace(PROFILE, formats=(image_format,))) as device:
        device.start()
        for number in range(30):            # noise
            node.put(picture(120, number))
            assert device.read(1.0).sequence == number
        with pytest.raises(DeviceLost, match='11 identical'):
            for _ in range(11):
                node.put(picture(90))
                device.read(1.0)
        assert not device.dropped.total()


@pytest.mark.parametrize(('image_format', 'picture'), [('YUYV', yuyv), ('MJPG', jpeg)])
def test_a_dark_camera_is_not_stuck(node, image_format, picture):
    with make(replace(PROFILE, formats=(image_format,))) as device:
        device.start()
        for _ in range(30):
            node.put(picture(20 if image_format == 'YUYV' else 5))      # luma 16 is black
            assert device.read(1.0).image.max() < 10
        assert not device.dropped.total()


def test_damaged_pictures_are_not_called_stuck(node, device):
    device.start()
    for _ in range(30):
        node.put(b'', damaged=True)
        assert read_all(device) == []
    assert device.dropped == Counter({'short payload': 30})


@pytest.mark.parametrize(('image_format', 'data', 'damaged', 'reason'), [
    ('YUYV', yuyv(99)[:-1], False, 'short payload'), ('YUYV', b'', True, 'short payload'),
    ('YUYV', yuyv(99)[:-1], True, 'short payload'), ('YUYV', yuyv(99), True, 'error flag'),
    ('MJPG', jpeg(99), True, 'error flag'), ('MJPG', jpeg(99)[:-99], False, 'broken JPEG'),
    ('MJPG', b'', False, 'broken JPEG'), ('MJPG', b'', True, 'error flag')])
def test_damaged_frames_are_counted_by_one_reason(node, image_format, data, damaged, reason):
    with make(replace(PROFILE, formats=(image_format,))) as device:
        device.start()
        node.put(data, damaged=damaged)
        assert read_all(device) == [] and device.dropped == Counter({reason: 1})


def test_the_newest_good_frame_wins(node, device):
    device.start()
    node.put(yuyv(90), yuyv(91), yuyv(92))
    frame, = read_all(device)
    assert frame.sequence == 2 and device.dropped == Counter({'overtaken': 2})
    node.put(yuyv(90), yuyv(91))
    node.put(yuyv(92), damaged=True)
    frame, = read_all(device)
    assert frame.sequence == 4 and device.dropped == Counter({'overtaken': 3, 'error flag': 1})


class Clocks:
    """Stands for `time`: each look takes some microseconds; the clock of the stamps goes wrong."""

    def __init__(self):
        self._rng, self._now, self.ahead, self.pace = np.random.default_rng(1), 10**12, 10**18, 1
        self.busy = False                       # then now and then a look takes milliseconds

    def pass_by(self, seconds):
        self._now += round(seconds * 1e9)
        self.ahead += round(seconds * 1e9 * (self.pace - 1))

    def monotonic_ns(self):
        self._now += int(self._rng.integers(1_000, 20_000))
        if self.busy and self._rng.random() < 0.1:
            self._now += 3_000_000
        return self._now

    def monotonic(self):
        return self.monotonic_ns() * 1e-9

    def stamp(self):
        return self.monotonic_ns() + self.ahead


def test_stamps_follow_a_clock_that_drifts_and_is_set(node, monkeypatch):
    clocks, numbers = Clocks(), count()
    monkeypatch.setattr('tactile_nodes.device.usb.time', clocks)
    with make(clock=clocks.stamp) as device:
        device.start()

        def error():
            """Of the stamp of the next frame, s."""
            clocks.pass_by(1 / 30)
            exposed = clocks.monotonic_ns()
            node.put(yuyv(90, next(numbers)), at=exposed)
            return abs(device.read(1.0).stamp_ns - exposed - clocks.ahead) * 1e-9

        assert max(error() for _ in range(40)) < 20e-6
        clocks.busy = True
        assert max(error() for _ in range(40)) < 20e-6
        clocks.busy = False
        for step in (3600, -7200, 0.002):
            clocks.ahead += round(step * 1e9)
            assert max(error() for _ in range(40)) < 20e-6
        clocks.pace = 1 + 1e-4
        # of the last 32 measurements one is taken
        assert max(error() for _ in range(600)) < 32 / 30 * 1e-4 + 20e-6


class UsbfsDevice:
    """Stands for pyusb's device."""

    def __init__(self):
        self.sent = []

    def ctrl_transfer(self, *request):
        self.sent.append(request)


LEVELS, VALUES = Light(1.0, 0.5, 0.0), (200, 50, 0)         # at gamma 2 and range 0 to 200
THREE, ONE = Layout(('red', 'green', 'blue'), 1, False, 0, 200), Layout(('all',), 2, True, 0, 999)


@pytest.mark.parametrize(('layout', 'expected'), [(THREE, bytes(VALUES)), (ONE, b'\x03\xe7')])
def test_leds_by_unit_and_by_vendor_request_with_gamma(node, monkeypatch, layout, expected):
    import usb.core

    beside = UsbfsDevice()
    monkeypatch.setattr(usb.core, 'find', lambda **_: beside)
    for leds in (Leds('extension_unit', 2.0, unit=4, selector=7, layout=layout),
                 Leds('vendor_request', 2.0, request=0x42, value=1, index=2, layout=layout)):
        node.answers = {GET_LEN: bytes([layout.size, 0]), GET_INFO: bytes([3])}
        with make(replace(PROFILE, leds=leds)) as device:
            device.set_light(LEVELS)
            asked = [call[1:] for call in node.calls if call[0] == 'unit_query'
                     and call[3] == SET_CUR][-1:]
            if leds.way == 'extension_unit':
                assert asked == [(4, 7, SET_CUR, expected)]
            else:
                assert beside.sent[-1][:5] == (0x40, 0x42, 1, 2, expected)


def test_leds_by_three_controls_with_gamma(node):
    with make(replace(PROFILE, leds=replace(LEDS, gamma=2.0))) as device:
        device.set_light(LEVELS)
        assert [node.values[n] for n in CHANNELS] == [100, 25, 0]
    assert [node.values[n] for n in CHANNELS] == [0, 0, 0]


def test_levels_for_leds_that_cannot_be_set(node):
    with make(replace(PROFILE, leds=Leds('none'))) as device:
        assert not device.info.has_light
        device.set_light(Light(0, 0, 0))
        with pytest.raises(DeviceError, match='no LEDs'):
            device.set_light(LIT)


def test_levels_that_a_unit_rounds_are_said(node):
    leds = Leds('extension_unit', unit=4, selector=7, layout=THREE)
    node.answers = {GET_LEN: bytes([3, 0]), GET_INFO: bytes([3]), GET_CUR: bytes([120, 120, 119])}
    with make(replace(PROFILE, leds=leds)) as device:
        device.set_light(LIT)
        assert device.notes == {'LED levels': 'asked for 78 78 78, took 78 78 77'}
        node.answers[GET_CUR] = bytes([120, 120, 120])
        device.set_light(LIT)
        assert device.notes == {}
        node.troubles = {'unit_query': [None, answer(errno.EPIPE)]}     # does not read after all
        device.set_light(LIT)
        assert device.notes == {}
    node.answers[GET_INFO] = bytes([2])
    node.calls.clear()
    with make(replace(PROFILE, leds=leds)) as device:
        device.set_light(LIT)
    assert not [call for call in node.calls if call[0] == 'unit_query' and call[3] == GET_CUR]


def test_levels_that_a_control_rounds_are_said(node):
    with make() as device:
        node.rounds_to = 8
        device.set_light(LIT)
        assert device.notes == {
            f'LED level {name}': 'asked for 60, took 56' for name in ('red', 'green', 'blue')}
        device.set_light(Light(0, 0, 0))
        assert device.notes == {}
