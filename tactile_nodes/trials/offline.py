# SPDX-License-Identifier: Apache-2.0
"""A recording through the live core: the same numbers as live, frame by frame."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tactile_nodes.core.pipeline import FingerPipeline
from tactile_nodes.core.reference import Reference
from tactile_nodes.device.bags import Bag, is_bag, stamp_of
from tactile_nodes.device.recording import RecordingDevice
from tactile_nodes.errors import DataError, DeviceError, EndOfRecording
from tactile_nodes.interface import PARAMETERS
from tactile_nodes.trials.rest import find_reference

_FRAMES, = (p.default for p in PARAMETERS['device'] if p.name == 'reference_frames')


class Recording:
    """The frames of one finger in a recording, as often as wanted.

    Parameters
    ----------
    path : path
        Bag (folder, .mcap or .db3), or folder of images at 60 images a second.
    topic : str, optional
        Image topic of a bag; not needed when the bag has only one camera.

    Attributes
    ----------
    topic : str or None
        The one that is read; None for a folder of images.
    shape : (int, int)
        Height and width of the images, px.
    dropped : Counter
        What was left out in the last pass, by reason.

    Raises
    ------
    DeviceError
        As of `RecordingDevice`.
    """

    def __init__(self, path, topic=None):
        self.path = Path(path).expanduser()
        self._device = RecordingDevice(self.path, topic=topic, realtime=False)
        with self._device:
            self.shape = self._device.info.height_px, self._device.info.width_px
            self.topic = self._device.topic
        self.dropped = self._device.dropped

    def frames(self):
        """Yield every Frame that can be decoded, with the stamp it was recorded with."""
        with self._device:
            self._device.start()
            while True:
                try:
                    yield self._device.read(0.0)
                except EndOfRecording:
                    return

    def references(self):
        """Yield (stamp in ns, Reference) that were recorded with the finger's images, in order."""
        if not (self.topic and is_bag(self.path)):
            return
        finger = self.topic.removesuffix('/compressed').rpartition('/')[0]
        names = f'{finger}/reference/image', f'{finger}/reference/noise'
        bag = Bag(self.path)
        if not all(bag.topics.get(name) == 'sensor_msgs/msg/Image' for name in names):
            return
        waiting = {}
        for topic, log_ns, message in bag.messages(names):
            if message is None:
                continue
            parts = waiting.setdefault(stamp_of(message, log_ns), {})
            parts[topic] = _bgr16(message, topic)
            if len(parts) == 2:
                yield stamp_of(message, log_ns), Reference(*(parts[n] for n in names), _FRAMES)


@dataclass(frozen=True, eq=False)
class Start:
    """Where the numbers of a recording begin and what they are compared with.

    Attributes
    ----------
    references : list of (int, Reference)
        Each counts for frames stamped after its own stamp, ns.
    about : str
        Where they are from, for the user.
    frames : int
        How many there are to work through.
    frame_rate : float
        Median, Hz.
    """

    references: list
    about: str
    frames: int
    frame_rate: float


def prepare(recording, calibration, progress=lambda done: None):
    """Find the no-contact reference of a recording.

    It is the recorded one where the finger's `reference/image` and `reference/noise` are in the
    bag, and then begins where that begins, as live; else the first frames at rest, see
    `find_reference`.

    Parameters
    ----------
    recording : Recording
    calibration : Calibration
    progress : callable
        Told how many frames were seen.

    Returns
    -------
    Start

    Raises
    ------
    DataError
        Images of another size than those calibrated with, too few, or never at rest.
    """
    geometry = calibration.geometry
    if recording.shape != geometry.shape:
        raise DataError('images of another size than the calibration', where=str(recording.path),
                        found=f'{recording.shape[1]}x{recording.shape[0]}',
                        expected=f'{geometry.width_px}x{geometry.height_px}',
                        fix='Calibrate at the size that is recorded.')
    references = list(recording.references())
    found = find_reference(recording, calibration, _FRAMES, progress, known=bool(references))
    if references:
        about = f'recorded with the images ({len(references)})'
        after = int(np.count_nonzero(found.stamps_ns > references[0][0]))
        if not after:
            raise DataError('the recording ends before its reference', where=str(recording.path))
    else:
        references, about, after = [(-1, found.reference)], found.about, len(found.stamps_ns)
    period = np.median(np.diff(found.stamps_ns)) if len(found.stamps_ns) > 1 else 1e9 / 60
    return Start(references, about, after, 1e9 / max(period, 1.0))


def work_through(recording, calibration, start):
    """Process every frame from the reference on.

    Parameters
    ----------
    recording : Recording
    calibration : Calibration
    start : Start
        Of `prepare`.

    Yields
    ------
    Frame, Contact, MarkerField, ForceEstimate
    """
    pipeline = FingerPipeline(calibration.geometry, calibration.elastomer, calibration.shading,
                              calibration.force)
    coming = list(start.references)
    ready = False
    for frame in recording.frames():
        # live the reference is in use once the frame that completes it has gone through
        while coming and frame.stamp_ns > coming[0][0]:
            pipeline.set_reference(coming.pop(0)[1])
            ready = True
        if ready:
            yield (frame, *pipeline.process(frame.image, frame.stamp_ns))


def _bgr16(message, topic):
    """(H, W, 3) uint16 of a recorded reference's Image message."""
    height, width, step = message.height, message.width, message.step
    if message.encoding != 'bgr16' or step < 6 * width or len(message.data) != height * step:
        raise DeviceError('not a reference', where=topic, found=message.encoding,
                          expected='bgr16 with all of its data')
    rows = np.ascontiguousarray(message.data.reshape(height, step)[:, :6 * width])
    kind = '>u2' if message.is_bigendian else '<u2'
    return rows.view(kind).astype(np.uint16).reshape(height, width, 3)
