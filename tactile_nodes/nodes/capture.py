# SPDX-License-Identifier: Apache-2.0
"""The thread that reads a device, and the no-contact reference taken out of its stream."""

import threading
from concurrent.futures import Future

from tactile_nodes.core.reference import ReferenceBuilder
from tactile_nodes.errors import DataError, DeviceError, DeviceLost, EndOfRecording, FrameTimeout

_READ_TIMEOUT = 0.2        # s; also how long stopping may take
_REOPEN_PERIOD = 0.3       # s


class Capture:
    """Reads frames in a thread of its own; a device that was lost is opened again and again.

    Parameters
    ----------
    device : FingertipDevice
        Open, unless it is `lost`.
    prepare : callable
        Brings settings back to a device that was just opened.
    deliver : callable
        Called with every Frame.
    report : callable
        Called when the device was lost and when it is back.
    lost : DeviceLost, optional
        Why it is not there yet.

    Attributes
    ----------
    problem : str
        Why no frames come at the moment.
    ended : bool
        Whether the device is a recording that has been read to its end.
    """

    def __init__(self, device, prepare, deliver, *, report, lost=None):
        self._device, self._prepare, self._deliver = device, prepare, deliver
        self._report, self._lost = report, lost
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name='capture')
        self.problem, self.ended = '', False

    def start(self):
        """Start the device and read it."""
        if self._lost is None:
            self._device.start()
        self._thread.start()

    def stop(self):
        """Stop reading and the device."""
        self._stop.set()
        self._device.stop()
        if self._thread.is_alive():
            self._thread.join()

    def _run(self):
        if self._lost is not None:
            self._reopen(self._lost)
        while not self._stop.is_set():
            try:
                frame = self._device.read(_READ_TIMEOUT)
            except FrameTimeout:
                continue
            except EndOfRecording:
                self.ended = True
                return
            except DeviceLost as error:
                self._reopen(error)
                continue
            except DeviceError:
                if self._stop.is_set():        # stopped while it waited
                    return
                raise
            self._deliver(frame)

    def _reopen(self, error):
        self._note(error)
        self._report()
        while True:
            self._device.close()
            if self._stop.wait(_REOPEN_PERIOD):
                return
            try:
                self._device.open()
                self._prepare()
                self._device.start()
                break
            except DeviceError as again:
                self._note(again)
        self.problem = ''
        self._report()

    def _note(self, error):
        self.problem = f'{error} Tried again every {_REOPEN_PERIOD:g} s.'


class ReferenceTaker:
    """Averages frames of the stream to a Reference when asked to.

    Attributes
    ----------
    problem : str
        Why the reference that was asked for is not there yet.
    """

    def __init__(self, shape, frames, elastomer=None):
        self._shape, self._frames, self._elastomer = shape, frames, elastomer
        self._lock = threading.Lock()
        self._builder = self._request = None
        self._patient = False
        self.problem = ''

    def request(self, *, patient=False):
        """Ask for a reference from the next frames.

        Parameters
        ----------
        patient : bool
            Try again when the scene moved, until it is at rest.

        Returns
        -------
        concurrent.futures.Future
            Of the Reference; DataError says why there is none.
        """
        with self._lock:
            self._finish(DataError('a newer request came', where='reference'))
            self._request, self._patient = Future(), patient
            self._builder = ReferenceBuilder(self._shape, self._elastomer)
            self.problem = 'the reference is being taken'
            return self._request

    def cancel(self, reason):
        """Give up with that reason; harmless when nothing was asked for."""
        with self._lock:
            self._finish(DataError(reason, where='reference'))

    def restart(self):
        """Begin anew, because the light has changed; harmless when nothing was asked for."""
        with self._lock:
            if self._request is not None:
                self._builder = ReferenceBuilder(self._shape, self._elastomer)

    def add(self, image):
        """Take a frame's image; returns the Reference that it completes, else None."""
        with self._lock:
            if self._request is None:
                return None
            try:
                self._builder.add(image)
                if self._builder.count < self._frames:
                    return None
                reference = self._builder.finish()
            except DataError as error:
                if self._patient:
                    self.problem = str(error)
                    self._builder = ReferenceBuilder(self._shape, self._elastomer)
                else:
                    self._finish(error)
                return None
            return reference

    def done(self, reference):
        """Answer the request, once the reference that `add` gave is in use."""
        with self._lock:
            self._finish(reference)

    def _finish(self, outcome):
        request, self._request, self.problem = self._request, None, ''
        if request is None:
            return
        if isinstance(outcome, Exception):
            request.set_exception(outcome)
        else:
            request.set_result(outcome)
