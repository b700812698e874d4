# SPDX-License-Identifier: Apache-2.0
"""A video node without a kernel: what the USB device asks of one, for tests on any machine."""

import time
from collections import deque
from pathlib import Path

import numpy as np

from tactile_nodes.device import usb
from tactile_nodes.device.usb_discovery import AttachedCamera
from tactile_nodes.device.v4l2 import Control, Filled, Mode
from tactile_nodes.errors import DeviceError
from tactile_nodes.files.device_profile import DeviceProfile, Leds, ScaledControl

WIDTH, HEIGHT = 32, 24
RATES = (20.0, 25.0, 50.0)          # Hz, one after the other while it streams
EXPOSURE, GAIN, RED, GREEN, BLUE = 1, 2, 3, 4, 5
LEDS = Leds('v4l2_control', controls={'red': RED, 'green': GREEN, 'blue': BLUE})
PROFILE = DeviceProfile('bench', None, None, ('YUYV', 'MJPG'), (), ScaledControl(EXPOSURE, 1e-4),
                        ScaledControl(GAIN, 0.1), LEDS)
CAMERA = AttachedCamera('FT-1', '1-2', '/dev/video0', 1, 2, 'camera', 480, 1, 3, 'controller',
                        Path('/nowhere'))
BUFFERS = 4


def yuyv(level, number=0):
    """Bytes of a grey picture of that luma, of which the first pixel tells the number."""
    picture = np.full((HEIGHT, WIDTH, 2), 128, np.uint8)
    picture[..., 0] = level
    picture[0, 0, 0] += number % 8
    return picture.tobytes()


class CameraNode:
    """Stands for VideoNode: gives what is put into `waiting`, or pictures at its rate if `live`.

    Attributes
    ----------
    values : dict
        Control id to value.
    troubles : dict
        Name of a method to what it raises, or to a list of what it raises in turn, None: nothing.
    answers : dict
        What an extension unit answers to a query.
    calls : list of tuple
        Name and arguments of every call that sets something.
    """

    def __init__(self, live=False):
        self.live, self.streaming, self.opened = live, False, False
        self.values, self.troubles, self.answers, self.calls = {}, {}, {}, []
        self.rounds_to = 1
        self.waiting, self._rate = deque(), RATES[-1]

    def __call__(self, path):
        self._do('open', path)
        self.opened = True
        return self

    def _do(self, name, *arguments):
        self.calls.append((name, *arguments))
        trouble = self.troubles.get(name)
        if isinstance(trouble, list):
            trouble = trouble.pop(0) if trouble else None
        if trouble is not None:
            raise trouble

    def modes(self):
        self._do('modes')
        return [Mode(name, WIDTH, HEIGHT, RATES) for name in ('YUYV', 'MJPG')]

    def controls(self):
        self._do('controls')
        return {number: Control(number, name, 1 if number in (EXPOSURE, GAIN) else 0,
                                200 if number == EXPOSURE else 100, 1, 10, 0)
                for name, number in (('Exposure', EXPOSURE), ('Gain', GAIN), ('Red', RED),
                                     ('Green', GREEN), ('Blue', BLUE))}

    def set_format(self, pixel, width, height):
        self._do('set_format', pixel, width, height)
        return pixel, width, height, 2 * width, 2 * width * height

    def set_rate(self, rate):
        self._do('set_rate', rate)
        self._rate = rate
        return rate

    def set_control(self, number, value):
        self._do('set_control', number, value)
        self.values[number] = value // self.rounds_to * self.rounds_to
        return self.values[number]

    def unit_query(self, unit, selector, query, data):
        self._do('unit_query', unit, selector, query, data)
        return self.answers.get(query, data)

    def start(self):
        self._do('start')
        self.streaming, self._began, self._next = True, time.monotonic_ns(), 0

    def wait(self, timeout):
        end = time.monotonic() + timeout
        while self.streaming and not self.waiting and time.monotonic() < end:
            self._expose()
            time.sleep(1e-3)
        return bool(self.waiting)

    def _expose(self):
        period = 1e9 / self._rate
        while self.live and self._began + (self._next + 1) * period <= time.monotonic_ns():
            level = 16 + 2 * max(self.values.get(n, 0) for n in (RED, GREEN, BLUE))
            if len(self.waiting) < BUFFERS:
                self.waiting.append(Filled(yuyv(level, self._next), self._next,
                                           round(self._began + self._next * period), False))
            self._next += 1

    def put(self, *pictures, damaged=False, at=0):
        """Let pictures wait to be taken, exposed at a monotonic time in ns."""
        for data in pictures:
            self.waiting.append(Filled(data, self._next, at, damaged))
            self._next += 1

    def take(self):
        if not self.streaming:
            raise DeviceError('not streaming')
        self._expose()
        trouble = self.troubles.get('take')
        if trouble is not None:
            raise trouble
        return self.waiting.popleft() if self.waiting else None

    def stop(self):
        self.streaming = False
        self.waiting.clear()

    def close(self):
        self.stop()
        self.opened = False


def put_in_place(monkeypatch, node):
    """Let UsbDevice find the node instead of one of the kernel."""
    monkeypatch.setattr(usb, 'find_camera', lambda *_, **__: CAMERA)
    monkeypatch.setattr(usb, 'running_streams', lambda _: [])
    monkeypatch.setattr(usb, 'holders', lambda _: [])
    monkeypatch.setattr(usb, 'VideoNode', node)
    return node
