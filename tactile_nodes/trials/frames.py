# SPDX-License-Identifier: Apache-2.0
"""Frames of a recorded trial with what was found in them."""

from types import SimpleNamespace

import numpy as np

from tactile_nodes.core.contact import ContactStage
from tactile_nodes.core.overlay import draw_overlay
from tactile_nodes.device.bags import Bag, stamp_of
from tactile_nodes.device.images import decode_image
from tactile_nodes.errors import FileError
from tactile_nodes.files.calibration import read_calibration
from tactile_nodes.trials.offline import Recording
from tactile_nodes.trials.run import markers_of

_IMAGES, _MARKERS = 'image_raw/compressed', 'markers/displacement'


def contact_stage(trial, name):
    """ContactStage and geometry as the live nodes had them, with the recorded reference.

    Raises
    ------
    FileError
        The trial has no calibration of this finger, or no reference.
    """
    equipment = (trial.fingers or {}).get(name)
    if equipment is None or not equipment.calibration:
        raise FileError('no calibration', where=str(trial.folder))
    calibration = read_calibration(trial.folder / equipment.calibration)
    stage = ContactStage(calibration.geometry, calibration.elastomer, calibration.shading)
    set_recorded_reference(stage, trial.folder, f'/{trial.hand}/{name}')
    return stage, calibration.geometry


def set_recorded_reference(stage, bag, namespace):
    """Give a ContactStage the first reference of a finger in a bag; FileError without one."""
    topic = f'{namespace}/{_IMAGES}'
    if topic not in Bag(bag).topics:
        raise FileError('no images in the bag', where=str(bag))
    reference = next(Recording(bag, topic).references(), None)
    if reference is None:
        raise FileError('no reference in the bag', where=str(bag))
    stage.set_reference(reference[1])


def finger_frames(trial, name, *, found=False, images=True):
    """Yield (stamp in ns, image or None, MarkerField or None, Contact or None) frame by frame.

    Parameters
    ----------
    trial : Trial
    name : str
        Of the finger.
    found : bool
        Whether to find the contact again.
    images : bool
        Whether images are wanted at all; without, what has only markers is yielded.
    """
    stage = contact_stage(trial, name)[0] if found else None
    for stamp, parts in _frames(trial, name, images=images):
        image = parts.get(_IMAGES)
        if image is not None:
            image = decode_image(image.data)
        if images and image is None:
            continue
        markers = markers_of(parts.get(_MARKERS))
        yield stamp, image, markers, stage.process(image, markers) if found else None


def pictures_at(trial, name, series, rows):
    """Images and overlays of some rows of a finger's series.

    Returns
    -------
    dict of int to ((H, W, 3) uint8, overlay or None)
        By row; rows without an image are missing. The overlay is None where contact cannot be
        found again.
    str
        Why there are no overlays; '' when there are.
    """
    try:
        (stage, geometry), why = contact_stage(trial, name), ''
    except FileError as error:
        stage, geometry, why = None, None, str(error)
    wanted, pictures = {int(series.stamp_ns[row]): row for row in rows}, {}
    for stamp, parts in _frames(trial, name, images=True):
        row = wanted.get(stamp)
        image = decode_image(parts[_IMAGES].data) if row is not None and _IMAGES in parts else None
        if image is None:
            continue
        overlay = None
        if stage is not None:
            markers, goal = markers_of(parts.get(_MARKERS)), series.goal[row]
            estimate = SimpleNamespace(
                wrench=series.wrench[row], sd=series.sd[row],
                stick_ratio=float(series.stick_ratio[row]), slipping=bool(series.slipping[row]))
            overlay = draw_overlay(image, geometry, stage.process(image, markers), markers,
                                   estimate, goal=goal if np.isfinite(goal).all() else None)
        pictures[row] = image, overlay
    return pictures, why


def _frames(trial, name, *, images):
    """Yield (stamp, {part: message}) of a finger in one pass, markers joined to their image."""
    bag, waiting = Bag(trial.folder), {}
    topics = {f'/{trial.hand}/{name}/{part}': part
              for part in ((_IMAGES, _MARKERS) if images else (_MARKERS,))}
    topics = {topic: part for topic, part in topics.items() if topic in bag.topics}
    for topic, log_ns, message in bag.messages(list(topics)):
        if message is None:
            continue
        stamp = stamp_of(message, log_ns)
        parts = waiting.setdefault(stamp, {})
        parts[topics[topic]] = message
        if len(parts) == len(topics):
            yield stamp, waiting.pop(stamp)
    yield from sorted(waiting.items(), key=lambda pair: pair[0])
