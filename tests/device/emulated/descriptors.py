# SPDX-License-Identifier: Apache-2.0
"""USB descriptors of the emulated fingertip (USB 2.0 ch. 9, USB Video Class 1.1 ch. 3)."""

import struct
from dataclasses import dataclass

CAMERA, OUTPUT, PROCESSING, EXTENSION = 1, 2, 3, 4      # unit and terminal ids
CONTROL_INTERFACE, STREAM_INTERFACE = 0, 1
ENDPOINT = 0x81
VENDOR, PRODUCT = 0xF00D, 0x7AC7        # not assigned to anybody, from memory
EXTENSION_GUID = bytes.fromhex('f4a1c2d35e6b4c7d8e9fa0b1c2d3e4f5')
YUY2 = bytes.fromhex('5955593200001000800000aa00389b71')
SIZES = ((160, 120), (320, 240))
RATES = (5, 10, 15, 30)
BULK_PAYLOAD = 16384
# isochronous alternate settings: bytes per microframe, at most 3 x 1024 (USB 2.0, 5.6.3)
ISO_SIZES = (192, 384, 512, 800, 944, 2 * 800, 2 * 1024, 3 * 1024)


@dataclass(frozen=True)
class Format:
    """A format of the streaming interface: index, kernel's name, descriptor subtypes."""

    index: int
    name: str


FORMATS = (Format(1, 'YUYV'), Format(2, 'MJPG'))


def interval(rate):
    """Frame interval in the class's unit of 100 ns."""
    return round(1e7 / rate)


def frame_bytes(width, height):
    """Bytes of an uncompressed frame; also the bound for a compressed one."""
    return width * height * 2


def device():
    """Device descriptor: miscellaneous class with an interface association."""
    return struct.pack('<BBHBBBBHHHBBBB', 18, 1, 0x0200, 0xEF, 2, 1, 64, VENDOR, PRODUCT,
                       0x0100, 1, 2, 3, 1)


def qualifier():
    """Device qualifier: what it would be at the other speed."""
    return struct.pack('<BBHBBBBBB', 10, 6, 0x0200, 0xEF, 2, 1, 64, 1, 0)


def string(text):
    """String descriptor."""
    data = text.encode('utf-16-le')
    return struct.pack('<BB', 2 + len(data), 3) + data


def languages():
    """String descriptor 0: US English."""
    return struct.pack('<BBH', 4, 3, 0x0409)


def _interface(number, alternate, endpoints, subclass):
    return struct.pack('<BBBBBBBBB', 9, 4, number, alternate, endpoints, 0x0E, subclass, 0, 0)


def _control_interface():
    units = struct.pack('<BBBBHBBHHHB', 18, 0x24, 0x02, CAMERA, 0x0201, 0, 0, 0, 0, 0, 3) \
        + (0x00000A).to_bytes(3, 'little')                # exposure mode, exposure time
    units += struct.pack('<BBBBBHBHBB', 12, 0x24, 0x05, PROCESSING, CAMERA, 0, 2,
                         0x1301, 0, 0)      # brightness, backlight, gain, white balance auto
    units += struct.pack('<BBBB', 26, 0x24, 0x06, EXTENSION) + EXTENSION_GUID \
        + struct.pack('<BBBBBB', 2, 1, PROCESSING, 1, 0x03, 0)
    units += struct.pack('<BBBBHBBB', 9, 0x24, 0x03, OUTPUT, 0x0101, 0, EXTENSION, 0)
    header = struct.pack('<BBBHHIBB', 13, 0x24, 0x01, 0x0110, 13 + len(units), 1_000_000, 1,
                         STREAM_INTERFACE)
    return _interface(CONTROL_INTERFACE, 0, 0, 1) + header + units


def _formats(sizes, rates):
    out = b''
    for form in FORMATS:
        if form.name == 'YUYV':
            out += struct.pack('<BBBBB', 27, 0x24, 0x04, form.index, len(sizes)) + YUY2 \
                + struct.pack('<BBBBBB', 16, 1, 0, 0, 0, 0)
        else:
            out += struct.pack('<BBBBBBBBBBB', 11, 0x24, 0x06, form.index, len(sizes), 1, 1,
                               0, 0, 0, 0)
        for index, (width, height) in enumerate(sizes, 1):
            bits = frame_bytes(width, height) * 8
            out += struct.pack('<BBBBBHHIIIIB', 26 + 4 * len(rates), 0x24,
                               0x05 if form.name == 'YUYV' else 0x07, index, 0, width, height,
                               bits * min(rates), bits * max(rates), frame_bytes(width, height),
                               interval(max(rates)), len(rates))
            out += b''.join(struct.pack('<I', interval(r)) for r in sorted(rates, reverse=True))
        out += struct.pack('<BBBBBB', 6, 0x24, 0x0D, 1, 1, 4)
    return out


def _iso_packet_field(size):
    """wMaxPacketSize with the transactions per microframe in bits 11-12 (USB 2.0, 9.6.6)."""
    transactions = -(-size // 1024)
    return (size // transactions) | (transactions - 1) << 11


def _stream_interface(sizes, rates, bulk):
    formats = _formats(sizes, rates)
    header = struct.pack('<BBBBHBBBBBBBBB', 15, 0x24, 0x01, len(FORMATS), 15 + len(formats),
                         ENDPOINT, 0, OUTPUT, 0, 0, 0, 1, 0, 0)
    if bulk:
        return _interface(STREAM_INTERFACE, 0, 1, 2) + header + formats \
            + struct.pack('<BBBBHB', 7, 5, ENDPOINT, 2, 512, 0)
    out = _interface(STREAM_INTERFACE, 0, 0, 2) + header + formats
    for alternate, size in enumerate(ISO_SIZES, 1):
        out += _interface(STREAM_INTERFACE, alternate, 1, 2) \
            + struct.pack('<BBBBHB', 7, 5, ENDPOINT, 5, _iso_packet_field(size), 1)
    return out


def configuration(sizes=SIZES, rates=RATES, bulk=True):
    """Configuration descriptor with all interfaces."""
    body = struct.pack('<BBBBBBBB', 8, 0x0B, 0, 2, 0x0E, 0x03, 0, 0) \
        + _control_interface() + _stream_interface(sizes, rates, bulk)
    return struct.pack('<BBHBBBBB', 9, 2, 9 + len(body), 2, 1, 0, 0x80, 250) + body
