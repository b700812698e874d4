# SPDX-License-Identifier: Apache-2.0
"""A video node of the Linux kernel: formats, controls, buffers, extension units.

A thin layer over the V4L2 ioctls (linux/videodev2.h, linux/uvcvideo.h and the kernel's media
documentation): it keeps what OpenCV's capture hides and a measurement needs: each buffer's
exposure time, sequence number, error flag and byte count, and every control by its number.
"""

import ctypes
import errno
import fcntl
import mmap
import os
import select
from ctypes import c_char, c_int32, c_long, c_uint8, c_uint32, c_ulong
from dataclasses import dataclass

from tactile_nodes.errors import DeviceError, DeviceLost

CAPTURE = 1                      # V4L2_BUF_TYPE_VIDEO_CAPTURE, V4L2_CAP_VIDEO_CAPTURE, MEMORY_MMAP
BUFFER_ERROR = 0x40              # V4L2_BUF_FLAG_ERROR: the driver knows the data is damaged
_CAP_STREAMING = 0x04000000
_CTRL_DISABLED, _CTRL_NEXT = 0x1, 0x80000000
NO_ANSWER = (errno.ENODEV, errno.ESHUTDOWN, errno.EPROTO, errno.ETIMEDOUT, errno.EIO)
"""What the kernel answers for a device that is gone or does not answer it."""

SET_CUR, GET_CUR, GET_LEN, GET_INFO = 0x01, 0x81, 0x85, 0x86


class _Capability(ctypes.Structure):
    _fields_ = (('driver', c_char * 16), ('card', c_char * 32), ('bus_info', c_char * 32),
                ('version', c_uint32), ('capabilities', c_uint32), ('device_caps', c_uint32),
                ('reserved', c_uint32 * 3))


class _FormatDescription(ctypes.Structure):
    _fields_ = (('index', c_uint32), ('type', c_uint32), ('flags', c_uint32),
                ('description', c_char * 32), ('pixelformat', c_uint32),
                ('mbus_code', c_uint32), ('reserved', c_uint32 * 3))


class _Format(ctypes.Structure):
    # the kernel's union is 200 bytes and aligned to 8; only its `pix` member is used
    _fields_ = (('type', c_uint32), ('pad', c_uint32), ('width', c_uint32), ('height', c_uint32),
                ('pixelformat', c_uint32), ('field', c_uint32), ('bytesperline', c_uint32),
                ('sizeimage', c_uint32), ('rest', c_uint8 * 176))


class _FrameSize(ctypes.Structure):
    _fields_ = (('index', c_uint32), ('pixel_format', c_uint32), ('type', c_uint32),
                ('numbers', c_uint32 * 6), ('reserved', c_uint32 * 2))


class _FrameInterval(ctypes.Structure):
    _fields_ = (('index', c_uint32), ('pixel_format', c_uint32), ('width', c_uint32),
                ('height', c_uint32), ('type', c_uint32), ('numbers', c_uint32 * 6),
                ('reserved', c_uint32 * 2))


class _StreamParameters(ctypes.Structure):
    _fields_ = (('type', c_uint32), ('capability', c_uint32), ('capturemode', c_uint32),
                ('numerator', c_uint32), ('denominator', c_uint32), ('rest', c_uint8 * 184))


class _RequestBuffers(ctypes.Structure):
    _fields_ = (('count', c_uint32), ('type', c_uint32), ('memory', c_uint32),
                ('capabilities', c_uint32), ('reserved', c_uint32))


class _Buffer(ctypes.Structure):
    _fields_ = (('index', c_uint32), ('type', c_uint32), ('bytesused', c_uint32),
                ('flags', c_uint32), ('field', c_uint32), ('seconds', c_long),
                ('microseconds', c_long), ('timecode', c_uint8 * 16), ('sequence', c_uint32),
                ('memory', c_uint32), ('offset', c_ulong), ('length', c_uint32),
                ('reserved', c_uint32 * 2))


class _QueryControl(ctypes.Structure):
    _fields_ = (('id', c_uint32), ('type', c_uint32), ('name', c_char * 32),
                ('minimum', c_int32), ('maximum', c_int32), ('step', c_int32),
                ('default_value', c_int32), ('flags', c_uint32), ('reserved', c_uint32 * 2))


class _Control(ctypes.Structure):
    _fields_ = (('id', c_uint32), ('value', c_int32))


class _UnitQuery(ctypes.Structure):
    _fields_ = (('unit', c_uint8), ('selector', c_uint8), ('query', c_uint8),
                ('size', ctypes.c_uint16), ('data', ctypes.c_void_p))


def _ioc(direction, kind, number, size):
    return direction << 30 | size << 16 | ord(kind) << 8 | number


def _request(direction, number, struct):
    return _ioc(direction, 'V', number, ctypes.sizeof(struct))


