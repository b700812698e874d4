# SPDX-License-Identifier: Apache-2.0
"""Proposes from touch alone when an object was dropped; a person confirms it.

A grasp is at least two fingers in contact. It was a drop when two of them felt the object slide
as a whole (a stick ratio of 0; a slip warning alone is no slide), under a grip that had not been
loosened, and it went on sliding until fewer than two fingers felt it. When the grip was loosened
first the object was put down; when it stuck again it was caught. (Common practice, no source; what
the thresholds are worth was measured on virtual trials.)
"""

from dataclasses import dataclass

import numpy as np

_BRIEF = 0.15        # s without contact, or of contact, that does not count
_HELD = 0.3          # s that a grasp must have lasted
_CAUGHT = 0.35       # s of sticking after which a slide has ended
_BEFORE = (0.6, 0.1)     # s before the slide, between which the grip is measured
_LOOSE = 0.75        # share of the grip below which it was loosened
_LONG = 0.05         # s that a finger must slide under the full grip
_WEAK = 0.05         # N, a press that is no grip


@dataclass(frozen=True)
class Drop:
    """A proposed drop.

    Attributes
    ----------
    at : float
        When fewer than two fingers felt the object, s.
    slid_from : float
        When it began to slide, s.
    finger : str
        The one that felt the slide first.
    """

    at: float
    slid_from: float
    finger: str


def propose_drop(fingers):
    """First drop in a recording.

    Parameters
    ----------
    fingers : dict of str to series
        Each with `time` (N,) in s on one clock, rising; `press` (N,) in N; `in_contact` and
        `sliding` (N,) bool.

    Returns
    -------
    Drop or None
    """
    for begin, end in grasps(fingers):
        slides = [slide for name, series in fingers.items()
                  if (slide := _slide(name, series, begin, end)) is not None]
        if len(slides) >= 2:
            return min(slides, key=lambda drop: drop.slid_from)
    return None


def grasps(fingers):
    """When at least two fingers were in contact, as a list of (begin, end) in s.

    A grasp that goes on to the end of the recording has no end and is left out.
    """
    changes = []
    for series in fingers.values():
        for begin, end in stretches(series.time, series.in_contact, _BRIEF):
            changes += [(begin, 1), (end, -1)]
    found, holding, since = [], 0, None
    for moment, change in sorted(changes):
        before, holding = holding, holding + change
        if before < 2 <= holding:
            since = moment
        elif holding < 2 <= before and moment - since >= _HELD:
            found.append((since, moment))
    last = min((series.time[-1] for series in fingers.values() if len(series.time)), default=0.0)
    return [(begin, end) for begin, end in found if end < last]


def stretches(time, flags, brief=0.0):
    """(begin, end) in s of the stretches in which a flag is set; brief gaps are bridged.

    Parameters
    ----------
    time : (N,) float
        s, rising.
    flags : (N,) bool
    brief : float
        s; shorter gaps do not count, and then shorter stretches do not either.
    """
    edges = np.flatnonzero(np.diff(np.concatenate([[0], np.asarray(flags, np.int8), [0]])))
    found = []
    for first, after in edges.reshape(-1, 2):
        begin, end = float(time[first]), float(time[min(after, len(time) - 1)])
        if found and begin - found[-1][1] < brief:
            found[-1] = (found[-1][0], end)
        else:
            found.append((begin, end))
    return [(begin, end) for begin, end in found if end - begin >= brief or brief == 0]


def _slide(name, series, begin, end):
    """The drop that ended this grasp as one finger felt it, or None."""
    slides = [(first, last) for first, last in stretches(series.time, series.sliding)
              if begin <= first <= end and last > begin]
    if not slides or end - slides[-1][1] > _CAUGHT:
        return None
    first, last = slides.pop()
    while slides and first - slides[-1][1] <= _CAUGHT:
        first, _ = slides.pop()
    then = (series.time >= first - _BEFORE[0]) & (series.time <= first - _BEFORE[1]) \
        & series.in_contact
    grip = float(np.median(series.press[then])) if then.any() else \
        float(series.press[np.searchsorted(series.time, first)])
    held = series.sliding & (series.press >= _LOOSE * grip) & (series.time >= first) \
        & (series.time <= last)
    steps = np.diff(series.time, append=series.time[-1])
    if grip < _WEAK or steps[held].sum() < _LONG:
        return None
    return Drop(at=end, slid_from=first, finger=name)
