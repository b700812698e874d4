# SPDX-License-Identifier: Apache-2.0
"""The emulated fingertip: what a USB camera with LEDs answers, and how it misbehaves on command.

Requests: USB 2.0 ch. 9.4, USB Video Class 1.1 ch. 4. Pictures come from a folder of rendered skin
pictures; each channel's brightness follows the LED level that was sent.
"""

import struct
import threading
from dataclasses import dataclass, field

import cv2
import numpy as np

from tests.device.emulated import descriptors as d

SET_CUR, GET_CUR, GET_MIN, GET_MAX, GET_RES, GET_LEN, GET_INFO, GET_DEF = \
    0x01, 0x81, 0x82, 0x83, 0x84, 0x85, 0x86, 0x87
LED_REQUEST = 0x51                  # vendor request, device recipient: three bytes r g b
STALL = None


@dataclass
class Value:
    """A class control: little-endian number of `size` bytes."""

    size: int
    low: int
    high: int
    default: int
    current: int = field(init=False)
    kept: int = -1              # bits of a number that are kept; nobody is told

    def __post_init__(self):
        self.current = self.default

    def answer(self, request):
        number = {GET_CUR: self.current, GET_MIN: self.low, GET_MAX: self.high,
                  GET_DEF: self.default, GET_RES: 1}.get(request)
        if number is not None:
            return number.to_bytes(self.size, 'little')
        if request == GET_LEN:
            return self.size.to_bytes(2, 'little')
        return bytes([3]) if request == GET_INFO else STALL


