# SPDX-License-Identifier: Apache-2.0
"""Device profiles: which USB camera is inside a kind of fingertip and how its LEDs are driven."""

import re
from dataclasses import dataclass
from pathlib import Path

from tactile_nodes.files.section import read_section

FORMATS = ('MJPG', 'YUYV')
LED_WAYS = ('v4l2_control', 'extension_unit', 'vendor_request', 'none')
CHANNELS = ('red', 'green', 'blue')
KEYS = (
    # key, needed, what to fill in
    ('name', 'always', 'name of this kind of fingertip'),
    ('usb.vendor_id', 'with `usb`', 'only devices with this id are of this kind (`tactile devices '
     '--json`, `lsusb`); without `usb` any camera'),
    ('usb.product_id', 'with `usb`', 'the same'),
    ('usb.unique_serial', 'optional', '`false`: these devices have no serial number, or all the '
     'same; the hand file then needs the `port` of each, and its `serial` is a name of your '
     'choice, written on the fingertip, for records and calibration'),
    ('formats', 'always', 'image formats, `MJPG` and `YUYV`, the preferred one first'),
    ('fixed_controls[].id', 'with `fixed_controls`', 'V4L2 controls that are set in this order '
     'when the device is opened: automatic exposure, gain and white balance off first (`v4l2-ctl '
     '--list-ctrls-menus`)'),
    ('fixed_controls[].value', 'with `fixed_controls`', 'the value'),
    ('exposure.id', 'with `exposure`', 'V4L2 control of the exposure time'),
    ('exposure.step_s', 'with `exposure`', 's per step of that control'),
    ('gain.id', 'with `gain`', 'V4L2 control of the gain'),
    ('gain.step', 'with `gain`', 'gain factor per step of that control'),
    ('leds.way', 'always', '`v4l2_control`, `extension_unit`, `vendor_request` or `none`'),
    ('leds.gamma', 'optional', 'device value = level ^ gamma over the range; default 1'),
    ('leds.controls.all', '`v4l2_control`', 'V4L2 control of all LEDs; its own range is level 0 '
     'to 1'),
    ('leds.controls.red', '`v4l2_control`', 'or one control per channel: `red`, `green`, `blue`'),
    ('leds.unit', '`extension_unit`', 'id of the extension unit (`lsusb -v`)'),
    ('leds.guid', '`extension_unit`', 'or its GUID, 32 digits in the order of the descriptor'),
    ('leds.selector', '`extension_unit`', 'the control of that unit'),
    ('leds.request', '`vendor_request`', 'bRequest; the request goes to the device'),
    ('leds.value', 'optional', '`vendor_request`: wValue, default 0'),
    ('leds.index', 'optional', '`vendor_request`: wIndex, default 0'),
    ('leds.layout.fields', '`extension_unit`, `vendor_request`', 'what is sent, in order: `red`, '
     '`green`, `blue` (or `all`: one level) and constant bytes'),
    ('leds.layout.bytes_per_level', 'optional', 'bytes of each level, default 1'),
    ('leds.layout.byte_order', 'optional', '`little` (default) or `big`'),
    ('leds.layout.range', 'with `layout`', 'device values of level 0 and level 1'),
)
"""What a user fills in for a new kind of fingertip; the README's table."""
NUMBER_YOURSELF = (
    'Where cameras have no serial number, or all the same, say `usb.unique_serial: false` in the '
    'device profile, and in the hand file give each finger a `serial` of your choice and the '
    '`port` it is plugged into.')


@dataclass(frozen=True)
class ScaledControl:
    """A V4L2 control and what one step of it means.

    Attributes
    ----------
    id : int
    step : float
        s per step (exposure) or gain factor per step.
    """

    id: int
    step: float


@dataclass(frozen=True)
class Layout:
    """How LED levels become bytes.

    Attributes
    ----------
    fields : tuple of str or int
        In order: a channel name, 'all' (one level for all LEDs), or a constant byte.
    bytes_per_level : int
    big_endian : bool
    low, high : int
        Device values of level 0 and level 1.
    """

    fields: tuple
    bytes_per_level: int
    big_endian: bool
    low: int
    high: int

    @property
    def size(self):
        """Bytes of one request."""
        return sum(self.bytes_per_level if isinstance(f, str) else 1 for f in self.fields)


@dataclass(frozen=True)
class Leds:
    """How the LEDs of this kind of device are driven; the attributes of other ways are None.

    Attributes
    ----------
    way : str
        One of LED_WAYS.
    gamma : float
        Device value = level ** gamma, scaled to the device's range.
    controls : dict or None
        v4l2_control: control id by channel, or by 'all'.
    unit : int or None
        extension_unit: unit id, or None to find it by `guid`.
    guid : bytes or None
        extension_unit: the 16 bytes as they stand in the descriptor.
    selector : int or None
        extension_unit.
    request, value, index : int or None
        vendor_request, device recipient (USB 2.0, 9.3).
    layout : Layout or None
        extension_unit, vendor_request.
    """

    way: str
    gamma: float = 1.0
    controls: dict | None = None
    unit: int | None = None
    guid: bytes | None = None
    selector: int | None = None
    request: int | None = None
    value: int | None = None
    index: int | None = None
    layout: Layout | None = None