_W, _R, _WR = 1, 2, 3
_QUERYCAP = _request(_R, 0, _Capability)
_ENUM_FMT = _request(_WR, 2, _FormatDescription)
_G_FMT, _S_FMT = _request(_WR, 4, _Format), _request(_WR, 5, _Format)
_REQBUFS = _request(_WR, 8, _RequestBuffers)
_QUERYBUF, _QBUF, _DQBUF = (_request(_WR, n, _Buffer) for n in (9, 15, 17))
_STREAMON, _STREAMOFF = (_request(_W, n, c_int32) for n in (18, 19))
_G_PARM, _S_PARM = (_request(_WR, n, _StreamParameters) for n in (21, 22))
_G_CTRL, _S_CTRL = (_request(_WR, n, _Control) for n in (27, 28))
_QUERYCTRL = _request(_WR, 36, _QueryControl)
_ENUM_SIZES = _request(_WR, 74, _FrameSize)
_ENUM_INTERVALS = _request(_WR, 75, _FrameInterval)
_UVC_QUERY = _ioc(_WR, 'u', 0x21, ctypes.sizeof(_UnitQuery))


def fourcc(text):
    """'YUYV' to the kernel's number."""
    return int.from_bytes(text.encode('ascii'), 'little')


def fourcc_text(number):
    """The kernel's number to 'YUYV'."""
    return number.to_bytes(4, 'little').decode('ascii', 'replace').rstrip()


@dataclass(frozen=True)
class Mode:
    """One way in which the camera can deliver: format, size, rates (Hz, as it lists them)."""

    format: str
    width_px: int
    height_px: int
    rates: tuple[float, ...]


@dataclass(frozen=True)
class Control:
    """A control as the driver describes it."""

    id: int
    name: str
    minimum: int
    maximum: int
    step: int
    default: int
    flags: int


@dataclass(frozen=True)
class Filled:
    """A buffer that the driver filled.

    Attributes
    ----------
    data : bytes
    sequence : int
        The driver's frame count.
    monotonic_ns : int
        The buffer's time on CLOCK_MONOTONIC.
    damaged : bool
        The driver flagged it as erroneous.
    """

    data: bytes
    sequence: int
    monotonic_ns: int
    damaged: bool


