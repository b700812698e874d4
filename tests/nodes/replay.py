# SPDX-License-Identifier: Apache-2.0
"""A device for tests that gives the frames it is handed, one whenever it is told to."""

import threading
import time

from tactile_nodes.device.contract import OFF, DeviceInfo, FingertipDevice, check_setting
from tactile_nodes.errors import DeviceError, FrameTimeout

SERIAL = 'VF-1002'
REFERENCE_FRAMES = 8


class ReplayDevice(FingertipDevice):
    """`release(n)` lets n more frames out; None among the frames stands for an unplugged cable."""

    def __init__(self, frames, *, lost=DeviceError):
        super().__init__()
        self._frames, self._lost = list(frames), lost
        self._allowed = threading.Semaphore(0)
        self._next = 0
        self._open = self._streaming = False
        self.light = OFF
        self.opened = 0
        self.refuse = None       # an error that the next set_gain raises
        self.refuse_to = {}      # 'open', 'start': an error that it raises
        self.tried_by_main = 0   # times that the main thread asked for it to be opened

    def release(self, count=1):
        for _ in range(count):
            self._allowed.release()

    def open(self):
        self.tried_by_main += threading.current_thread() is threading.main_thread()
        self._may('open')
        if not self._open:
            self.opened += 1
        self._open = True

    @property
    def info(self):
        if not self._open:
            raise DeviceError('not open')
        height, width, _ = self._frames[0].image.shape
        return DeviceInfo(SERIAL, 'replay', width, height, (1.0, 120.0), (1e-4, 0.05), (0.5, 8.0),
                          has_light=True)

    def _may(self, step):
        if step in self.refuse_to:
            raise self.refuse_to[step]

    def start(self):
        self._may('start')
        self._streaming = True

    def read(self, timeout):
        end = time.monotonic() + timeout
        while not self._allowed.acquire(timeout=0.02):
            if not self._streaming:
                raise DeviceError('stopped')
            if time.monotonic() > end:
                raise FrameTimeout('no frame')
        frame = self._frames[self._next % len(self._frames)]
        self._next += 1
        if frame is None:
            raise self._lost('the cable is out', where=SERIAL)
        return frame

    def stop(self):
        self._streaming = False

    def close(self):
        self.stop()
        self.light = OFF
        self._open = False

    def set_light(self, light):
        if not self._open:
            raise DeviceError('not open')
        self.light = light

    def set_frame_rate(self, rate):
        return check_setting('frame rate', rate, self.info.frame_rate_range, 'Hz')

    def set_exposure(self, exposure):
        return check_setting('exposure', exposure, self.info.exposure_range, 's')

    def set_gain(self, gain):
        if self.refuse is not None:
            error, self.refuse = self.refuse, None
            raise error
        return check_setting('gain', gain, self.info.gain_range, '')
