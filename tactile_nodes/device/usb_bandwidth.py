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
from dataclasses import dataclass, replace

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


def streaming_transport(descriptors):
    """Read the streaming interface's endpoints out of raw descriptors.

    Returns
    -------
    Transport or None
        None if there is no video streaming interface.
    """
    streaming, sizes, bulk = False, set(), False
    offset = 0
    while offset + 2 <= len(descriptors):
        length, kind = descriptors[offset], descriptors[offset + 1]
        if length < 2 or offset + length > len(descriptors):
            break                    # cut off or damaged: what was read so far counts
        if kind == _INTERFACE and length >= 9:
            streaming = tuple(descriptors[offset + 5:offset + 7]) == (_VIDEO_CLASS, _STREAMING)
        elif kind == _ENDPOINT and length >= 7 and streaming:
            attributes, field = struct.unpack_from('<BH', descriptors, offset + 3)
            if attributes & 3 == _ISOCHRONOUS:
                sizes.add((field & 0x7FF) * (1 + (field >> 11 & 3)))
            bulk = bulk or attributes & 3 == _BULK
        offset += length
    if sizes:
        return Transport(True, tuple(sorted(sizes)))
    return Transport(False, ()) if bulk else None


@dataclass(frozen=True)
class Stream:
    """What a finger wants from its bus.

    Formats have the kernel's names, such as 'YUYV'; `formats` are all that the camera has in this
    size.
    """

    finger: str
    bus: int
    transport: Transport
    format: str
    width_px: int
    height_px: int
    rate: float
    formats: tuple[str, ...] = ()

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

        For a compressed format the camera decides; its largest setting is assumed.
        """
        if not self.transport.isochronous:
            return 0
        if self.bytes_needed is None:
            return self.transport.packet_sizes[-1]
        return next((s for s in self.transport.packet_sizes if s >= self.bytes_needed), None)

    @property
    def time_us(self):
        """Periodic bus time per microframe, us; inf if no setting is large enough.

        In whole us, as the kernel's EHCI driver reserves it.
        """
        size = self.packet_size
        if size is None:
            return math.inf
        return float(math.ceil(isochronous_us(size))) if size else 0.0


def used_us(streams):
    """{bus: periodic time per microframe, us}."""
    used = {}
    for stream in streams:
        used[stream.bus] = used.get(stream.bus, 0.0) + stream.time_us
    return used


def plan(streams):
    """What to do about each bus whose streams do not fit.

    Returns
    -------
    list of str
        Empty if everything fits.
    """
    advice = []
    for bus, used in sorted(used_us(streams).items()):
        if used <= PERIODIC_BUDGET_US:
            continue
        mine = [stream for stream in streams if stream.bus == bus]
        advice.append(f'bus {bus}: ' + ', '.join(
            f'{s.finger} {s.format} {s.width_px}x{s.height_px} at {s.rate:g}/s takes '
            f'{s.time_us:.0f} us' for s in mine)
            + f'; together {used:.0f} us of {PERIODIC_BUDGET_US:.0f} us. '
            + _remedy(mine))
    return advice


def _remedy(streams):
    """Which fingers to move to another bus, or which rate or format would fit where they are."""
    moved, used = [], 0.0
    for stream in sorted(streams, key=lambda s: s.time_us):
        if used + stream.time_us <= PERIODIC_BUDGET_US:
            used += stream.time_us
        else:
            moved.append(stream.finger)
    ways = [f'Move {", ".join(moved)} to a port of another host controller']
    rate = _fitting_rate(streams)
    if rate:
        ways.append(f'run all of these at {rate:g} frames/s or less')
    # the packets of a compressed format do not shrink with its rate
    plain = [replace(s, format=_UNCOMPRESSED) if _UNCOMPRESSED in s.formats else s
             for s in streams]
    plain_rate = _fitting_rate(plain)
    if plain != streams and plain_rate:
        ways.append(f'name {_UNCOMPRESSED} first in the device profile and run at '
                    f'{plain_rate:g} frames/s or less')
    if len(ways) == 1:
        ways.append('choose a smaller image')
    return ', or '.join(ways) + '.'


def _fitting_rate(streams):
    for rate in range(math.floor(max(s.rate for s in streams)), 0, -1):
        slower = [replace(s, rate=min(rate, s.rate)) for s in streams]
        if sum(s.time_us for s in slower) <= PERIODIC_BUDGET_US:
            return rate
    return None
