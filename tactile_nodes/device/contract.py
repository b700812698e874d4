# SPDX-License-Identifier: Apache-2.0
"""What every fingertip device promises; the contract tests run on each implementation."""

from abc import ABC, abstractmethod
from collections import Counter
from dataclasses import dataclass, fields

from tactile_nodes.errors import DeviceError

CHANNELS = ('red', 'green', 'blue')


@dataclass(frozen=True)
class Light:
    """LED level per channel, each a fraction from 0.0 (off) to 1.0 (full)."""

    red: float
    green: float
    blue: float

    def __post_init__(self):
        for field in fields(self):
            value = getattr(self, field.name)
            if not 0 <= value <= 1:          # also refuses NaN
                raise DeviceError('LED level out of range', where=f'led {field.name}',
                                  found=value, expected='a fraction from 0.0 to 1.0')


OFF = Light(0.0, 0.0, 0.0)


@dataclass(frozen=True)
class DeviceInfo:
    """Who the device is and how it delivers images, known once it is open.

    Attributes
    ----------
    serial : str
    description : str
        One line for diagnostics.
    width_px, height_px : int
    frame_rate_range, exposure_range, gain_range : (float, float) or None
        Limits in Hz, s and as a factor; None where the device has no such setting.
    has_light : bool
        Whether LED levels can be set.
    """

    serial: str
    description: str
    width_px: int
    height_px: int
    frame_rate_range: tuple[float, float] | None
    exposure_range: tuple[float, float] | None
    gain_range: tuple[float, float] | None
    has_light: bool


class FingertipDevice(ABC):
    """A source of frames: open, set, start, read again and again, stop, close.

    `open` after `open` and `close` after `close` do nothing. Lights are off after `open` and after
    `close`, however it ends. `set_*` work before and during streaming and return the value that
    the device really took; out of range raises DeviceError and changes nothing. One thread reads;
    settings may come from another thread.

    Attributes
    ----------
    dropped : collections.Counter
        Frames lost since `start`, by reason ('sequence gap', 'corrupt image', ...).
    notes : dict of str to str
        What the device refused or rounded, since `open`, by the name of the setting.
    """

    def __init__(self):
        self.dropped = Counter()
        self.notes = {}

    @abstractmethod
    def open(self):
        """Take the device. Raises DeviceError naming what is missing; then nothing is held."""

    @property
    @abstractmethod
    def info(self):
        """DeviceInfo; only while open."""

    @abstractmethod
    def start(self):
        """Begin streaming; the sequence begins anew."""

    @abstractmethod
    def read(self, timeout):
        """Return the newest unread Frame, waiting at most `timeout` seconds.

        Raises FrameTimeout, DeviceLost or EndOfRecording.
        """

    @abstractmethod
    def stop(self):
        """End streaming; the device stays open. Harmless when not streaming."""

    @abstractmethod
    def close(self):
        """Lights off, device released; never raises for a device that is gone."""

    @abstractmethod
    def set_light(self, light):
        """Set the LED levels (Light)."""

    @abstractmethod
    def set_frame_rate(self, rate):
        """Set frames per second and return the rate taken."""

    @abstractmethod
    def set_exposure(self, exposure):
        """Set the exposure time in seconds and return the time taken."""

    @abstractmethod
    def set_gain(self, gain):
        """Set the gain as a factor and return the gain taken."""

    def __enter__(self):
        self.open()
        return self

    def __exit__(self, *_):
        self.close()


def check_setting(name, value, limits, unit):
    """Raise DeviceError unless the device has the setting and `value` lies in its range."""
    if limits is None:
        raise DeviceError(f'{name} cannot be set on this device')
    low, high = limits
    if not low <= value <= high:
        raise DeviceError(f'{name} out of range', found=value,
                          expected=f'{low:g} to {high:g} {unit}'.rstrip())
    return float(value)
