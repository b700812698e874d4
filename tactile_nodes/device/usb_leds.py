# SPDX-License-Identifier: Apache-2.0
"""The three ways to set LEDs over USB while the kernel's video driver streams.

A V4L2 control and an extension unit go through the video node; a vendor request goes through
usbfs with device recipient, which the kernel lets pass beside its own driver (a class request to
an interface would be refused as busy, so extension units are never reached that way).
"""

import struct
from contextlib import suppress
from dataclasses import astuple

from tactile_nodes.device.contract import CHANNELS
from tactile_nodes.device.usb_discovery import udev_rule
from tactile_nodes.device.v4l2 import GET_CUR, GET_INFO, GET_LEN, NO_ANSWER, SET_CUR
from tactile_nodes.errors import DeviceError, DeviceLost

_DEVICE_VENDOR_OUT = 0x40        # bmRequestType: host to device, vendor, device (USB 2.0, 9.3.1)
_TIMEOUT_MS = 2000               # a device may take 5 s (USB 2.0, 9.2.6.1), a user would not wait
_INTERFACE_CLASS, _EXTENSION_UNIT = 0x24, 0x06
_READABLE, _SETTABLE = 1, 2      # bits of GET_INFO (UVC 1.1, 4.1.2)


def led_driver(leds, node, camera):
    """A function that sends a Light to the device, by the way that the profile says.

    Parameters
    ----------
    leds : Leds
    node : VideoNode, open
    camera : AttachedCamera

    Returns
    -------
    callable or None
        Takes a Light, raises as this does, and returns {name: what the device rounded, or ''};
        None if the LEDs cannot be set.

    Raises
    ------
    DeviceError
        The device has no such control, unit or permission.
    OSError
        It is gone or does not answer.
    """
    makers = {'none': lambda *_: None, 'v4l2_control': _by_control,
              'extension_unit': _by_extension_unit, 'vendor_request': _by_vendor_request}
    return makers[leds.way](leds, node, camera)


def rounded(asked, took):
    """What to say of a setting that was read back; '' if it is as asked for."""
    return '' if took == asked else f'asked for {asked}, took {took}'


def device_value(level, gamma, low, high):
    """Level 0-1 to the device's range; `high` may be below `low`."""
    return round(low + (high - low) * level ** gamma)


def channel_levels(light):
    """{channel: level}, and under 'all' the brightest of them for devices with one level."""
    levels = dict(zip(CHANNELS, astuple(light), strict=True))
    return {**levels, 'all': max(levels.values())}


def packed(layout, gamma, light):
    """The bytes that a layout makes of a Light."""
    levels = channel_levels(light)
    order = 'big' if layout.big_endian else 'little'
    return b''.join(
        device_value(levels[field], gamma, layout.low, layout.high)
        .to_bytes(layout.bytes_per_level, order) if isinstance(field, str) else bytes([field])
        for field in layout.fields)


def _by_control(leds, node, camera):
    known = node.controls()
    for name, number in leds.controls.items():
        if number not in known:
            raise DeviceError('the camera has no such LED control', where=_where(camera, name),
                              found=', '.join(f'{c.id:#010x} {c.name}' for c in known.values()),
                              expected=f'control {number:#010x}',
                              fix='Correct leds.controls in the device profile.')

    def send(light):
        levels, notes = channel_levels(light), {}
        for name, number in leds.controls.items():
            control = known[number]
            value = device_value(levels[name], leds.gamma, control.minimum, control.maximum)
            step = control.step or 1
            value = control.minimum + round((value - control.minimum) / step) * step
            took = _refused(camera, lambda n=number, v=value: node.set_control(n, v))
            notes[f'LED level {name}'] = rounded(value, took)
        return notes
    return send


