# SPDX-License-Identifier: Apache-2.0
"""Hand files: which fingertips make up a hand, what is mounted on them and how they run."""

import math
import re
from dataclasses import dataclass
from pathlib import Path

from tactile_nodes.core.geometry import ImageGeometry
from tactile_nodes.core.types import Elastomer
from tactile_nodes.errors import DataError
from tactile_nodes.files.calibration import read_calibration
from tactile_nodes.files.device_profile import NUMBER_YOURSELF, read_device_profile
from tactile_nodes.files.elastomer import read_elastomer
from tactile_nodes.files.scenario import read_scenario
from tactile_nodes.files.section import read_section
from tactile_nodes.interface import PARAMETERS

_DEVICE = {parameter.name: parameter for parameter in PARAMETERS['device']}
_DEFAULTS = {
    'frame_rate': _DEVICE['frame_rate'].default,
    'exposure_ms': _DEVICE['exposure'].default * 1e3,
    'gain': _DEVICE['gain'].default,
    'leds': {name[4:]: _DEVICE[name].default for name in _DEVICE if name.startswith('led.')},
}
_MOST_FINGERS = 32
_TAKEN = ('hand', 'recorder', 'rviz')      # names of a hand's other processes
_NAME = re.compile(r'[a-zA-Z](_?[a-zA-Z0-9])*')
_FRAME = re.compile(r'[a-zA-Z0-9_][a-zA-Z0-9_/.-]*')


@dataclass(frozen=True)
class DeviceSpec:
    """Where a finger's images come from.

    Attributes
    ----------
    kind : str
        'usb', 'virtual' or 'recording'.
    profile : Path or None
        USB: device profile.
    port : str
        USB: port path that the finger must be on, such as '1-2.3'; '' wherever it is.
    scenario : Path or None
        Virtual: what happens to the fingertip.
    start : float
        Virtual: where in the scenario to begin, s.
    recording : Path or None
        Recording: bag or folder of images.
    topic : str
        Recording: image topic in the bag; '' for the only one.
    repeat : bool
        Recording: begin again at its end.
    """

    kind: str
    profile: Path | None = None
    port: str = ''
    scenario: Path | None = None
    start: float = 0.0
    recording: Path | None = None
    topic: str = ''
    repeat: bool = False


@dataclass(frozen=True)
class Mount:
    """Pose of the tip frame in the hand's base frame.

    Attributes
    ----------
    xyz : (float, float, float)
        Position, m.
    rpy : (float, float, float)
        Roll, pitch and yaw about the fixed axes x, y, z, rad (REP 103).
    """

    xyz: tuple[float, float, float]
    rpy: tuple[float, float, float]


@dataclass(frozen=True)
class Finger:
    """One fingertip of the hand: SI units, files checked.

    Attributes
    ----------
    name, serial : str
    elastomer : Elastomer
    elastomer_file : Path
    calibration_file : Path or None
    device : DeviceSpec
    mount : Mount or None
    frame_rate : float
        Hz.
    exposure : float
        s.
    gain : float
        A factor.
    leds : dict
        Level from 0.0 to 1.0 by channel (red, green, blue).
    """

    name: str
    serial: str
    elastomer: Elastomer
    elastomer_file: Path
    calibration_file: Path | None
    device: DeviceSpec
    mount: Mount | None
    frame_rate: float
    exposure: float
    gain: float
    leds: dict[str, float]

    @property
    def frame(self):
        """Name of the tip frame."""
        return f'{self.name}_tip'


@dataclass(frozen=True)
class Hand:
    """A hand: its name is the namespace; `width` and `height` of the images in px."""

    path: Path
    name: str
    base_frame: str
    width: int
    height: int
    fingers: tuple[Finger, ...]


def read_hand(path):
    """Read a hand file and every file that it names.

    Keys: `hand`, `base_frame`, `image` (`width`, `height`), `fingers` (by name: `serial`,
    `elastomer`, `device`, optional `calibration` and `mount`); optional, for all fingers and for
    one: `frame_rate`, `exposure_ms`, `gain`, `leds` (`red`, `green`, `blue`).

    Returns
    -------
    Hand

    Raises
    ------
    FileError
        This file or one that it names is missing or wrong.
    """
    top = read_section(Path(path).absolute())
    image = top.section('image')
    hand = {'path': top.path, 'name': _name(top, 'hand', top.text('hand')),
            'base_frame': _matching(top, 'base_frame', top.text('base_frame'), _FRAME,
                                    "letters, digits, '_', '/', '.', '-', no '/' at the start"),
            'width': image.integer('width', **_range('width')),
            'height': image.integer('height', **_range('height'))}
    try:
        ImageGeometry.usual(hand['height'], hand['width'])
    except DataError as error:
        raise top.error('image', error.found, error.expected) from None
    image.finish()
    common = _settings(top, _DEFAULTS)
    group = top.section('fingers')
    names = group.keys()
    if not 0 < len(names) <= _MOST_FINGERS:
        raise top.error('fingers', names, f'at least one finger, at most {_MOST_FINGERS}')
    _check_owners(group, names)
    size = hand['width'], hand['height']
    fingers = tuple(_finger(group, name, common, size) for name in names)
    group.finish()
    top.finish()
    return Hand(fingers=fingers, **hand)


