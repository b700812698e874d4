# SPDX-License-Identifier: Apache-2.0
"""The thread that reads a device, and the no-contact reference made of its newest frames."""

import threading
import time
from collections import deque
from contextlib import suppress

from tactile_nodes.core.reference import ReferenceBuilder
from tactile_nodes.device.contract import OFF
from tactile_nodes.errors import DataError, DeviceError, DeviceLost, EndOfRecording, FrameTimeout

_READ_TIMEOUT = 0.2        # s; also how long stopping may take
_REOPEN_PERIOD = 0.3       # s
_OVERDUE, _FRAMES_OVERDUE = 0.5, 3         # s and frame periods without a frame: announced
_SILENT = 5.0              # s without a frame after which the last ones are too old
_SETTLING = 15             # frames in which another light comes into effect


class Capture:
    """Reads frames in a thread of its own; a device that was lost is opened again and again.

    Parameters
    ----------
    device : FingertipDevice
    prepare : callable
        Brings settings to a device that is open.
    deliver : callable
        Called with every Frame.
    rate : callable
        Returns how many frames a second are due.
    report : callable
        Called when the device was lost or fell silent and when it is back.

    Attributes
    ----------
    problem : str
        Why the device is not there at the moment.
    silent : bool
        Whether it is there but no frames come.
    ended : bool
        Whether the device is a recording that has been read to its end.
    """

    def __init__(self, device, prepare, deliver, *, rate, report):
        self._device, self._prepare, self._deliver = device, prepare, deliver
        self._rate, self._report = rate, report
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name='capture')
        self._heard = time.monotonic()
        self.problem, self.silent, self.ended = '', False, False

    def start(self, lost=None):
        """Start the device and read it, or try again and again if it is lost.

        Parameters
        ----------
        lost : DeviceLost, optional
            Why it could not be opened a moment ago; then only the thread tries again.
        """
        try:
            if lost is not None:
                raise lost
            self._begin()
        except DeviceLost as error:
            self._note(error)
        self._heard = time.monotonic()
        self._thread.start()

    def _begin(self):
        self._device.open()
        self._prepare()
        self._device.start()

    def stop(self):
        """Lights off at once, then stop reading and the device; no frame is delivered any more."""
        self._stop.set()
        self._light_off()
        self._device.stop()
        if self._thread.is_alive():
            self._thread.join()
            self._light_off()                  # it may just have opened the device again

    def _light_off(self):
        with suppress(DeviceError):            # a device that is closed or gone has no light on
            self._device.set_light(OFF)

    def _run(self):
        if self.problem:
            self._reopen()
        while not self._stop.is_set():
            try:
                frame = self._device.read(_READ_TIMEOUT)
            except FrameTimeout:
                overdue = time.monotonic() - self._heard
                self._set_silent(overdue > max(_OVERDUE, _FRAMES_OVERDUE / self._rate()))
                continue
            except EndOfRecording:
                self.ended = True
                return
            except DeviceLost as error:
                self._note(error)
                self._reopen()
                continue
            except DeviceError:
                if self._stop.is_set():        # stopped while it waited
                    return
                raise
            if self._stop.is_set():            # its light may be off already
                return
            self._deliver(frame)
            self._heard = time.monotonic()
            self._set_silent(False)

    def _set_silent(self, silent):
        if silent != self.silent:
            self.silent = silent
            self._report()

    def _reopen(self):
        self.silent = False
        self._report()
        while True:
            self._device.close()
            if self._stop.wait(_REOPEN_PERIOD):
                return
            try:
                self._begin()
                break
            except DeviceError as again:
                self._note(again)
        self.problem, self._heard = '', time.monotonic()
        self._report()

    def _note(self, error):
        self.problem = f'{error} Tried again every {_REOPEN_PERIOD:g} s.'


class ReferenceTaker:
    """Makes a no-contact Reference of the newest frames, at once, or says why that cannot be.

    Frames come from one thread, the rest may be called from any.

    Parameters
    ----------
    shape : (int, int)
        Height and width, px.
    frames : int
        How many are averaged.
    elastomer : Elastomer, optional
        As for `ReferenceBuilder`.

    Attributes
    ----------
    count : int
        Frames since the beginning or since the light changed.
    """

    def __init__(self, shape, frames, elastomer=None):
        self._shape, self._frames, self._elastomer = shape, frames, elastomer
        self._lock = threading.Lock()
        self._recent = deque(maxlen=frames)        # (image, touched)
        self._last = 0.0                           # when a frame came, monotonic
        self._touched = self._was_touched = self._blind = False
        self._settling, self._since = 0, ''
        self.count = 0

    def restart(self):
        """Forget the frames, because the light has changed.

        A contact stage may see contact everywhere in another light. If it does so from the change
        on, and nothing touched before, it is not believed until it sees rest again.
        """
        with self._lock:
            self._recent.clear()
            self._was_touched, self._settling = self._touched, _SETTLING
            self._since, self.count = ' since the light changed', 0

    def add(self, image, touched):
        """Take a frame's image, and whether the contact stage sees something touch in it."""
        with self._lock:
            if self._settling:
                self._settling -= 1
                self._blind = not self._was_touched
            self._blind = self._blind and touched
            self._touched = touched and not self._blind
            self._recent.append((image, self._touched))
            self._last = time.monotonic()
            self.count += 1

    def take(self):
        """Return the Reference of the newest frames.

        Raises
        ------
        DataError
            Something touches or has just touched, the scene moves, or too few frames came.
        """
        with self._lock:
            recent, silent = list(self._recent), time.monotonic() - self._last
        if len(recent) < self._frames or silent > _SILENT:
            raise DataError('not enough frames', where='reference',
                            found=f'{len(recent)}{self._since}, the last {silent:.1f} s ago'
                            if recent else f'none{self._since}', expected=self._frames,
                            fix="Wait a moment and try again; see the camera's status in "
                                '/diagnostics.')
        if recent[-1][1]:
            raise DataError('something touches the skin', where='reference',
                            fix='Lift it off and try again. If nothing touches, as after a change '
                                'of the elastomer, clean the device node up and bring it up '
                                'again.')
        if any(touched for _, touched in recent):
            raise DataError('something has just touched the skin', where='reference',
                            fix='Wait a moment and try again.')
        builder = ReferenceBuilder(self._shape, self._elastomer)
        for image, _ in recent:
            builder.add(image)
        return builder.finish()
