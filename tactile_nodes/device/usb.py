# SPDX-License-Identifier: Apache-2.0
"""A USB fingertip: a camera of the USB Video Class through the kernel's driver, and its LEDs."""

import errno
import os
import threading
import time
import zlib
from collections import deque
from contextlib import suppress

import cv2
import numpy as np

from tactile_nodes.core.types import Frame
from tactile_nodes.device.contract import OFF, DeviceInfo, FingertipDevice, check_setting
from tactile_nodes.device.images import SAME_PICTURE, decode_image, is_dark
from tactile_nodes.device.usb_discovery import find_camera, holders, udev_rule
from tactile_nodes.device.usb_leds import led_driver, rounded
from tactile_nodes.device.usb_streams import running_streams
from tactile_nodes.device.v4l2 import NO_ANSWER, VideoNode
from tactile_nodes.errors import DeviceError, DeviceLost, FrameTimeout

_STALLED = 1.0              # s without a frame, or five frame periods if they are longer


class UsbDevice(FingertipDevice):
    """A fingertip found by serial number (or port), streaming through V4L2.

    Parameters
    ----------
    serial : str
    profile : DeviceProfile
    port : str
        Port path such as '1-2.3'; '' finds the serial wherever it is plugged in.
    width, height : int
        Image size, pixels.
    frame_rate : float
        Hz.
    clock : callable
        The time that stamps are in, ns.

    Attributes
    ----------
    camera : AttachedCamera
        The camera that is open.
    """

    def __init__(self, serial, profile, *, port='', width=320, height=240, frame_rate=30.0,
                 clock=time.time_ns):
        super().__init__()
        self._lock = threading.RLock()
        self._serial, self._port, self._profile = serial, port, profile
        self._size, self._wanted_rate, self._clock = (width, height), frame_rate, clock
        self.camera = self._node = self._send_light = self._mode = self._asked_rate = None
        self._gone = None               # why it must be opened again, a DeviceError
        self._streaming = False

    # opening

    def open(self):
        """Find the camera, take its format, automatic settings off, lights off."""
        with self._lock:
            if self._node is not None:
                return
            self.notes.clear()
            self._gone = None
            self.camera = find_camera(self._serial, self._port,
                                      unique_serial=self._profile.unique_serial)
            if not self._profile.matches(self.camera):
                raise DeviceError(
                    'the device profile is for another kind of device', where=self._where(),
                    found=f'{self.camera.vendor_id:#06x}:{self.camera.product_id:#06x}',
                    expected=f'{self._profile.vendor_id:#06x}:{self._profile.product_id:#06x} '
                    f'({self._profile.name})', fix='Name the right profile in the hand file.')
            try:
                self._node = self._open_node()
                self._send_light = led_driver(self._profile.leds, self._node, self.camera)
                self._controls = self._node.controls()
                for number, value in self._profile.fixed:
                    self._set_control(number, value)
                self._take_format()
                self._asked_rate = None
                self.set_frame_rate(self._wanted_rate)
                self.set_light(OFF)
            except OSError as error:
                self.close()
                raise DeviceLost(f'the camera cannot be opened ({error.strerror})',
                                 where=self._where()) from error
            except BaseException:
                self.close()
                raise

    def _open_node(self):
        try:
            return VideoNode(self.camera.node)
        except DeviceError as error:
            cause = error.__cause__
            if isinstance(cause, OSError) and cause.errno in (errno.EACCES, errno.EPERM):
                raise DeviceLost('no permission to open the camera', where=self._where(),
                                 found=self.camera.node, expected='a node that you may open',
                                 fix='Add this udev rule and replug:\n'
                                     + udev_rule(self.camera)) from error
            if isinstance(cause, OSError) and cause.errno == errno.EBUSY:
                # also while the kernel wakes the device or its hub
                raise DeviceLost('the camera cannot be opened at the moment', where=self._where(),
                                 found=', '.join(['busy', *holders(self.camera.node)]),
                                 fix='End the program that has it open, if one is named.'
                                 ) from error
            if isinstance(cause, OSError):
                raise DeviceLost(error.what, where=self._where()) from error
            raise

    def _take_format(self):
        width, height = self._size
        modes = self._node.modes()
        have = [m for m in modes if (m.width_px, m.height_px) == self._size]
        for name in self._profile.formats:
            self._mode = next((m for m in have if m.format == name), None)
            if self._mode:
                break
        else:
            raise DeviceError(
                'the camera does not have the wanted image', where=self._where(),
                found=', '.join(sorted({f'{m.format} {m.width_px}x{m.height_px}' for m in modes})),
                expected=f'{" or ".join(self._profile.formats)} {width}x{height}',
                fix='Choose a size from the list in the hand file, or a format in the profile.')
        got = self._ask(self._node.set_format, self._mode.format, width, height)
        if got[:3] != (self._mode.format, width, height):
            raise DeviceError('the camera refused the image format', where=self._where(),
                              found='{} {}x{}'.format(*got),
                              expected=f'{self._mode.format} {width}x{height}')
        self._line_bytes, self._image_bytes = got[3], got[4]

    def _ask(self, call, *arguments):
        """Call the driver; the kernel's answer becomes an error that says what to do."""
        try:
            return call(*arguments)
        except OSError as error:
            raise self._explained(error) from error

    def _explained(self, error):
        where, bus = self._where(), self.camera.bus
        if error.errno == errno.EBUSY:
            return DeviceLost('the camera is in use', where=where,
                              found=', '.join(h for h in holders(self.camera.node)
                                              if not h.endswith(f'({os.getpid()})'))
                              or 'another process',
                              expected='a camera that nobody streams from',
                              fix='End that program.')
        if error.errno == errno.ENOSPC:
            others = [str(other) for other in running_streams(bus)
                      if other.port != self.camera.port]
            return DeviceLost(f'no bandwidth left on USB bus {bus}', where=where,
                              found='; '.join(others) or 'no other camera that streams there',
                              expected='room for {} {}x{} at {:g}/s'.format(
                                  self._mode.format, *self._size, self._rate),
                              fix='Move fingers to another host controller or lower format or '
                                  'rate; `tactile check` plans it.')
        if error.errno not in NO_ANSWER:
            return DeviceError(f'the camera answered: {error.strerror}', where=where)
        self._gone = DeviceLost(f'the camera does not answer ({error.strerror})', where=where,
                                fix='Check cable and power.')
        if error.errno == errno.ETIMEDOUT:      # the next one would block as long: seconds
            self._send_light = None
        return self._gone

    def _set_control(self, number, value):
        """Set a control, read it back, and note what the camera made of it."""
        control = self._controls.get(number)
        if control is None:
            self._note(f'control {number:#010x}', 'does not exist')
            return None
        try:
            got = self._node.set_control(number, value)
        except OSError as error:
            if error.errno in NO_ANSWER:
                raise self._explained(error) from error
            self._note(control.name, f'{value} refused ({error.strerror})')
            return None
        self._note(control.name, rounded(value, got))
        return got

    def _note(self, name, text):
        if text:
            self.notes[name] = text
        else:
            self.notes.pop(name, None)

    @property
    def info(self):
        """DeviceInfo; only while open."""
        self._need_open()
        rates = self._mode.rates or (1.0, 240.0)
        return DeviceInfo(
            serial=self._serial or self.camera.serial,
            width_px=self._size[0], height_px=self._size[1],
            description=f'{self.camera.product}, {self._profile.name}, port {self.camera.port}, '
            f'{self.camera.node}, {self._mode.format}',
            frame_rate_range=(min(rates), max(rates)),
            exposure_range=self._range(self._profile.exposure),
            gain_range=self._range(self._profile.gain), has_light=self._send_light is not None)

    def _range(self, scaled):
        control = scaled and self._controls.get(scaled.id)
        if not control:
            return None
        return control.minimum * scaled.step, control.maximum * scaled.step

    @property
    def format(self):
        """Image format that is streamed, by the kernel's name; only while open."""
        self._need_open()
        return self._mode.format

    @property
    def rates(self):
        """{format: rates in Hz} that the camera lists in this size; only while open."""
        self._need_open()
        return {m.format: m.rates for m in self._node.modes()
                if (m.width_px, m.height_px) == self._size}

    # settings

    def set_light(self, light):
        """Set the LED levels (Light); without LEDs that can be set only OFF is taken."""
        with self._lock:
            self._need_open()
            if self._send_light is not None:
                for name, note in self._ask(self._send_light, light).items():
                    self._note(name, note)
            elif light != OFF:
                raise DeviceError('no LEDs that can be set', where=self._where(),
                                  expected='levels of 0')

    def set_frame_rate(self, rate):
        """Set frames per second; the stream pauses for another rate than before."""
        with self._lock:
            self._need_open()
            rates = self._mode.rates
            limits = (min(rates), max(rates)) if rates else (1.0, 240.0)
            rate = check_setting('frame rate', rate, limits, 'Hz')
            if rate != self._asked_rate:
                before, streaming = self._asked_rate, self._streaming
                self.stop()                     # the driver refuses a new rate while it streams
                try:
                    self._take_rate(rate, streaming)
                except DeviceError:
                    if streaming:
                        self._go_on(before)
                    raise
            return self._rate

    def _take_rate(self, rate, streaming):
        self._rate = self._ask(self._node.set_rate, rate)
        self._note('frame rate', f'asked for {rate:g}, took {self._rate:g}'
                   if abs(self._rate - rate) > 0.01 * rate else '')
        if streaming:
            self._stream()
        self._asked_rate = rate

    def _go_on(self, rate):
        try:
            self._take_rate(rate, streaming=True)
        except DeviceError as error:
            self._gone = error

    def set_exposure(self, exposure):
        """Set the exposure time in seconds."""
        return self._set_scaled('exposure', exposure, self._profile.exposure, 's')

    def set_gain(self, gain):
        """Set the gain as a factor."""
        return self._set_scaled('gain', gain, self._profile.gain, '')

    def _set_scaled(self, name, value, scaled, unit):
        with self._lock:
            self._need_open()
            check_setting(name, value, self._range(scaled), unit)
            got = self._set_control(scaled.id, round(value / scaled.step))
            if got is None:
                control = self._controls[scaled.id].name
                raise DeviceError(f'the camera refused the {name}', where=self._where(),
                                  found=value, fix=f'{control}: {self.notes[control]}.')
            return got * scaled.step

    # streaming

    def start(self):
        """Begin streaming; the sequence begins anew."""
        with self._lock:
            self._need_open()
            self.dropped.clear()
            self._stream()

    def _stream(self):
        self._offsets = deque(maxlen=32)
        self._heard = time.monotonic()
        self._sequence = self._picture = self._same = 0
        self._ask(self._node.start)
        self._streaming = True

    def read(self, timeout):
        """Return the newest unread Frame; damaged ones are dropped and counted by reason.

        Raises
        ------
        FrameTimeout
            No good frame within `timeout` s.
        DeviceLost
            Unplugged, or stalled: no frames, or the same picture again and again.
        """
        deadline = time.monotonic() + timeout
        while True:
            with self._lock:                    # another rate being set pauses the stream
                self._need_streaming()
            # the wait is outside the lock, so that settings need not wait for a frame
            self._wait(deadline - time.monotonic())
            with self._lock:
                self._need_streaming()
                frame = self._newest()
            if frame is not None:
                return frame
            if time.monotonic() >= deadline:
                self._watch_for_stall()
                raise FrameTimeout('no good frame came', where=self._where(),
                                   expected=f'one in {timeout:g} s',
                                   fix='Check cable, power, and what else is on its USB bus.')

    def _wait(self, seconds):
        node = self._node
        if node is not None:
            node.wait(seconds)

    def _watch_for_stall(self):
        silent = time.monotonic() - self._heard
        if silent > max(_STALLED, 5 / self._rate):
            raise DeviceLost('the camera has stalled', where=self._where(),
                             found=f'no frame for {silent:.1f} s',
                             fix='Check cable and power.')

    def _newest(self):
        """The newest good frame of those that wait, or None; counts the others."""
        self._measure_offset()
        waiting = []
        while (filled := self._node.take()) is not None:
            self.dropped['sequence gap'] += max(0, filled.sequence - self._sequence)
            self._sequence = filled.sequence + 1
            self._heard = time.monotonic()
            reason = self._damage(filled)
            if reason:
                self.dropped[reason] += 1
                continue
            check = zlib.crc32(filled.data)
            self._same = self._same + 1 if check == self._picture else 0
            self._picture = check
            waiting.append(filled)
        while waiting:
            filled = waiting.pop()
            image = self._decode(filled.data)
            if image is None:
                self.dropped['broken JPEG'] += 1
                continue
            self._watch_for_repeats(image)
            self.dropped['overtaken'] += len(waiting)
            return Frame(image=image, stamp_ns=filled.monotonic_ns + self._offset(),
                         sequence=filled.sequence,
                         jpeg=filled.data if self._mode.format == 'MJPG' else None)
        return None

    def _watch_for_repeats(self, image):
        if self._same >= SAME_PICTURE and not is_dark(image):
            raise DeviceLost('the camera sends the same picture again and again',
                             where=self._where(), found=f'{self._same + 1} identical pictures')

    def _damage(self, filled):
        # looked for first, because the kernel's driver flags a short one too
        if self._mode.format == 'YUYV' and len(filled.data) < self._image_bytes:
            return 'short payload'
        return 'error flag' if filled.damaged else None

    def _decode(self, data):
        """bgr8 image, or None if the data is broken."""
        if self._mode.format == 'YUYV':
            width, height = self._size
            rows = np.frombuffer(data, np.uint8)[:self._line_bytes * height]
            packed = rows.reshape(height, self._line_bytes)[:, :2 * width]
            return cv2.cvtColor(packed.reshape(height, width, 2), cv2.COLOR_YUV2BGR_YUYV)
        # the decoder fills what is missing with grey, so a cut-off JPEG must be seen before it
        if data[:2] != b'\xff\xd8' or b'\xff\xd9' not in data[-512:]:
            return None
        image = decode_image(data)
        return image if image is not None and image.shape[1::-1] == self._size else None

    def _measure_offset(self):
        """Sample the difference between the clock and the kernel's monotonic time.

        The sample with the narrowest bracket of the last 32 counts; one that lies
        outside its bracket means that the clock was set, and only new samples count then.
        """
        before = time.monotonic_ns()
        now = self._clock()
        after = time.monotonic_ns()
        sample = (after - before, now - (before + after) // 2)
        if self._offsets:
            width, offset = min(self._offsets)
            if abs(sample[1] - offset) > width + sample[0] + 1_000_000:
                self._offsets.clear()
        self._offsets.append(sample)

    def _offset(self):
        return min(self._offsets)[1]

    def stop(self):
        """End streaming; the device stays open."""
        with self._lock:
            if self._streaming:
                self._streaming = False
                self._node.stop()

    def close(self):
        """Lights off, device released."""
        with self._lock:
            if self._node is None:
                return
            if self._send_light is not None:
                with suppress(DeviceError, OSError):    # gone, and its lights with it
                    self._send_light(OFF)
            self._streaming = False
            self._node.close()
            self._node = self._send_light = None

    def _need_open(self):
        if self._node is None:
            raise DeviceError('not open', where=self._where(), fix='Open it first.')
        if self._gone is not None:
            raise DeviceLost('the camera must be opened again', where=self._where(),
                             found=self._gone.what, fix=self._gone.fix)

    def _need_streaming(self):
        self._need_open()
        if not self._streaming:
            raise DeviceError('not streaming', where=self._where(), fix='Start it first.')

    def _where(self):
        return f'fingertip {self._serial or self._port}'