def _check_owners(group, names):
    """Refuse a serial number or a port that two fingers have."""
    owners = {}
    for name in names:
        finger = group.section(name)
        device = finger.section('device')
        for section, key, value in ((finger, 'serial', finger.text('serial')),
                                    (device, 'port', device.text('port', None))):
            owner = owners.setdefault((key, value), name)
            if value is not None and owner != name:
                raise section.error(key, value, f'one that no other finger has ({owner} has it)',
                                    NUMBER_YOURSELF if key == 'serial' and device.has('profile')
                                    else None)


def _finger(group, name, common, size):
    _name(group, name, name)
    if name in _TAKEN:
        raise group.error(name, name, 'another name: a process of the hand has this one')
    where = group.section(name)
    serial = where.text('serial')
    elastomer_file = where.file('elastomer')
    elastomer = read_elastomer(elastomer_file)
    calibration_file = where.file('calibration', None)
    if calibration_file is not None:
        read_calibration(calibration_file, serial=serial, elastomer=elastomer.name, size=size)
    settings = _settings(where, common)
    device = _device(where.section('device'))
    if device.kind == 'virtual' and settings['exposure_ms'] * settings['frame_rate'] > 1e3:
        raise where.error('exposure_ms', settings['exposure_ms'],
                          f'at most a frame period, {1e3 / settings["frame_rate"]:.4g} ms')
    finger = Finger(
        name=name, serial=serial, elastomer=elastomer,
        elastomer_file=elastomer_file, calibration_file=calibration_file,
        device=device, mount=_mount(where.section('mount', None)),
        frame_rate=settings['frame_rate'], exposure=settings['exposure_ms'] * 1e-3,
        gain=settings['gain'], leds=settings['leds'])
    where.finish()
    return finger


def _settings(section, defaults):
    """Frame rate, exposure, gain and LED levels as the file says them, else as `defaults`."""
    leds = section.section('leds', {})
    settings = {
        'frame_rate': section.number('frame_rate', defaults['frame_rate'], **_range('frame_rate')),
        'exposure_ms': section.number('exposure_ms', defaults['exposure_ms'],
                                      **_range('exposure', 1e-3)),
        'gain': section.number('gain', defaults['gain'], **_range('gain')),
        'leds': {channel: leds.number(channel, level, **_range(f'led.{channel}'))
                 for channel, level in defaults['leds'].items()}}
    leds.finish()
    return settings


def _device(section):
    kind = section.choice('kind', ('usb', 'virtual', 'recording'))
    if kind == 'usb':
        device = DeviceSpec(kind, profile=section.file('profile'), port=section.text('port', ''))
        profile = read_device_profile(device.profile)
        if not device.port and not profile.unique_serial:
            raise section.error('port', None, 'the port that the finger is plugged into, because '
                                'devices of this profile are not told apart by serial numbers',
                                '`tactile devices` lists the ports.')
    elif kind == 'virtual':
        device = DeviceSpec(kind, scenario=section.file('scenario'),
                            start=section.number('start_s', 0.0, **_range('scenario_start')))
        read_scenario(device.scenario)
    else:
        device = DeviceSpec(kind, recording=section.file('path'), topic=section.text('topic', ''),
                            repeat=section.flag('repeat', False))
    section.finish()
    return device


def _mount(section):
    if section is None:
        return None
    mount = Mount(xyz=tuple(value * 1e-3 for value in section.numbers('xyz_mm', 3)),
                  rpy=tuple(math.radians(value) for value in section.numbers('rpy_deg', 3)))
    section.finish()
    return mount


def _range(name, unit=1.0):
    """Limits of a device parameter as keyword arguments; `unit` is the file's unit in SI."""
    return {'low': _DEVICE[name].low / unit, 'high': _DEVICE[name].high / unit}


def _name(section, key, value):
    """Check a name that becomes a ROS namespace."""
    return _matching(section, key, value, _NAME,
                     "letters, digits and single '_', a letter first, no '_' at the end")


def _matching(section, key, value, pattern, expected):
    if not isinstance(value, str) or not pattern.fullmatch(value):
        raise section.error(key, value, expected)
    return value
