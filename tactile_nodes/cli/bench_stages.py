# SPDX-License-Identifier: Apache-2.0
"""Cost of every stage, of the whole finger and of what a user would otherwise take, per frame.

All run on the same frames, one after the other frame by frame, so that what slows the machine down
for a while slows all of them down; only ratios hold between machines. Times are of one thread's
processor time.
"""

import time
from contextlib import suppress
from dataclasses import dataclass, replace

import cv2
import numpy as np

from tactile_nodes.core.contact import ContactStage
from tactile_nodes.core.force import ForceStage
from tactile_nodes.core.geometry import ImageGeometry
from tactile_nodes.core.markers import FlowStage
from tactile_nodes.core.overlay import draw_overlay
from tactile_nodes.core.reference import ReferenceBuilder
from tactile_nodes.device.contract import Light
from tactile_nodes.device.virtual import VirtualDevice

STAGES = ('contact', 'markers', 'force and slip')
WHOLE = 'whole finger'
FARNEBACK = 'dense flow, Farneback (OpenCV)'
SIZES = ((160, 120), (320, 240), (480, 360), (640, 480))
PITCHES_MM = (2.1, 1.5, 1.05, 0.73)        # about 50, 110, 230 and 500 markers
_REFERENCE_FRAMES = 30
_DIAMETER = 0.4                            # of the pitch, when the pitch is varied
_SLOW_EVERY = {'dense flow, TV-L1 (scikit-image)': 60, 'particles, locate (trackpy)': 6}


@dataclass(frozen=True, eq=False)
class Footage:
    """Frames of one virtual fingertip during a grasp, and what its stages need.

    Attributes
    ----------
    images : list of (H, W, 3) uint8
    stamps_ns : list of int
    jpegs : list of (N,) uint8
    reference : Reference
    geometry : ImageGeometry
    elastomer : Elastomer
    calibration : Calibration
    """

    images: list
    stamps_ns: list
    jpegs: list
    reference: object
    geometry: ImageGeometry
    elastomer: object
    calibration: object


def footage(hand, finger, calibration, *, frames=360, size=None, pitch=None):
    """Render a finger's scenario.

    Parameters
    ----------
    hand : Hand
    finger : Finger
        A virtual one, of that hand.
    calibration : Calibration
    frames : int
        Besides those of the reference.
    size : (int, int), optional
        Other width and height than the hand's.
    pitch : float, optional
        Other marker pitch than the elastomer's, m.

    Returns
    -------
    Footage
    """
    width, height = size or (hand.width, hand.height)
    elastomer = finger.elastomer
    if pitch is not None:
        elastomer = replace(elastomer, marker_pitch=pitch, marker_diameter=_DIAMETER * pitch)
    device = VirtualDevice(finger.serial, elastomer, finger.device.scenario, width=width,
                           height=height, frame_rate=finger.frame_rate, realtime=False)
    builder = ReferenceBuilder((height, width))
    with device:
        device.set_light(Light(**finger.leds))
        device.start()
        for _ in range(_REFERENCE_FRAMES):
            builder.add(device.read(1.0).image)
        taken = [device.read(1.0) for _ in range(frames)]
    images = [frame.image for frame in taken]
    scale = calibration.geometry.metres_per_px * calibration.geometry.width_px / width
    return Footage(images, [frame.stamp_ns for frame in taken],
                   [cv2.imencode('.jpg', image)[1] for image in images], builder.finish(),
                   ImageGeometry(height, width, scale), elastomer, calibration)


class Stopwatch:
    """Processor times of this thread, ms, by name."""

    def __init__(self):
        self.times = {}

    def run(self, name, function, *arguments):
        """Call the function; note what it cost under the name and return what it returns."""
        begin = time.thread_time_ns()
        result = function(*arguments)
        self.times.setdefault(name, []).append((time.thread_time_ns() - begin) / 1e6)
        return result

    def spread(self):
        """{name: (median, lower quartile, upper quartile)} in ms."""
        return {name: tuple(np.percentile(values, (50, 25, 75)).round(4).tolist())
                for name, values in self.times.items()}


class _Finger:
    """The stages of a finger, each timed."""

    def __init__(self, shot):
        self._contact = ContactStage(shot.geometry, shot.elastomer, shot.calibration.shading)
        self._flow = FlowStage(shot.geometry, shot.elastomer)
        self._force = ForceStage(shot.geometry, shot.elastomer, shot.calibration.force)
        for stage in (self._contact, self._flow):
            stage.set_reference(shot.reference)

    def process(self, watch, image, stamp_ns):
        """Work through a frame; Contact, MarkerField, ForceEstimate."""
        contact = watch.run('contact', self._contact.process, image)
        markers = watch.run('markers', self._flow.process, image)
        estimate = watch.run('force and slip', self._force.process, contact, markers, stamp_ns)
        watch.times.setdefault(WHOLE, []).append(
            sum(watch.times[stage][-1] for stage in STAGES))
        return contact, markers, estimate


def compare(shot):
    """Cost of the stages and of other methods on the same frames.

    Parameters
    ----------
    shot : Footage

    Returns
    -------
    dict of str to (float, float, float)
        Median and quartiles, ms.
    """
    finger, watch, others = _Finger(shot), Stopwatch(), _others(shot)
    before = None
    for i, (image, stamp_ns) in enumerate(zip(shot.images, shot.stamps_ns, strict=True)):
        watch.run('decode (JPEG)', cv2.imdecode, shot.jpegs[i], cv2.IMREAD_COLOR)
        found = finger.process(watch, image, stamp_ns)
        watch.run('overlay', draw_overlay, image, shot.geometry, *found)
        grey = cv2.cvtColor(image, cv2.COLOR_BGR2GRAY)
        for name, method in others.items():
            if before is not None and i % _SLOW_EVERY.get(name, 1) == 0:
                watch.run(name, method, before, grey)
        before = grey
    return watch.spread()


def growth(shot):
    """Median cost of the whole finger on these frames, ms, and its number of markers."""
    finger, watch = _Finger(shot), Stopwatch()
    for image, stamp_ns in zip(shot.images, shot.stamps_ns, strict=True):
        _, markers, _ = finger.process(watch, image, stamp_ns)
    return watch.spread()[WHOLE][0], len(markers.ids)


def _others(shot):
    """Other methods that find motion or dots, each called with two grey pictures."""
    dis = cv2.DISOpticalFlow_create(cv2.DISOPTICAL_FLOW_PRESET_FAST)
    # the settings of OpenCV's own example
    methods = {
        FARNEBACK: lambda a, b: cv2.calcOpticalFlowFarneback(a, b, None, 0.5, 3, 15, 3, 5, 1.2, 0),
        'dense flow, DIS fast (OpenCV)': lambda a, b: dis.calc(a, b, None)}
    with suppress(ImportError):
        from skimage.registration import optical_flow_tvl1
        methods['dense flow, TV-L1 (scikit-image)'] = optical_flow_tvl1
    with suppress(ImportError):
        from trackpy import locate
        diameter = shot.elastomer.marker_diameter / shot.geometry.metres_per_px
        odd = 2 * int(diameter / 2) + 3
        methods['particles, locate (trackpy)'] = lambda _, b: locate(255 - b, odd)
    return methods