@dataclass(frozen=True)
class DeviceProfile:
    """A kind of USB fingertip.

    Attributes
    ----------
    name : str
    vendor_id, product_id : int or None
        What it matches; both None in a profile that matches any camera.
    formats : tuple of str
        Image formats in order of preference.
    fixed : tuple of (int, int)
        Controls (id, value) set when the device is opened, in this order: automatic exposure,
        gain and white balance off come first.
    exposure, gain : ScaledControl or None
    leds : Leds
    unique_serial : bool
        Whether devices of this kind are told apart by their serial numbers, else by their ports.
    """

    name: str
    vendor_id: int | None
    product_id: int | None
    formats: tuple[str, ...]
    fixed: tuple[tuple[int, int], ...]
    exposure: ScaledControl | None
    gain: ScaledControl | None
    leds: Leds
    unique_serial: bool = True

    def matches(self, camera):
        """Whether `camera` (with `vendor_id`, `product_id`) is of this kind."""
        return self.vendor_id is None or \
            (self.vendor_id, self.product_id) == (camera.vendor_id, camera.product_id)


def read_device_profile(path):
    """Read a device profile.

    The keys are those of `KEYS`.

    Returns
    -------
    DeviceProfile

    Raises
    ------
    FileError
    """
    top = read_section(path)
    usb = top.section('usb', None)
    ids, unique = (None, None), True
    if usb is not None:
        ids = (usb.integer('vendor_id', low=0, high=0xFFFF),
               usb.integer('product_id', low=0, high=0xFFFF))
        unique = usb.flag('unique_serial', True)
        usb.finish()
    profile = DeviceProfile(
        name=top.text('name'), vendor_id=ids[0], product_id=ids[1], formats=_formats(top),
        fixed=tuple(_fixed(s) for s in top.sections('fixed_controls', ())),
        exposure=_scaled(top.section('exposure', None), 'step_s'),
        gain=_scaled(top.section('gain', None), 'step'), leds=_leds(top.section('leds')),
        unique_serial=unique)
    top.finish()
    return profile


def find_profile(camera, folder):
    """The profile in `folder` made for this camera, else None."""
    profiles = (read_device_profile(path) for path in sorted(Path(folder).glob('*.yaml')))
    return next((p for p in profiles if p.vendor_id is not None and p.matches(camera)), None)


def _formats(top):
    formats = top.texts('formats')
    if not formats or len(set(formats)) != len(formats) or set(formats) - set(FORMATS):
        raise top.error('formats', list(formats), 'a list of ' + ', '.join(FORMATS)
                        + ', the preferred one first')
    return tuple(formats)


def _fixed(section):
    pair = (section.integer('id', low=1, high=0xFFFFFFFF),
            section.integer('value', low=-2**31, high=2**31 - 1))
    section.finish()
    return pair


def _scaled(section, step):
    if section is None:
        return None
    control = ScaledControl(section.integer('id', low=1, high=0xFFFFFFFF),
                            section.number(step, above=0))
    section.finish()
    return control


def _leds(section):
    way = section.choice('way', LED_WAYS)
    keys = {'gamma': section.number('gamma', 1.0, low=0.1, high=10)} if way != 'none' else {}
    if way == 'v4l2_control':
        keys['controls'] = _controls(section.section('controls'))
    elif way == 'extension_unit':
        keys['selector'] = section.integer('selector', low=1, high=255)
        if section.has('unit') == section.has('guid'):
            raise section.error('unit', 'both' if section.has('unit') else 'neither',
                                'either unit or guid')
        if section.has('unit'):
            keys['unit'] = section.integer('unit', low=1, high=255)
        else:
            keys['guid'] = _guid(section)
    elif way == 'vendor_request':
        keys.update(request=section.integer('request', low=0, high=255),
                    value=section.integer('value', 0, low=0, high=0xFFFF),
                    index=section.integer('index', 0, low=0, high=0xFFFF))
    if way in ('extension_unit', 'vendor_request'):
        keys['layout'] = _layout(section.section('layout'))
    section.finish()
    return Leds(way, **keys)


def _controls(section):
    names = section.keys()
    if set(names) not in ({'all'}, set(CHANNELS)):
        raise section.error(None, names, 'red, green and blue, or all')
    controls = {name: section.integer(name, low=1, high=0xFFFFFFFF) for name in names}
    section.finish()
    return controls


def _guid(section):
    text = section.text('guid')
    digits = re.sub(r'[-{}\s]', '', text)
    if not re.fullmatch(r'[0-9a-fA-F]{32}', digits):
        raise section.error('guid', text, '32 hexadecimal digits in the order of the descriptor')
    return bytes.fromhex(digits)


def _layout(section):
    fields = section.items('fields')
    named = [f for f in fields if isinstance(f, str)]
    constants = [f for f in fields if not isinstance(f, str)]
    if sorted(named) not in (['all'], sorted(CHANNELS)) or not all(
            isinstance(c, int) and not isinstance(c, bool) and 0 <= c <= 255 for c in constants):
        raise section.error('fields', fields, 'red, green and blue each once (or all once), and '
                            'constant bytes from 0 to 255 where the device wants them')
    width = section.integer('bytes_per_level', 1, low=1, high=4)
    order = section.choice('byte_order', ('little', 'big'), 'little')
    low, high = (int(v) for v in section.numbers('range', 2, low=0, high=256 ** width - 1))
    if low == high:
        raise section.error('range', [low, high], 'two different numbers: level 0 and level 1')
    layout = Layout(tuple(fields), width, order == 'big', low, high)
    section.finish()
    return layout