class EmulatedFingertip:
    """State and answers of one device; the transport (`usbip.py`) carries them.

    Attributes that a test may set: `trouble`, a set of 'stall', 'repeat', 'truncate',
    'corrupt jpeg', 'lost payload', 'error flag', 'nak', 'refuse control'. `lit` lists every LED
    state in turn.
    """

    def __init__(self, serial, pictures, *, bulk=True, sizes=d.SIZES, rates=d.RATES,
                 led_way='extension'):
        self.serial, self.pictures, self.led_way = serial, pictures, led_way
        self.sizes, self.rates, self.bulk = sizes, rates, bulk
        self.configuration = d.configuration(sizes, rates, bulk)
        self.trouble = set()
        self.controls = {
            (d.CAMERA, 0x02): Value(1, 1, 8, 8),             # auto-exposure mode: 1 manual
            (d.CAMERA, 0x04): Value(4, 1, 1000, 80),         # exposure time, 100 us
            (d.PROCESSING, 0x02): Value(2, 0, 255, 128),     # brightness
            (d.PROCESSING, 0x01): Value(2, 0, 255, 0),       # backlight: LEDs by a V4L2 control
            (d.PROCESSING, 0x04): Value(2, 1, 100, 10),      # gain, tenths
            (d.PROCESSING, 0x0B): Value(1, 0, 1, 1),         # white balance auto
            (d.EXTENSION, 0x01): Value(3, 0, 0xFFFFFF, 0),   # LEDs: red, green, blue
            (d.EXTENSION, 0x02): Value(2, 0, 1023, 0),       # one LED level for all
        }
        self.vendor_leds = (0, 0, 0)
        self.lit = [(0, 0, 0)]
        self.probe = self._negotiate(1, 1, d.interval(max(rates)))
        self.committed = None
        self.alternate = 0
        self.frames_sent = 0
        self._frame_id = 0
        self._last_picture = None
        self.lock = threading.Lock()

    # light and picture

    def leds(self):
        """Levels (red, green, blue) 0-1 as the way of this device says."""
        if self.led_way == 'control':
            return (self.controls[d.PROCESSING, 0x01].current / 255,) * 3
        if self.led_way == 'vendor':
            return tuple(v / 255 for v in self.vendor_leds)
        raw = self.controls[d.EXTENSION, 0x01].current.to_bytes(3, 'little')
        return tuple(v / 255 for v in raw)

    def picture(self, width, height):
        """The next picture, bgr8, lit by the LEDs, scaled by exposure and gain."""
        if 'repeat' in self.trouble and self._last_picture is not None:
            return self._last_picture
        base = self.pictures[self.frames_sent % len(self.pictures)]
        if base.shape[:2] != (height, width):
            base = cv2.resize(base, (width, height), interpolation=cv2.INTER_AREA)
        scale = self.controls[d.CAMERA, 0x04].current / 80 \
            * self.controls[d.PROCESSING, 0x04].current / 10
        levels = np.array(self.leds()[::-1]) * scale
        noise = self.frames_sent % 3 if levels.any() else 0         # in the dark it repeats itself
        lit = np.clip(base * levels + 2 + noise, 0, 255).astype(np.uint8)
        self._last_picture = lit
        return lit

    def _encoded(self):
        format_index, width, height = self.committed[:3]
        picture = self.picture(width, height)
        if format_index == 1:
            data = yuyv(picture)
            return data[:len(data) // 2] if 'truncate' in self.trouble else data
        data = cv2.imencode('.jpg', picture, [cv2.IMWRITE_JPEG_QUALITY, 90])[1].tobytes()
        if 'truncate' in self.trouble:
            return data[:len(data) // 2]
        if 'corrupt jpeg' in self.trouble:
            return data[:2] + bytes(len(data) - 4) + data[-2:]
        if 'lost payload' in self.trouble:
            return data[:len(data) // 2] + data[len(data) // 2 + 512:]
        return data

    def payloads(self, size):
        """The next frame cut into payloads of at most `size` bytes, each with its header."""
        data = self._encoded()
        self.frames_sent += 1
        self._frame_id ^= 1
        error = 0x40 if 'error flag' in self.trouble else 0
        out = []
        for start in range(0, len(data), size - 2):
            last = start + size - 2 >= len(data)
            out.append(bytes([2, 0x80 | error | self._frame_id | (2 if last else 0)])
                       + data[start:start + size - 2])
        return out

    # streaming negotiation

    def _negotiate(self, form, frame, wanted):
        form = form if form in (1, 2) else 1
        frame = frame if 1 <= frame <= len(self.sizes) else 1
        chosen = min((d.interval(r) for r in self.rates), key=lambda i: abs(i - wanted))
        width, height = self.sizes[frame - 1]
        if self.bulk:
            payload = d.BULK_PAYLOAD
        else:
            needed = d.frame_bytes(width, height) * (1e7 / chosen) / 8000 + 12
            if form == 2:
                needed /= 4
            payload = min((s for s in d.ISO_SIZES if s >= needed), default=d.ISO_SIZES[-1])
        return struct.pack('<HBBIHHHHHIIIBBBB', 1, form, frame, chosen, 0, 0, 0, 0, 0,
                           d.frame_bytes(width, height), payload, 1_000_000, 3, 1, 1, 1)

    def _stream_control(self, request, selector, data):
        if request == GET_LEN:
            return (34).to_bytes(2, 'little')
        if request == GET_INFO:
            return bytes([3])
        if request != SET_CUR:
            return self.probe
        form, frame, wanted = struct.unpack_from('<BBI', data, 2)
        self.probe = self._negotiate(form, frame, wanted)
        if selector == 2:
            form, frame, chosen = struct.unpack_from('<BBI', self.probe, 2)
            self.committed = (form, *self.sizes[frame - 1], chosen / 1e7)
            self.frames_sent = 0
        return b''

    # control transfers

    def control(self, setup, data):
        """Answer a control transfer: bytes (IN data, or empty for OUT), or STALL.

        setup : 8 bytes; data : OUT data.
        """
        kind, request, value, index, length = struct.unpack('<BBHHH', setup)
        if kind & 0x60 == 0x40:
            answer = self._vendor(kind, request, data)
        elif kind & 0x60 == 0x20:
            answer = self._class(request, value >> 8, index, data)
        else:
            answer = self._standard(request, value, index)
        if self.leds() != self.lit[-1]:
            self.lit.append(self.leds())
        return answer if answer is STALL else answer[:length]

    def _vendor(self, kind, request, data):
        if request != LED_REQUEST or 'refuse control' in self.trouble:
            return STALL
        if kind & 0x80:
            return bytes(self.vendor_leds)
        if len(data) != 3:
            return STALL
        self.vendor_leds = tuple(data)
        return b''

    def _class(self, request, selector, index, data):
        if index & 0xFF == d.STREAM_INTERFACE:
            return self._stream_control(request, selector, data)
        if index >> 8 == 0:                              # request error code: none
            return b'\0'
        value = self.controls.get((index >> 8, selector))
        if value is None or (request == SET_CUR and 'refuse control' in self.trouble):
            return STALL
        if request == SET_CUR:
            number = int.from_bytes(data, 'little')
            if len(data) != value.size or not value.low <= number <= value.high:
                return STALL
            value.current = number & value.kept
            return b''
        return value.answer(request)

    def _standard(self, request, value, index):
        if request == 6:                                 # GET_DESCRIPTOR
            strings = {0: d.languages(), 1: d.string('test bench'),
                       2: d.string('emulated fingertip'), 3: d.string(self.serial)}
            return {1: d.device(), 2: self.configuration, 6: d.qualifier(),
                    3: strings.get(value & 0xFF)}.get(value >> 8)
        if request == 11:                                # SET_INTERFACE
            if index == d.STREAM_INTERFACE:
                self.alternate = value
            return b''
        return {0: b'\0\0', 8: b'\1', 10: bytes([self.alternate])}.get(request, b'')


def yuyv(picture):
    """bgr8 to packed 4:2:2 (ITU-R BT.601, chroma from every second pixel)."""
    ycc = cv2.cvtColor(picture, cv2.COLOR_BGR2YCrCb)
    out = np.empty((*picture.shape[:2], 2), np.uint8)
    # limited range, as video class cameras send it
    out[..., 0] = 16 + (ycc[..., 0].astype(np.uint16) * 219 >> 8)
    out[:, 0::2, 1] = 128 + ((ycc[:, 0::2, 2].astype(np.int16) - 128) * 224 >> 8)
    out[:, 1::2, 1] = 128 + ((ycc[:, 0::2, 1].astype(np.int16) - 128) * 224 >> 8)
    return out.tobytes()
