# SPDX-License-Identifier: Apache-2.0
"""Stick and slip from how the markers in the contact move, against the imprint and one another.

Where the skin sticks it moves like a rigid body. Where an annulus of the contact has begun to slip
(Cattaneo 1938, Mindlin 1949; K. L. Johnson, Contact Mechanics, 1985, ch. 7.2) a further tangential
motion d of the object moves the stuck inner circle of radius c by d, and the skin at r > c around
it only by d (2 / pi) asin(c / r), as around a flat punch of radius c (ch. 3.7); a twist likewise
by the law of Reissner and Sagoci (J. Appl. Phys. 15 (1944) 652). Fitting shift, twist and c to the
motion of the markers, and the shift to that of the imprint, gives the stick ratio (c / a)^2, long
before the object goes. Contacts that are not round are scaled to a circle (common practice, no
source). The motion is that since the last frame, or over as much time as it takes to stand out of
the noise.

By the same theory the stick ratio s falls linearly with the object's way: when the skin has been
drawn along by u, the object is to go by another u s / (1 - s) until everything slides. At its
present speed that takes a time, and `slipping` announces a slip when it is short and the object
pulls hard enough for any usual friction, in the direction in which it moves: what moves back has
to lose its pull first. Only a slip along the skin is: one that turns on the spot shows in the
stick ratio alone.

When the skin no longer follows the imprint at all, the contact slides as a whole, or it rolls.
Rolling is told from sliding by how it began: before a slide the stick ratio has declined; an
imprint that leaves a skin behind of which everything sticks rolls. A skin that moves under an
imprint at rest slides. Friction pulls the skin after what slides over it, else it is none of this.
"""

from collections import deque
from math import hypot, inf, sqrt

import numpy as np

_WINDOW = 0.1            # s, longest over which motion is measured
_SHORTEST = 0.02         # s, shortest for motion that hardly stands out
_ENOUGH = 15e-6          # m of motion that stands out
_GAP = 0.5               # s without a frame, after which nothing is known of motion
_MARKERS, _PLENTY = 4, 8      # fewest in the contact, and as many as are plenty
_REACH = 1.4             # contact radii from its centre to markers that count where few are inside
_STILL = 3e-6            # m, rms of marker motion that says nothing
_FOLLOWING = 10e-6       # m of motion that is more than noise
_BEHIND = 0.6            # share of the motion by which skin and imprint differ when they part
_EXPLAINED = 0.7         # share of the motion's variance that the law above must explain
_TWICE = 2               # frames in a row that must say the same
_IMPRINT_SD = 5e-6       # m, scatter of the motion of the imprint at first
_MEMORY = 20             # frames over which it is averaged
_CERTAIN = 3             # standard deviations of the imprint that are more than scatter
_AHEAD = 0.11            # s, plus a frame, in which an announced slip is to come
_LEAST_DRAWN = 15e-6     # m that the skin has been drawn along before a slip
_MOST_STUCK, _LEAST_STUCK = 0.55, 0.15     # stick ratios on the way from sticking to sliding
_LEAST_PULL = 0.15       # along the motion, over the normal force; what is gripped rubs more
_RADII = np.linspace(0.05, 1, 20)     # of the stuck circle over the contact's, tried in the fit


