# SPDX-License-Identifier: Apache-2.0
"""The USB device on a video node without a kernel: what a healthy kernel seldom answers."""

import errno
import os
import time
from dataclasses import replace

import pytest

from tactile_nodes.device import usb_discovery
from tactile_nodes.device.contract import Light
from tactile_nodes.device.usb import UsbDevice
from tactile_nodes.errors import DeviceError, DeviceLost
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
        assert device.read(1.0).sequence == 0 and not any(node.values[n] for n in CHANNELS)