def extension_unit_id(descriptors, guid):
    """Id of the extension unit with this GUID in raw descriptors, else None (UVC 1.1, 3.7.2.6)."""
    offset = 0
    while offset + 2 <= len(descriptors) and descriptors[offset] >= 2:
        d = descriptors[offset:offset + descriptors[offset]]
        if len(d) >= 20 and d[1] == _INTERFACE_CLASS and d[2] == _EXTENSION_UNIT \
                and d[4:20] == guid:
            return d[3]
        offset += descriptors[offset]
    return None


def _by_extension_unit(leds, node, camera):
    unit = leds.unit
    if unit is None:
        unit = extension_unit_id(camera.descriptors(), leds.guid)
    try:
        size, = struct.unpack('<H', node.unit_query(unit, leds.selector, GET_LEN, bytes(2)))
        info = node.unit_query(unit, leds.selector, GET_INFO, bytes(1))[0]
    except (OSError, TypeError) as error:
        if getattr(error, 'errno', None) in NO_ANSWER:
            raise
        raise DeviceError('the camera has no such LED control', where=_where(camera),
                          found='no answer' if unit else 'no unit with that GUID',
                          expected=f'extension unit {unit or leds.guid.hex()}, '
                          f'selector {leds.selector}',
                          fix='Correct leds in the device profile.') from None
    if size != leds.layout.size or not info & _SETTABLE:
        raise DeviceError('the LED control is of another form', where=_where(camera),
                          found=f'{size} bytes, {"" if info & _SETTABLE else "not "}settable',
                          expected=f'{leds.layout.size} bytes, settable',
                          fix='Correct leds.layout in the device profile.')

    def send(light):
        data = packed(leds.layout, leds.gamma, light)
        _refused(camera, lambda: node.unit_query(unit, leds.selector, SET_CUR, data))
        took = data
        if info & _READABLE:
            with suppress(DeviceError):         # of a device that refuses what it says it can
                took = _refused(camera, lambda: node.unit_query(unit, leds.selector, GET_CUR,
                                                                bytes(size)))
        return {'LED levels': rounded(data.hex(' '), took.hex(' '))}
    return send


def _by_vendor_request(leds, node, camera):
    del node                                    # goes through usbfs, beside the video driver
    try:
        import usb.core
    except ImportError:
        raise DeviceError('vendor requests need pyusb', where=_where(camera),
                          fix='Install python3-usb (apt) or pyusb (pip).') from None
    try:
        device = usb.core.find(custom_match=lambda d: (d.bus, d.address) ==
                               (camera.bus, camera.address))
    except usb.core.NoBackendError:
        raise DeviceError('pyusb needs libusb', where=_where(camera),
                          fix='Install libusb-1.0-0 (apt).') from None
    if device is None:
        raise DeviceLost('not found by libusb', where=_where(camera), expected=camera.usbfs)

    def send(light):
        data = packed(leds.layout, leds.gamma, light)
        _refused(camera, lambda: device.ctrl_transfer(_DEVICE_VENDOR_OUT, leds.request,
                                                      leds.value, leds.index, data,
                                                      _TIMEOUT_MS))
        return {}                               # how it would be read nobody has laid down
    return send


def _refused(camera, call):
    """Call, and turn the kernel's or libusb's answer into ours."""
    try:
        return call()
    except PermissionError as error:
        raise _no_permission(camera) from error
    except OSError as error:                    # usb.core.USBError is an OSError too
        if error.errno == 13:
            raise _no_permission(camera) from error
        if error.errno in NO_ANSWER:
            raise
        raise DeviceError(f'the camera refused the LED setting ({error.strerror or error})',
                          where=_where(camera)) from error


def _no_permission(camera):
    return DeviceLost('no permission to send vendor requests', where=_where(camera),
                      found=camera.usbfs, expected='a device that you may write to',
                      fix=f'Add this udev rule and replug:\n{udev_rule(camera)}')


def _where(camera, name=''):
    return f'fingertip {camera.serial or camera.port}, LEDs{" " + name if name else ""}'
