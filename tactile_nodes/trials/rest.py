# SPDX-License-Identifier: Apache-2.0
"""The no-contact reference of a recording that holds none: the first frames at rest, untouched.

At rest is a stretch in which no part of the picture changes more from frame to frame than in the
calmest fifth of the recording. A touch that is held still is at rest too, so the frames of the
whole recording are asked: against a touched reference they show its imprint the wrong way, as a
bump. All common practice, no source.
"""

from dataclasses import dataclass
from itertools import islice

import cv2
import numpy as np

from tactile_nodes.core.contact import ContactStage
from tactile_nodes.core.reference import MIN_FRAMES, Reference, ReferenceBuilder
from tactile_nodes.errors import DataError

_BLOCK_PX = 16
_CALM = 0.2              # quantile of the changes that is taken for rest
_RESTLESS = 1.6          # times that, where rest ends
_SAMPLES = 48            # pictures from all over the recording
_STRETCHES = 12          # stretches at rest that are looked at
_FEW = 8                 # frames that make a reference when more do not agree
_DENT, _BUMP = 30e-6, 0.7        # m, and bump over dent, from where on a reference was touched
_OWN, _NOISES = 10, 3            # every how many of its own pictures tell noise; times that
_TOUCHED = 0.5           # of the pictures that differ which must show the bump


@dataclass(frozen=True, eq=False)
class Found:
    """What a look at a whole recording found.

    Attributes
    ----------
    stamps_ns : (N,) int64
        Of all frames.
    reference : Reference or None
        None if it was not looked for.
    about : str
        Where the reference is from, for the user.
    """

    stamps_ns: np.ndarray
    reference: Reference | None
    about: str


def find_reference(recording, calibration, count, progress=lambda done: None, *, known=False):
    """Look at a recording and take a reference from its first untouched frames at rest.

    Parameters
    ----------
    recording : object
        Its `frames()` yields Frames from the beginning, each time it is called.
    calibration : Calibration
    count : int
        Most frames to average.
    progress : callable
        Told how many frames were seen.
    known : bool
        There is a reference already: none is taken.

    Returns
    -------
    Found

    Raises
    ------
    DataError
        Never at rest, or always touched.
    """
    stamps, change, samples = _look_at(recording, progress)
    if known:
        return Found(stamps, None, '')
    refused = None
    stretches = _stretches(change)
    for begin, end in stretches[:_STRETCHES]:
        seconds = (stamps[begin] - stamps[0]) * 1e-9
        try:
            images = [frame.image for frame in
                      islice(recording.frames(), begin, min(end, begin + count))]
            reference = _average(images, calibration.elastomer)
        except DataError as error:
            refused = refused or error
            continue
        if _is_touched(reference, calibration, images[::_OWN], samples):
            refused = refused or DataError(
                'the skin is touched', where='reference',
                found=f'an imprint in the frames at rest {seconds:.2f} s after the first')
            continue
        about = f'{reference.frames} frames at rest from {seconds:.2f} s on'
        return Found(stamps, reference, about if begin == stretches[0][0] else
                     f'{about} (touched or not at rest before)')
    raise DataError(
        'no untouched skin at rest to take the reference from', where=str(recording.path),
        found=str(refused) if refused else f'{len(stretches)} stretches of at least '
                                           f'{MIN_FRAMES} frames in which nothing moves',
        expected='half a second of untouched skin, best at the beginning',
        fix='Record it again with nothing on the skin at first.')


def _look_at(recording, progress):
    """Stamps (N,), largest change of a block since the frame before (N,), and some pictures."""
    stamps, change, samples, stride, last = [], [], [], 1, None
    for frame in recording.frames():
        height, width, _ = frame.image.shape
        small = cv2.resize(frame.image.astype(np.float32), (width // _BLOCK_PX,
                                                            height // _BLOCK_PX),
                           interpolation=cv2.INTER_AREA)
        step = np.zeros(3) if last is None else (small - last).reshape(-1, 3)
        change.append(np.abs(step - np.median(step, axis=0)).max())     # less flicker of the light
        last = small
        if len(stamps) % stride == 0:
            samples.append(frame.image)
            if len(samples) == _SAMPLES:
                samples, stride = samples[::2], 2 * stride
        stamps.append(frame.stamp_ns)
        progress(len(stamps))
    if len(stamps) < MIN_FRAMES:
        raise DataError('too few images', where=str(recording.path), found=len(stamps),
                        expected=f'at least {MIN_FRAMES}')
    change[0] = change[1]
    return np.array(stamps), np.array(change), samples


def _stretches(change):
    """(begin, end) of the runs of frames at rest, one frame off either end where it is long."""
    calm = change <= _RESTLESS * np.quantile(change, _CALM)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], calm.view(np.int8), [0]])))
    runs = zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)
    return [(b, e - (e - b > 2 * MIN_FRAMES)) for b, e in runs if e - b >= MIN_FRAMES]


def _average(images, elastomer):
    """Reference of these images; of the first few where the light drifts."""
    try:
        return _reference_of(images, elastomer)
    except DataError:
        return _reference_of(images[:_FEW], elastomer)


def _reference_of(images, elastomer):
    builder = ReferenceBuilder(images[0].shape[:2], elastomer)
    for image in images:
        builder.add(image)
    return builder.finish()


def _is_touched(reference, calibration, own, samples):
    """Whether pictures that differ from a reference show its imprint as a bump.

    Those differ that differ more than some of the reference's `own`.
    """
    if calibration.shading is None:
        return False
    stage = ContactStage(calibration.geometry, calibration.elastomer, calibration.shading)
    stage.set_reference(reference)
    noise = max(np.nanmax(np.abs(stage.process(image).depth)) for image in own)
    least, bumps = max(_DENT, _NOISES * noise), []
    for image in samples:
        depth = stage.process(image).depth
        dent, bump = np.nanmax(depth), -np.nanmin(depth)
        if max(dent, bump) > least:
            bumps.append(bump > _BUMP * dent)
    return bool(bumps) and np.mean(bumps) > _TOUCHED