class SlipDetector:
    """Stick ratio and announced or present slip of one contact, frame by frame."""

    def __init__(self):
        self._history = deque()
        self._rest = None
        self._let_go()

    def process(self, places, depths, markers, stamp_ns, pull=None):
        """Look at one frame.

        Parameters
        ----------
        places : (K, 2) float
            x, y of the cells in contact, m.
        depths : (K,) float32
            There, m. When NaN the imprint is unknown and only the markers tell.
        markers : MarkerField
        stamp_ns : int
            Of the frame; the same again changes nothing, earlier ones start anew.
        pull : (2,) float, optional
            Tangential force of the object on the skin over the normal force; None where unknown.

        Returns
        -------
        stick_ratio : float
            1 without contact; 0 while the whole contact slides; what was last measured while
            nothing moves.
        slipping : bool
            Whether the whole contact slides, or will within a tenth of a second or so if the
            motion goes on.
        """
        if not len(places):
            self._let_go()
            return self._stick, self._slipping
        history = self._history
        if history and stamp_ns == history[-1][0]:
            return self._stick, self._slipping
        if self._rest is not markers.rest and not np.array_equal(self._rest, markers.rest):
            history.clear()
            self._rest = markers.rest
        if history and not 0 < stamp_ns - history[-1][0] < _GAP * 1e9:
            history.clear()
        centre, imprint, to_circle = _outline(places, depths)
        place = markers.rest + markers.displacement - centre
        radius = np.hypot(*(place @ to_circle).T)
        near = radius <= 1                                             # False for lost markers
        if np.count_nonzero(near) < _PLENTY:
            near = radius <= _REACH
        motion = self._motion(markers.displacement, imprint, near, stamp_ns)
        history.append((stamp_ns, markers.displacement, imprint))
        if motion is not None:
            self._judge(place, radius, markers.displacement, motion, pull)
        return self._stick, self._slipping

    def _let_go(self):
        """Forget the contact."""
        self._history.clear()
        self._stick, self._slipping = 1.0, False
        self._parted = self._declining = self._loose = 0
        self._imprint_sd = _IMPRINT_SD
        self._direction, self._anchor = np.zeros(2), np.zeros(2)

    def _motion(self, displacement, imprint, near, stamp_ns):
        """Motion since the latest frame from which it stands out.

        Returns
        -------
        (known, moved, imprint_moved, seconds, frame), or None while nothing is known
            Markers near the contact that were seen then and now (N,) bool; their motion (N, 2)
            and the imprint's (2,), m; its time and that since the last frame, s.
        """
        history = self._history
        while len(history) > 1 and stamp_ns - history[0][0] > _WINDOW * 1.05e9:
            history.popleft()
        motion = None
        for then, before, imprint_before in reversed(history):
            moved = displacement - before
            known = near & np.isfinite(moved[:, 0])
            count = np.count_nonzero(known)
            if count < _MARKERS:
                return None
            imprint_moved, seconds = imprint - imprint_before, (stamp_ns - then) * 1e-9
            motion = known, moved, imprint_moved, seconds, (stamp_ns - history[-1][0]) * 1e-9
            square = np.vdot(moved[known], moved[known]) / count
            if sqrt(square) > _ENOUGH \
                    or hypot(*imprint_moved) > max(_ENOUGH, _CERTAIN * self._imprint_sd):
                return motion
        return motion if motion is not None and motion[3] >= _SHORTEST else None

    def _judge(self, place, radius, displacement, motion, pull):
        """Update the state from the motion of markers and imprint."""
        known, moved, imprint_moved, seconds, frame = motion
        inside = known & (radius <= 1)
        inside = inside if inside.any() else known
        skin = _rigid_shift(place[inside], moved[inside].astype(np.float64))
        along, apart = max(hypot(*skin), hypot(*imprint_moved)), hypot(*(imprint_moved - skin))
        certain = max(_ENOUGH, _CERTAIN * self._imprint_sd)
        self._parted = self._parted + 1 if apart > max(certain, _BEHIND * along) else 0
        if self._declining == 0 and not self._slipping and apart >= 0:         # not NaN
            self._imprint_sd += (min(apart / sqrt(2), _CERTAIN * self._imprint_sd)
                                 - self._imprint_sd) / _MEMORY
        if self._parted:
            skin_alone = hypot(*skin) > hypot(*imprint_moved)
            if self._parted >= _TWICE and (skin_alone or self._declining >= _TWICE) \
                    and _pulls(pull, imprint_moved - skin):
                self._stick, self._slipping = 0.0, True
                return
            if self._declining < _TWICE:
                self._slipping = False
                return
        square = np.vdot(moved[known], moved[known]) / np.count_nonzero(known)
        if not self._parted and sqrt(square) < _STILL:
            self._slipping = False
            return
        shift, stick, explained = _fit(place[known], radius[known],
                                       moved[known].astype(np.float64), imprint_moved,
                                       _IMPRINT_SD / max(self._imprint_sd, _IMPRINT_SD))
        if explained < _EXPLAINED:
            return
        self._stick = stick
        self._loose = self._loose + 1 if stick <= _MOST_STUCK else 0
        if stick > _MOST_STUCK:
            self._declining = max(self._declining - 1, 0)
        elif stick > _LEAST_STUCK:
            self._declining = min(self._declining + 1, 2 * _TWICE)
        left = self._time_left(shift, displacement[inside].mean(axis=0, dtype=np.float64), seconds)
        soon = left < _AHEAD + frame and hypot(*shift) > _FOLLOWING and _pulls(pull, shift)
        soon = soon and self._loose >= _TWICE         # one frame alone may be noise
        self._slipping = self._declining >= _TWICE and (soon or self._slipping)

    def _time_left(self, shift, drawn, seconds):
        """Time until the whole contact slides, s; inf while that is far.

        `drawn` (2,) is how far the skin is from where it rests, m; the way of an object counts
        from where it last turned back.
        """
        if shift @ self._direction < 0:
            self._anchor, self._declining = drawn, 0
        way = hypot(*shift)
        self._direction = shift
        gone = (drawn - self._anchor) @ shift / max(way, 1e-12)
        if self._stick > _MOST_STUCK or gone < _LEAST_DRAWN:
            return inf
        return gone * self._stick / (1 - self._stick) / (way / seconds)


