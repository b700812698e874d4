# SPDX-License-Identifier: Apache-2.0
"""A process of the hand under test: the product's executable, with a camera that can be spoilt.

    python -m tests.faults.worker EXECUTABLE CONTROL_FILE [ROS arguments]

Its time of day is that of the file `clock` beside the control file (`tests.faults.clock`).
The virtual world does not stop when the process is killed: its scenario goes on by the machine's
monotonic clock, so that a finger may come back in the middle of a grasp, as on a robot.
"""

import importlib
import sys
import time
from pathlib import Path

import numpy as np

from tactile_nodes.device.contract import FingertipDevice
from tactile_nodes.errors import DeviceLost, FrameTimeout
from tests.faults.clock import Clock, live_by

MODES = ('well', 'unplugged', 'stalled', 'repeating', 'damaged', 'garbled', 'black')
_SPOILT = 0.7          # share of the frames that a damaged or garbled stream spoils


class SpoiltDevice(FingertipDevice):
    """A device that misbehaves as its control file says, within what the contract allows.

    'unplugged': gone, cannot be opened. 'stalled': no frames. 'repeating': the same picture again
    and again with new stamps. 'damaged': most frames cannot be decoded and are dropped and
    counted. 'garbled': most frames can be decoded but are streaks, grey or noise from some row on,
    as after a lost USB packet. 'black': the LEDs have failed.
    """

    def __init__(self, device, control):
        super().__init__()
        self._device, self._control = device, Path(control)
        self._world = self._control.with_suffix('.world')        # when its scenario began
        self._rng, self._last = np.random.default_rng(1), None
        self.dropped = device.dropped

    def mode(self):
        try:
            return self._control.read_text(encoding='ascii').strip()
        except OSError:
            return 'well'

    def open(self):
        self._need_plug()
        self._device.open()

    def close(self):
        self._device.close()

    def start(self):
        self._need_plug()
        if not self._world.exists():
            self._world.write_text(str(time.monotonic()))
        self._device._scenario_start = time.monotonic() - float(self._world.read_text())
        self._device.start()

    def stop(self):
        self._device.stop()

    def read(self, timeout):
        end = time.monotonic() + timeout
        while True:
            frame = self._spoil(self._device.read(max(0.0, end - time.monotonic())), end)
            if frame is not None:
                return frame

    def _spoil(self, frame, end):
        """The frame as the application sees it, or None where it was dropped."""
        mode = self.mode()
        self._need_plug()
        if mode == 'stalled':
            time.sleep(max(0.0, end - time.monotonic()))
            raise FrameTimeout('no frame', where='spoilt camera')
        if mode == 'repeating' and self._last is not None:
            return frame.__class__(self._last, frame.stamp_ns, frame.sequence, truth=frame.truth)
        if mode in ('damaged', 'garbled') and self._rng.random() < _SPOILT:
            if mode == 'damaged':
                self.dropped['corrupt image'] += 1
                return None
            rest = frame.image[self._rng.integers(40, 200):]
            like = ((1, *rest.shape[1:]), (1, 1, 1), rest.shape)[self._rng.integers(3)]
            rest[:] = self._rng.integers(0, 256, like, np.uint8)
        if mode == 'black':
            frame.image[:] = 0
        self._last = frame.image
        return frame

    def _need_plug(self):
        if self.mode() == 'unplugged':
            raise DeviceLost('the camera is not there', where='spoilt camera', fix='Plug it in.')

    @property
    def info(self):
        return self._device.info

    def set_light(self, light):
        self._need_plug()
        self._device.set_light(light)

    def set_frame_rate(self, rate):
        self._need_plug()
        return self._device.set_frame_rate(rate)

    def set_exposure(self, exposure):
        self._need_plug()
        return self._device.set_exposure(exposure)

    def set_gain(self, gain):
        self._need_plug()
        return self._device.set_gain(gain)


def main():
    executable, control = sys.argv[1:3]
    del sys.argv[1:3]
    live_by(Clock(Path(control).with_name('clock')))
    if executable in ('fingertip', 'device_node'):
        from tactile_nodes.nodes import device_node

        make = device_node.device_of
        device_node.device_of = lambda *given: SpoiltDevice(make(*given), control)
    importlib.import_module(f'tactile_nodes.nodes.{executable}').main()


if __name__ == '__main__':
    main()
