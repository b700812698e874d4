# SPDX-License-Identifier: Apache-2.0
"""The README's picture, made by the software; `python -m tests.readme_picture` makes it anew."""

import cv2

from tactile_nodes.core.overlay import draw_overlay, mosaic
from tactile_nodes.core.pipeline import FingerPipeline
from tactile_nodes.core.reference import ReferenceBuilder
from tactile_nodes.device.contract import Light
from tactile_nodes.device.factory import make_device
from tactile_nodes.files.calibration import read_calibration
from tactile_nodes.files.hand import read_hand
from tactile_nodes.hand.resources import shipped
from tests.readme_tables import README

REFERENCE_FRAMES = 30
MOMENT = 5.2         # s into the scenarios: pressed and sheared


def overlay_of(hand, finger):
    """The finger's overlay at the moment, worked up from the frames before."""
    calibration = read_calibration(finger.calibration_file)
    pipeline = FingerPipeline(calibration.geometry, finger.elastomer, calibration.shading,
                              calibration.force)
    builder = ReferenceBuilder(calibration.geometry.shape)
    device = make_device(finger.device, serial=finger.serial, elastomer_file=finger.elastomer_file,
                         width=hand.width, height=hand.height, frame_rate=finger.frame_rate)
    with device:
        device.set_light(Light(**finger.leds))
        device.start()
        for _ in range(REFERENCE_FRAMES):
            builder.add(device.read(1.0).image)
        pipeline.set_reference(builder.finish())
        first = frame = device.read(1.0)
        while frame.stamp_ns - first.stamp_ns < MOMENT * 1e9:
            frame = device.read(1.0)
            found = pipeline.process(frame.image, frame.stamp_ns)
    return draw_overlay(frame.image, calibration.geometry, *found)


if __name__ == '__main__':
    hand = read_hand(shipped('config/four_finger_hand.yaml'))
    picture = mosaic({finger.name: overlay_of(hand, finger) for finger in hand.fingers})
    path = README.parent / 'docs' / 'hand_overlay.jpg'
    path.parent.mkdir(exist_ok=True)
    cv2.imwrite(str(path), picture, [cv2.IMWRITE_JPEG_QUALITY, 88])