def _pulls(pull, motion):
    """Whether enough force (2,) for a slip, if known, goes along with a motion (2,)."""
    return pull is None or pull @ motion > _LEAST_PULL * hypot(*motion)


def _outline(places, depths):
    """Centre of the contact, centre of the imprint, and the matrix that makes it a unit disc.

    The imprint's centre is weighted with depth, which is steadier than the contact's border; NaN
    without depth.
    """
    weight = np.maximum(depths, 1e-9).astype(np.float64)
    centre, imprint = np.ones(len(places)) @ places / len(places), weight @ places / weight.sum()
    # a quarter of the squared half-axes
    xx, yy, xy = (places.T @ places / len(places) - np.outer(centre, centre))[[0, 1, 0], [0, 1, 1]]
    xx, yy = xx + 1e-12, yy + 1e-12
    # inverse root of a 2x2 matrix by Cayley and Hamilton
    area = sqrt(xx * yy - xy * xy)
    root = np.array([[yy + area, -xy], [-xy, xx + area]])
    return centre, imprint, root / (2 * area * sqrt(xx + yy + 2 * area))


def _rigid_shift(place, moved):
    """Shift (2,) at the origin of the rigid motion that fits best."""
    middle, mean = place.mean(axis=0), moved.mean(axis=0)
    arm, rest = place - middle, moved - mean
    turn = (arm[:, 0] @ rest[:, 1] - arm[:, 1] @ rest[:, 0]) / (np.vdot(arm, arm) + 1e-12)
    return mean + turn * middle[::-1] * (1, -1)


def _fit(place, radius, moved, imprint_moved, weight):
    """Shift (2,) of the stuck circle, stick ratio, and share of the variance explained.

    Least squares for shift and twist with each of the radii at once; `radius` (n,) is that of the
    places after scaling to the unit circle. The imprint's motion, when known, counts as that of
    one more marker in the middle, with a weight.
    """
    row = weight if np.isfinite(imprint_moved[0]) else 0.0
    place = np.vstack([place, (0, 0)])
    moved = np.vstack([moved, row * np.nan_to_num(imprint_moved)])
    radius = np.append(radius, 0)
    inside = np.minimum(_RADII[:, None] / np.maximum(radius, 1e-9), 1)     # c / r, (C, n)
    angle = np.arcsin(inside)
    shift = 2 / np.pi * angle
    shift[:, -1] = row
    twist = 2 / np.pi * (angle - inside * np.sqrt(1 - inside * inside))
    arm = place / sqrt(np.vdot(place, place) / place.size + 1e-12)
    across = arm[:, ::-1] * (-1, 1)
    shift_shift = (shift * shift).sum(axis=1) + 1e-9
    twist_twist = (twist * twist) @ (across * across).sum(axis=1) + 1e-9
    shift_twist = (shift * twist) @ across                                 # (C, 2)
    along, about = shift @ moved, twist @ (across * moved).sum(axis=1)
    # twist first, then the shift that it leaves
    by_shift = shift_twist / shift_shift[:, None]
    turn = ((about - (by_shift * along).sum(axis=1))
            / (twist_twist - (by_shift * shift_twist).sum(axis=1)))
    solution = along / shift_shift[:, None] - by_shift * turn[:, None]
    explained = (along * solution).sum(axis=1) + about * turn
    best = len(_RADII) - 1 - int(np.argmax(explained[::-1]))               # the largest of equals
    return (solution[best], float(_RADII[best]**2),
            explained[best] / max(np.vdot(moved, moved), 1e-30))
