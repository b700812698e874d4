# SPDX-License-Identifier: Apache-2.0
import pytest

from tactile_nodes.device.contract import Light
from tactile_nodes.device.usb_leds import device_value, extension_unit_id, led_driver, packed
from tactile_nodes.errors import DeviceError
from tactile_nodes.files.device_profile import Layout, Leds
from tests.device.emulated import descriptors

AMBER = Light(1.0, 0.5, 0.0)


def test_level_maps_to_the_devices_range():
    assert [device_value(x, 1.0, 10, 110) for x in (0, 0.25, 1)] == [10, 35, 110]
    assert [device_value(x, 1.0, 255, 0) for x in (0, 1)] == [255, 0]
    assert device_value(0.5, 2.0, 0, 100) == 25


@pytest.mark.parametrize(('layout', 'expected'), [
    (Layout(('red', 'green', 'blue'), 1, False, 0, 255), 'ff8000'),
    (Layout((1, 'blue', 'green', 'red', 0), 1, False, 0, 100), '0100326400'),
    (Layout(('red', 'green', 'blue'), 2, False, 0, 1023), 'ff0300020000'),
    (Layout(('red', 'green', 'blue'), 2, True, 0, 1023), '03ff02000000'),
    (Layout(('all',), 1, False, 0, 200), 'c8'),
])
def test_bytes_of_a_layout(layout, expected):
    data = packed(layout, 1.0, AMBER)
    assert data.hex() == expected and len(data) == layout.size


def test_extension_unit_is_found_by_its_guid():
    raw = descriptors.device() + descriptors.configuration()
    assert extension_unit_id(raw, descriptors.EXTENSION_GUID) == descriptors.EXTENSION
    assert extension_unit_id(raw, bytes(16)) is None
    for cut in range(len(raw)):
        assert extension_unit_id(raw[:cut], bytes(16)) is None


def test_no_leds_no_driver():
    assert led_driver(Leds('none'), None, None) is None


class Node:
    """Stands for a video node that has one control with steps of 10."""

    def __init__(self):
        from tactile_nodes.device.v4l2 import Control
        self.known = {7: Control(7, 'LED', 0, 100, 10, 0, 0)}
        self.sent = []

    def controls(self):
        return self.known

    def set_control(self, number, value):
        self.sent.append((number, value))
        if value == 100:
            raise PermissionError(13, 'Permission denied')
        return value


class Camera:
    serial, port, vendor_id, product_id = 'FT-1', '1-1', 1, 2
    usbfs = '/dev/bus/usb/001/002'


def test_control_keeps_to_the_steps_and_explains_refusals():
    node = Node()
    send = led_driver(Leds('v4l2_control', controls={'all': 7}), node, Camera())
    send(Light(0.1, 0.52, 0.3))
    assert node.sent == [(7, 50)]
    with pytest.raises(DeviceError, match='udev rule'):
        send(Light(1.0, 0.0, 0.0))
