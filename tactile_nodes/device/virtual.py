# SPDX-License-Identifier: Apache-2.0
"""A fingertip that is computed: a scripted grasp, its mechanics, its camera."""

import threading
import time

from tactile_nodes.core.types import Frame
from tactile_nodes.device.contract import OFF, DeviceInfo, FingertipDevice, check_setting
from tactile_nodes.errors import DeviceError, FrameTimeout, TactileError
from tactile_nodes.files.scenario import Scenario, read_scenario
from tactile_nodes.virtual.optics import SkinCamera, optics_of
from tactile_nodes.virtual.scenario import ScenarioPlayer, grid, solution_of

FRAME_RATES = (1.0, 240.0)         # Hz
EXPOSURES = (1e-4, 0.1)            # s
GAINS = (0.1, 16.0)
_DEFAULT_EXPOSURE = 8e-3          # s
_RENDERING = 3e-3                  # s before the end of an exposure when its picture is begun


class VirtualDevice(FingertipDevice):
    """A virtual fingertip on a camera's clock: one exposure per frame period.

    The picture shows the scenario at the middle of the exposure, which is also the stamp, and is
    there when the exposure ends. The scenario starts with `start`. A frame nobody read before the
    next was exposed is lost and counted, as on a camera that keeps one.

    Parameters
    ----------
    serial : str
        Decides the small differences between fingertips (`virtual.optics.optics_of`).
    elastomer : Elastomer
    scenario : Scenario or path
        What happens to the fingertip, or the file that says so.
    width, height : int
        Image size, pixels.
    frame_rate : float
        Hz.
    scenario_start : float
        Where in the scenario `start` begins, s.
    clock : callable
        The time that stamps are in, ns.
    realtime : bool
        False: every `read` returns the next frame at once, stamps as if it had been in time.
    """

    def __init__(self, serial, elastomer, scenario, *, width=320, height=240, frame_rate=60.0,
                 scenario_start=0.0, clock=time.time_ns, realtime=True):
        super().__init__()
        self._serial, self._elastomer, self._scenario = serial, elastomer, scenario
        self._size = (width, height)
        self._rate = check_setting('frame rate', frame_rate, FRAME_RATES, 'Hz')
        self._exposure = min(_DEFAULT_EXPOSURE, 1 / self._rate)
        self._gain, self._light = 1.0, OFF
        self._scenario_start, self._clock, self._realtime = scenario_start, clock, realtime
        self._camera = self._player = None
        self._streaming = False
        self._changed = threading.Condition()

    def open(self):
        """Solve the scenario (or fetch its solution) and build the camera.

        Raises
        ------
        DeviceError
            The scenario file is wrong, or the image size unusable.
        """
        if self._player is not None:
            return
        try:
            scenario = self._scenario if isinstance(self._scenario, Scenario) \
                else read_scenario(self._scenario)
            optics = optics_of(self._serial)
            camera = SkinCamera(self._elastomer, optics, optics.geometry(*self._size), *grid())
            self._player = ScenarioPlayer(scenario, solution_of(scenario, self._elastomer), camera)
        except TactileError as error:
            raise DeviceError(f'virtual fingertip {self._serial} cannot be opened: {error}'
                              ) from error
        self._camera, self._light = camera, OFF

    @property
    def info(self):
        """DeviceInfo; only while open."""
        self._need_open()
        width, height = self._size
        return DeviceInfo(
            serial=self._serial, width_px=width, height_px=height,
            description=f'virtual fingertip {self._serial}, {self._elastomer.name}',
            frame_rate_range=FRAME_RATES, exposure_range=self._exposures(), gain_range=GAINS,
            has_light=True)

    @property
    def light(self):
        """The LED levels now (Light)."""
        return self._light

    def start(self):
        """Begin streaming; sequence and scenario begin anew."""
        self._need_open()
        with self._changed:
            self.dropped.clear()
            self._next = 0
            self._began = self._exposed = time.monotonic()    # when exposure `_next` begins
            self._began_stamp = self._clock()
            self._streaming = True

    def read(self, timeout):
        """Return the newest unread Frame, with its truth.

        Raises
        ------
        FrameTimeout
            No exposure ends within `timeout` seconds.
        DeviceError
            Not streaming, or stopped meanwhile.
        """
        with self._changed:
            if self._realtime:
                self._wait(time.monotonic() + timeout, timeout)
            self._need_streaming()
            sequence, middle = self._next, self._exposed + self._exposure / 2
            due = self._exposed + self._exposure
            settings = self._light, self._exposure, self._gain
            self._advance(1)
        elapsed = middle - self._began
        seen, truth = self._player.at(self._scenario_start + elapsed)
        image = self._camera.picture(seen, *settings)
        if self._realtime:
            with self._changed:
                while self._streaming and (left := due - time.monotonic()) > 0:
                    self._changed.wait(left)
                self._need_streaming()
            stamp = self._on_clock(middle)
        else:
            stamp = self._began_stamp + round(elapsed * 1e9)
        return Frame(image=image, stamp_ns=stamp, sequence=sequence, truth=truth)

    def _wait(self, deadline, timeout):
        """Wait until the next exposure is nearly over; drop what newer ones have overtaken."""
        while self._streaming:
            now = time.monotonic()
            late = now - (self._exposed + self._exposure)
            if late >= -_RENDERING:
                overtaken = int(max(0.0, late) * self._rate)
                self.dropped['sequence gap'] += overtaken
                self._advance(overtaken)
                return
            if now >= deadline:
                raise FrameTimeout('no frame', where=f'fingertip {self._serial}',
                                   expected=f'one within {timeout:g} s')
            self._changed.wait(min(-late - _RENDERING, deadline - now))

    def _on_clock(self, moment):
        """Stamp of a monotonic time; of three readings the one least interrupted counts."""
        readings = [(time.monotonic(), self._clock(), time.monotonic()) for _ in range(3)]
        before, now, after = min(readings, key=lambda r: r[2] - r[0])
        return now - round(((before + after) / 2 - moment) * 1e9)

    def _advance(self, frames):
        self._next += frames
        self._exposed += frames / self._rate

    def stop(self):
        """End streaming; the device stays open."""
        with self._changed:
            self._streaming = False
            self._changed.notify_all()

    def close(self):
        """Lights off, memory released."""
        self.stop()
        self._light = OFF
        self._camera = self._player = None

    def set_light(self, light):
        """Set the LED levels (Light)."""
        self._need_open()
        self._light = light

    def set_frame_rate(self, rate):
        """Set frames per second; a period shorter than the exposure is refused."""
        self._need_open()
        with self._changed:
            rate = check_setting('frame rate', rate, FRAME_RATES, 'Hz')
            if self._exposure > 1 / rate:
                raise DeviceError('frame period shorter than the exposure', where='frame rate',
                                  found=rate, expected=f'at most {1 / self._exposure:.4g} Hz',
                                  fix='Set a shorter exposure first.')
            self._rate = rate
            self._changed.notify_all()
        return rate

    def set_exposure(self, exposure):
        """Set the exposure time in seconds; more than a frame period is refused."""
        self._need_open()
        with self._changed:
            self._exposure = check_setting('exposure', exposure, self._exposures(), 's')
            self._changed.notify_all()
            return self._exposure

    def set_gain(self, gain):
        """Set the gain as a factor."""
        self._need_open()
        self._gain = check_setting('gain', gain, GAINS, '')
        return self._gain

    def _exposures(self):
        return EXPOSURES[0], min(EXPOSURES[1], 1 / self._rate)

    def _need_open(self):
        if self._player is None:
            raise DeviceError('not open', where=f'virtual fingertip {self._serial}',
                              fix='Open it first.')

    def _need_streaming(self):
        if not self._streaming:
            raise DeviceError('not streaming', where=f'virtual fingertip {self._serial}',
                              fix='Open and start it first.')
