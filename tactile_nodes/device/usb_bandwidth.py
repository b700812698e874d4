# SPDX-License-Identifier: Apache-2.0
"""Will the streams fit on the bus: descriptors and the arithmetic of USB 2.0.

High speed has 8000 microframes a second; periodic transfers (isochronous, interrupt) may take 80 %
of each, 100 us of 125 us (USB 2.0 specification, 5.6.4 and 5.7.4); an endpoint moves at most
3 x 1024 bytes a microframe (5.6.3). A transaction of B bytes costs 2083 ps for each of its bits
with worst-case bit stuffing and 38 bytes of overhead, and 5 ns for the host (5.11.3; the Linux
kernel's HS_NSECS_ISO reckons the same).
"""

import math
import struct
from dataclasses import dataclass, field, replace

MICROFRAMES = 8000               # a second
PERIODIC_BUDGET_US = 100.0
HIGH_SPEED = 480.0               # Mbit/s
_ISOCHRONOUS, _BULK = 1, 2
_ENDPOINT, _INTERFACE, _VIDEO_CLASS, _STREAMING = 5, 4, 0x0E, 2
_UNCOMPRESSED = 'YUYV'
_PAYLOAD_HEADER = 12             # bytes, UVC 1.1, 2.4.3.3


def isochronous_us(size):
    """Bus time of a high-speed isochronous transaction of `size` bytes, us."""
    return (38 * 8 * 2083 + 2083 * (3 + 7 * 8 * size // 6)) / 1e6 + 0.005


def reserved_us(size):
    """Periodic time per microframe that the kernel's EHCI driver reserves for `size` bytes, us."""
    return float(math.ceil(isochronous_us(size))) if size else 0.0


@dataclass(frozen=True)
class Transport:
    """How a camera's streaming interface moves data.

    Attributes
    ----------
    isochronous : bool
        Else bulk: it takes what is left and reserves nothing.
    packet_sizes : tuple of int
        Isochronous: bytes per microframe of each alternate setting, ascending.
    """

    isochronous: bool
    packet_sizes: tuple[int, ...]


def _streaming_endpoints(descriptors):
    """(interface, alternate setting, transfer type, bytes per microframe) of video endpoints."""
    streaming, offset = None, 0
    while offset + 2 <= len(descriptors):
        length, kind = descriptors[offset], descriptors[offset + 1]
        if length < 2 or offset + length > len(descriptors):
            return                   # cut off or damaged: what was read so far counts
        if kind == _INTERFACE and length >= 9:
            video = tuple(descriptors[offset + 5:offset + 7]) == (_VIDEO_CLASS, _STREAMING)
            streaming = tuple(descriptors[offset + 2:offset + 4]) if video else None
        elif kind == _ENDPOINT and length >= 7 and streaming:
            attributes, packet = struct.unpack_from('<BH', descriptors, offset + 3)
            # transactions per microframe in bits 11 and 12 (USB 2.0, 9.6.6)
            yield (*streaming, attributes & 3, (packet & 0x7FF) * (1 + (packet >> 11 & 3)))
        offset += length


def streaming_transport(descriptors):
    """Read the streaming interface's endpoints out of raw descriptors.

    Returns
    -------
    Transport or None
        None if there is no video streaming interface.
    """
    endpoints = list(_streaming_endpoints(descriptors))
    sizes = {size for _, _, kind, size in endpoints if kind == _ISOCHRONOUS}
    if sizes:
        return Transport(True, tuple(sorted(sizes)))
    return Transport(False, ()) if any(kind == _BULK for _, _, kind, _ in endpoints) else None


def setting_bytes(descriptors, interface, alternate):
    """Bytes per microframe that an alternate setting reserves for its stream; 0 for none."""
    return next((size for number, setting, kind, size in _streaming_endpoints(descriptors)
                 if (number, setting, kind) == (interface, alternate, _ISOCHRONOUS)), 0)


@dataclass(frozen=True)
class Stream:
    """What a finger wants from its bus.

    Attributes
    ----------
    finger : str
    bus : int
    transport : Transport
    format : str
        The kernel's name, such as 'YUYV'.
    width_px, height_px : int
    rate : float
        That the camera took, Hz.
    rates : dict of str to tuple of float
        What the camera lists in this size, by format.
    speed : float
        Signalling rate, Mbit/s; only high speed is reckoned.
    port : str
    reserved : int
        Bytes per microframe that the kernel reserved when it streamed; 0: not known.
    """

    finger: str
    bus: int
    transport: Transport
    format: str
    width_px: int
    height_px: int
    rate: float
    rates: dict[str, tuple[float, ...]] = field(default_factory=dict)
    speed: float = HIGH_SPEED
    port: str = ''
    reserved: int = 0

    @property
    def bytes_needed(self):
        """Payload per microframe, bytes; None for a compressed format, where it varies."""
        if self.format != _UNCOMPRESSED:
            return None
        return math.ceil(self.width_px * self.height_px * 2 * self.rate / MICROFRAMES) \
            + _PAYLOAD_HEADER

    @property
    def packet_size(self):
        """Reserved bytes per microframe; 0 for bulk, None if no setting is large enough.

        For a compressed format the camera decides; if not known, the largest setting is assumed.
        """
        if not self.transport.isochronous:
            return 0
        if self.bytes_needed is None:
            return self.reserved or self.transport.packet_sizes[-1]
        return next((s for s in self.transport.packet_sizes if s >= self.bytes_needed), None)

    @property
    def time_us(self):
        """Periodic bus time per microframe, us; inf if no setting is large enough.

        0 where nothing is reserved or reckoned.
        """
        if self.speed != HIGH_SPEED:
            return 0.0
        size = self.packet_size
        return math.inf if size is None else reserved_us(size)

    def __str__(self):
        if self.speed != HIGH_SPEED:
            takes = f'is not reckoned at {self.speed:g} Mbit/s'
        elif not self.transport.isochronous:
            takes = 'takes what is left (bulk)'
        elif self.packet_size is None:
            takes = 'takes more than the camera can send'
        else:
            takes = f'takes {self.time_us:.0f} us'
        return (f'{self.finger} {self.format} {self.width_px}x{self.height_px} at '
                f'{self.rate:g}/s {takes}')


@dataclass(frozen=True)
class Other:
    """What somebody else streams on a bus; `time_us` is reserved per microframe."""

    name: str
    bus: int
    time_us: float
    port: str = ''

    def __str__(self):
        return f'{self.name}, takes {self.time_us:.0f} us'


def used_us(streams):
    """{bus: periodic time per microframe, us} of Streams and Others."""
    used = {}
    for stream in streams:
        used[stream.bus] = used.get(stream.bus, 0.0) + stream.time_us
    return used


def bus_use(bus, streams):
    """What takes how much of a bus, as text."""
    mine = [stream for stream in streams if stream.bus == bus]
    used = used_us(mine)[bus]
    together = f'; together {used:.0f} us of {PERIODIC_BUDGET_US:.0f} us a microframe' \
        if used and math.isfinite(used) else ''
    return f'bus {bus}: ' + ', '.join(map(str, mine)) + together


def plan(streams, others=(), controllers=None):
    """What to do about each bus whose streams do not fit.

    Parameters
    ----------
    streams : sequence of Stream
    others : sequence of Other
        What streams already and is not of the hand.
    controllers : dict of int to str, optional
        The computer's host controllers by their high-speed buses.

    Returns
    -------
    list of str
        Empty if everything fits.
    """
    everything = [*streams, *others]
    return [f'{bus_use(bus, everything)}. {_remedy(bus, streams, others, controllers or {})}'
            for bus, used in sorted(used_us(everything).items())
            if used > PERIODIC_BUDGET_US and any(stream.bus == bus for stream in streams)]


def _remedy(bus, streams, others, controllers):
    """Which fingers to move to another bus, or which rate or format would fit where they are."""
    mine = [stream for stream in streams if stream.bus == bus]
    free = PERIODIC_BUDGET_US - used_us(others).get(bus, 0.0)
    moved, used = [], 0.0
    for stream in sorted(mine, key=lambda s: s.time_us):
        if used + stream.time_us <= free:
            used += stream.time_us
        elif math.isfinite(stream.time_us):
            moved.append(stream)
    ways = []
    if moved:
        ways.append(f'move {_names(moved)} to a port of another host controller ('
                    + _room(moved, bus, used_us([*streams, *others]), controllers) + ')')
    rate = _fitting_rate(mine, free)
    if rate:
        ways.append(f'run {"them" if len(mine) > 1 else "it"} at {rate:g} frames/s')
    # the packets of a compressed format do not shrink with its rate
    plain = [replace(s, format=_UNCOMPRESSED) if _UNCOMPRESSED in s.rates else s for s in mine]
    plain_rate = _fitting_rate(plain, free)
    if plain != mine and plain_rate:
        ways.append(f'name {_UNCOMPRESSED} first in the device profile and run at '
                    f'{plain_rate:g} frames/s')
    if not rate and not plain_rate:
        ways.append('choose a smaller image')
    text = ', or '.join(ways)
    return f'{text[0].upper()}{text[1:]}.'


def _names(streams):
    return ', '.join(stream.finger for stream in streams)


def _room(moved, bus, used, controllers):
    """Which other host controllers have room for which of the moved streams."""
    placed, left = {}, []
    for stream in moved:
        target = next((b for b in sorted(controllers) if b != bus and used.get(b, 0.0)
                       + stream.time_us <= PERIODIC_BUDGET_US), None)
        if target is None:
            left.append(stream)
            continue
        used[target] = used.get(target, 0.0) + stream.time_us
        placed.setdefault(target, []).append(stream)
    if not placed:
        return 'this computer has none with room'
    texts = [f'{controllers[b]}, bus {b}, has room for {_names(placed[b])}' for b in placed]
    return '; '.join(texts + ([f'none has for {_names(left)}'] if left else []))


def _fitting_rate(streams, free):
    """The highest rate, listed by every camera that has to be slower for it, that fits."""
    for rate in sorted({r for s in streams for r in s.rates.get(s.format, ())}, reverse=True):
        slower = [s if s.rate <= rate else replace(s, rate=rate) for s in streams]
        listed = all(s.rate <= rate or rate in s.rates.get(s.format, ()) for s in streams)
        if listed and sum(s.time_us for s in slower) <= free:
            return rate
    return None