class VideoNode:
    """An open /dev/videoN that captures.

    Raises DeviceError when it cannot be opened or is no capture node; OSErrors of the kernel's
    answers pass through where their number is what the caller wants to look at.
    """

    def __init__(self, path):
        self.path = str(path)
        self._buffers = []
        self._streaming = False
        self._fd = None
        try:
            self._fd = os.open(self.path, os.O_RDWR | os.O_NONBLOCK | os.O_CLOEXEC)
            capability = self._call(_QUERYCAP, _Capability())
            if not capability.device_caps & CAPTURE or not capability.device_caps & _CAP_STREAMING:
                raise DeviceError('not a video capture node (perhaps metadata only)',
                                  where=self.path, found=f'{capability.device_caps:#010x}',
                                  expected='device_caps with VIDEO_CAPTURE and STREAMING')
        except OSError as error:
            self.close()
            raise DeviceError(f'cannot be opened ({error.strerror})', where=self.path) from error
        except BaseException:
            self.close()
            raise
        self.driver = capability.driver.decode()
        self.card = capability.card.decode(errors='replace')
        self.bus = capability.bus_info.decode(errors='replace')

    def _call(self, request, struct):
        while True:
            try:
                fcntl.ioctl(self._fd, request, struct)
                return struct
            except InterruptedError:
                continue

    def _listed(self, request, make):
        index = 0
        while True:
            try:
                yield self._call(request, make(index))
            except OSError as error:
                if error.errno in NO_ANSWER:
                    raise
                return                  # EINVAL: the list ends here
            index += 1

    # formats

    def modes(self):
        """All Modes that the camera lists."""
        found = []
        for description in self._listed(_ENUM_FMT,
                                        lambda i: _FormatDescription(index=i, type=CAPTURE)):
            pixel = description.pixelformat
            for size in self._listed(_ENUM_SIZES,
                                     lambda i, p=pixel: _FrameSize(index=i, pixel_format=p)):
                numbers = size.numbers
                # a stepwise range (one entry): its smallest and largest size stand for it
                sizes = [(numbers[0], numbers[1])] if size.type == 1 else \
                    [(numbers[0], numbers[3]), (numbers[1], numbers[4])]
                for width, height in sizes:
                    found.append(Mode(fourcc_text(pixel), width, height,
                                      self._rates(pixel, width, height)))
                if size.type != 1:
                    break
        return found

    def _rates(self, pixel, width, height):
        rates = set()
        for interval in self._listed(_ENUM_INTERVALS, lambda i: _FrameInterval(
                index=i, pixel_format=pixel, width=width, height=height)):
            n = interval.numbers
            pairs = [(n[0], n[1])] if interval.type == 1 else [(n[0], n[1]), (n[2], n[3])]
            rates.update(b / a for a, b in pairs if a)
            if interval.type != 1:
                break
        return tuple(sorted(rates))

    def set_format(self, pixel, width, height):
        """Ask for a format; returns (fourcc text, width, height, bytes per line, image bytes)."""
        f = self._call(_S_FMT, _Format(type=CAPTURE, width=width, height=height,
                                       pixelformat=fourcc(pixel), field=1))
        return (fourcc_text(f.pixelformat), f.width, f.height, f.bytesperline, f.sizeimage)

    def mode(self):
        """What is set now, also by another process: (fourcc text, width, height, rate in Hz)."""
        f = self._call(_G_FMT, _Format(type=CAPTURE))
        p = self._call(_G_PARM, _StreamParameters(type=CAPTURE))
        return (fourcc_text(f.pixelformat), f.width, f.height,
                p.denominator / p.numerator if p.numerator else 0.0)

    def set_rate(self, rate):
        """Ask for frames per second; returns the rate that the driver took."""
        denominator = round(rate * 1000)
        p = self._call(_S_PARM, _StreamParameters(type=CAPTURE, numerator=1000,
                                                  denominator=denominator))
        return p.denominator / p.numerator if p.numerator else 0.0

    # controls

    def controls(self):
        """{id: Control} of all controls that are not disabled."""
        found, last = {}, 0
        while True:
            try:
                q = self._call(_QUERYCTRL, _QueryControl(id=last | _CTRL_NEXT))
            except OSError as error:
                if error.errno in NO_ANSWER:
                    raise
                return found
            last = q.id
            if not q.flags & _CTRL_DISABLED:
                found[q.id] = Control(q.id, q.name.decode(errors='replace'), q.minimum, q.maximum,
                                      q.step, q.default_value, q.flags)

    def get_control(self, number):
        """The control's value."""
        return self._call(_G_CTRL, _Control(id=number)).value

    def set_control(self, number, value):
        """Set the control and return what it reads back.

        The kernel's UVC driver rounds to the range and step that the camera states, and answers
        from its memory: what the camera rounds without saying so is not seen.
        """
        self._call(_S_CTRL, _Control(id=number, value=int(value)))
        return self.get_control(number)

    def unit_query(self, unit, selector, query, data):
        """One request to a UVC extension unit; `data` (bytes) gives the size.

        Returns
        -------
        bytes
            What the unit answered (for SET_CUR what was sent).
        """
        buffer = (c_uint8 * len(data)).from_buffer_copy(data)
        self._call(_UVC_QUERY, _UnitQuery(unit, selector, query, len(data),
                                          ctypes.addressof(buffer)))
        return bytes(buffer)

    # streaming

    def start(self, count=4):
        """Map `count` buffers and start the stream."""
        got = self._call(_REQBUFS, _RequestBuffers(count=count, type=CAPTURE, memory=CAPTURE))
        try:
            for index in range(got.count):
                b = self._call(_QUERYBUF, _Buffer(index=index, type=CAPTURE, memory=CAPTURE))
                self._buffers.append(mmap.mmap(self._fd, b.length, mmap.MAP_SHARED,
                                               mmap.PROT_READ | mmap.PROT_WRITE, offset=b.offset))
                self._call(_QBUF, _Buffer(index=index, type=CAPTURE, memory=CAPTURE))
            self._call(_STREAMON, c_int32(CAPTURE))
            self._streaming = True
        except BaseException:
            self.stop()
            raise

    def wait(self, timeout):
        """Wait for a filled buffer, or for trouble, at most `timeout` s; whether there is any."""
        poller = select.poll()
        poller.register(self._fd, select.POLLIN)
        return bool(poller.poll(max(0.0, timeout) * 1000))

    def take(self):
        """The oldest filled buffer, or None if there is none at the moment.

        Raises DeviceLost when the node is gone, DeviceError when not streaming.
        """
        if not self._streaming:
            raise DeviceError('not streaming', where=self.path, fix='Start it first.')
        try:
            b = self._call(_DQBUF, _Buffer(type=CAPTURE, memory=CAPTURE))
        except BlockingIOError:
            return None
        except OSError as error:
            raise DeviceLost(f'the camera went away ({error.strerror})',
                             where=self.path) from error
        data = self._buffers[b.index][:b.bytesused]
        self._call(_QBUF, _Buffer(index=b.index, type=CAPTURE, memory=CAPTURE))
        return Filled(data, b.sequence, b.seconds * 10**9 + b.microseconds * 1000,
                      bool(b.flags & BUFFER_ERROR))

    def stop(self):
        """Stop the stream and give the buffers back; harmless for a node that is gone."""
        for request, struct in ((_STREAMOFF, c_int32(CAPTURE)),
                                (_REQBUFS, _RequestBuffers(count=0, type=CAPTURE,
                                                           memory=CAPTURE))):
            if request == _REQBUFS:
                while self._buffers:
                    self._buffers.pop().close()
            try:
                self._call(request, struct)
            except OSError:             # unplugged: the kernel has already stopped it
                continue
        self._streaming = False

    def close(self):
        """Stop and close."""
        if self._fd is not None:
            if self._streaming or self._buffers:
                self.stop()
            os.close(self._fd)
            self._fd = None
