# SPDX-License-Identifier: Apache-2.0
"""A recording as a device: a rosbag2 bag, one MCAP file, or a folder of images."""

import threading
import time
from itertools import count
from pathlib import Path

from tactile_nodes.core.types import Frame
from tactile_nodes.device.contract import DeviceInfo, FingertipDevice, check_setting
from tactile_nodes.device.images import FRAME_RATES, CorruptImageError, images_at
from tactile_nodes.errors import DeviceError, EndOfRecording, FrameTimeout


class RecordingDevice(FingertipDevice):
    """Frames out of a file, at the speed they were recorded or as fast as they are read.

    A damaged image is dropped and counted ('corrupt image'), one of another size than the first
    too ('other image size'), and one with the stamp of the one before ('same stamp'); the sequence
    numbers are those of the recording, so they show it.

    Parameters
    ----------
    path : path
        A bag (folder, or a single .mcap that may lack its end), or a folder of .png and .jpg
        files, which are taken in the order of the numbers in their names.
    topic : str, optional
        Image or CompressedImage topic of a bag; not needed when the bag has only one.
    realtime : bool
        True: at recorded speed, stamps moved to `clock`; a frame that is overtaken is dropped
        ('sequence gap'). False: every frame at once, with the stamp it was recorded with; those
        of a folder begin at 0.
    repeat : bool
        Begin again at the end.
    frame_rate : float
        Of a folder of images, Hz.
    clock : callable
        The time that stamps are in, ns.
    """

    def __init__(self, path, *, topic=None, realtime=True, repeat=False, frame_rate=60.0,
                 clock=time.time_ns):
        super().__init__()
        self._path, self._topic = Path(path).expanduser(), topic
        self._realtime, self._repeat, self._clock = realtime, repeat, clock
        self._rate = check_setting('frame rate', frame_rate, FRAME_RATES, 'Hz')
        self._source = self._shape = self._images = None
        self._stopped = threading.Event()
        self._stopped.set()                  # set while not streaming

    def open(self):
        """Find the images.

        Raises
        ------
        DeviceError
            No such recording, not readable, no such topic (the message lists the topics there
            are), or no image in it that can be decoded.
        """
        if self._source is not None:
            return
        source = images_at(self._path, self._topic, self._rate)
        for _, payload in source.images():
            try:
                self._shape = source.decode(payload)[0].shape
                break
            except CorruptImageError:
                continue
        else:
            raise DeviceError('no image that can be decoded', where=source.name)
        self._source = source

    @property
    def info(self):
        """DeviceInfo; only while open."""
        self._need_open()
        height, width, _ = self._shape
        return DeviceInfo(
            serial=self._path.name, description=f'recording {self._source.name}',
            width_px=width, height_px=height, frame_rate_range=self._source.frame_rates,
            exposure_range=None, gain_range=None, has_light=False)

    @property
    def topic(self):
        """The image topic that is read, None for a folder of images; only while open."""
        self._need_open()
        return self._source.topic

    def start(self):
        """Begin at the first image; the sequence begins anew."""
        self._need_open()
        self.dropped.clear()
        self._images, self._next = self._entries(), None
        self._began, self._began_clock = time.monotonic(), self._clock()
        self._first = self._last = None
        self._stopped.clear()

    def read(self, timeout):
        """Return the newest unread Frame.

        Raises
        ------
        FrameTimeout
            The next image is due later than `timeout` seconds from now.
        EndOfRecording
            There are no more.
        DeviceError
            Not streaming, or stopped meanwhile.
        """
        deadline = time.monotonic() + timeout
        while True:
            self._need_streaming()
            self._wait(deadline, timeout)
            sequence, stamp, payload = self._peek()
            self._next = None
            if self._realtime and self._is_due():
                self.dropped['sequence gap'] += 1        # the one after is due already
                continue
            try:
                image, jpeg = self._source.decode(payload)
            except CorruptImageError:
                self.dropped['corrupt image'] += 1
                continue
            if image.shape != self._shape:
                self.dropped['other image size'] += 1
                continue
            if stamp == self._last:
                self.dropped['same stamp'] += 1
                continue
            self._last = stamp
            if self._realtime:
                stamp += self._began_clock - self._first
            return Frame(image=image, stamp_ns=stamp, sequence=sequence, jpeg=jpeg)

    def stop(self):
        """End streaming; the recording stays open."""
        self._stopped.set()

    def close(self):
        """Let the file go."""
        self.stop()
        self._source = self._images = self._next = None

    def set_light(self, light):
        """Refuse: a recording has no LEDs."""
        raise DeviceError('a recording has no LEDs to set', where=str(self._path))

    def set_frame_rate(self, rate):
        """Set frames per second of a folder of images; a bag has its own and refuses."""
        self._need_open()
        self._source.rate = check_setting('frame rate', rate, self._source.frame_rates, 'Hz')
        return self._source.rate

    def set_exposure(self, exposure):
        """Refuse: what is recorded is exposed."""
        return check_setting('exposure', exposure, None, 's')

    def set_gain(self, gain):
        """Refuse: what is recorded is amplified."""
        return check_setting('gain', gain, None, '')

    def _entries(self):
        """Yield (sequence, stamp, payload), over and over when it repeats, stamps rising on."""
        number, shift = count(), 0
        while True:
            first = last = before = None
            for stamp, payload in self._source.images():
                first, before, last = stamp if first is None else first, last, stamp
                yield next(number), stamp + shift, payload
            if not self._repeat:
                return
            shift += last - first + (last - before if before is not None else 0)

    def _peek(self):
        """Return the next entry, or None at the end."""
        if self._next is None:
            self._next = next(self._images, None)
            if self._next is not None and self._first is None:
                self._first = self._next[1]
        return self._next

    def _is_due(self):
        entry = self._peek()
        return entry is not None and self._due_in(entry) <= 0

    def _due_in(self, entry):
        return self._began + (entry[1] - self._first) * 1e-9 - time.monotonic()

    def _wait(self, deadline, timeout):
        """Wait until the next image is due."""
        entry = self._peek()
        if entry is None:
            raise EndOfRecording('the recording has no more images', where=self._source.name)
        if not self._realtime:
            return
        left = max(0.0, deadline - time.monotonic())
        due = self._due_in(entry)
        self._stopped.wait(max(0.0, min(due, left)))
        self._need_streaming()
        if due > left:
            raise FrameTimeout('no image', where=self._source.name,
                               expected=f'one within {timeout:g} s')

    def _need_open(self):
        if self._source is None:
            raise DeviceError('not open', where=str(self._path), fix='Open it first.')

    def _need_streaming(self):
        if self._stopped.is_set():
            raise DeviceError('not streaming', where=str(self._path),
                              fix='Open and start it first.')
