# SPDX-License-Identifier: Apache-2.0
"""Stick and slip from how the markers in the contact move, against the imprint and one another.

Where the skin sticks it moves like a rigid body. Where an annulus of the contact has begun to slip
(Cattaneo 1938, Mindlin 1949; K. L. Johnson, Contact Mechanics, 1985, ch. 7.2) a further tangential
motion d of the object moves the stuck inner circle of radius c by d, and the skin at r > c around
it only by d (2 / pi) asin(c / r), as around a flat punch of radius c (ch. 3.7); a twist likewise
by the law of Reissner and Sagoci (J. Appl. Phys. 15 (1944) 652). Fitting shift, twist and c to the
motion of the markers over a short window gives the stick ratio (c / a)^2, long before the object
goes. Contacts that are not round are scaled to a circle (common practice, no source).

When the skin no longer follows the imprint at all, the contact slides as a whole, or it rolls.
Rolling is told from sliding by how it began: a skin that followed first and then stays behind
slides; one that stays behind from the first moment lets the object roll over it. A skin that moves
under an imprint at rest slides.
"""

from collections import deque
from math import hypot, sqrt

import numpy as np

_WINDOW = 0.1            # s, over which motion is measured
_SHORTEST = 0.02         # s
_GAP = 0.5               # s without a frame, after which nothing is known of motion
_MARKERS = 4             # fewest in the contact
_STILL = 3e-6            # m, rms of marker motion that says nothing
_MOVED = 25e-6           # m of imprint against skin that is more than noise of the imprint
_FOLLOWING = 10e-6       # m of skin that is more than noise
_BEHIND = 0.6            # share of the motion by which skin and imprint differ when they part
_EXPLAINED = 0.7         # share of the motion's variance that the law above must explain
_TWICE = 2               # frames in a row that must show skin and imprint part
_RADII = np.linspace(0.05, 1, 20)     # of the stuck circle over the contact's, tried in the fit


class SlipDetector:
    """Stick ratio and slipping of one contact, frame by frame."""

    def __init__(self):
        self._history = deque()
        self._rest = None
        self._let_go()

    def process(self, places, depths, markers, stamp_ns):
        """Look at one frame.

        Parameters
        ----------
        places : (K, 2) float
            x, y of the cells in contact, m.
        depths : (K,) float32
            There, m. When NaN the imprint is unknown and gross slip is not seen.
        markers : MarkerField
        stamp_ns : int
            Of the frame; the same again changes nothing, earlier ones start anew.

        Returns
        -------
        stick_ratio : float
            1 without contact; what was last measured while nothing moves.
        slipping : bool
        """
        if not len(places):
            self._let_go()
            return self._stick, self._slipping
        if self._history and stamp_ns == self._history[-1][0]:
            return self._stick, self._slipping
        if self._rest is not markers.rest and not np.array_equal(self._rest, markers.rest):
            self._history.clear()
            self._rest = markers.rest
        centre, imprint, to_circle = _outline(places, depths)
        self._history.append((stamp_ns, markers.displacement, imprint))
        before = self._earlier(stamp_ns)
        if before is not None:
            place = markers.rest + markers.displacement - centre
            radius = np.hypot(*(place @ to_circle).T)
            moved = markers.displacement - before[1]
            inside = (radius <= 1) & np.isfinite(moved[:, 0])      # False for lost markers
            if np.count_nonzero(inside) >= _MARKERS:
                self._judge(place[inside], radius[inside], moved[inside].astype(np.float64),
                            imprint - before[2])
        return self._stick, self._slipping

    def _let_go(self):
        """Forget the contact."""
        self._history.clear()
        self._stick, self._slipping, self._followed, self._parted = 1.0, False, False, 0

    def _earlier(self, stamp_ns):
        """Entry of the history at the beginning of the window, None when there is none."""
        history = self._history
        if len(history) > 1 and not 0 < stamp_ns - history[-2][0] < _GAP * 1e9:
            entry = history.pop()
            history.clear()
            history.append(entry)
        while stamp_ns - history[0][0] > _WINDOW * 1.05e9 and len(history) > 2:
            history.popleft()
        return history[0] if stamp_ns - history[0][0] >= _SHORTEST * 1e9 else None

    def _judge(self, place, radius, moved, imprint_moved):
        """Update the state from the markers in the contact and the imprint."""
        shift, stick, explained = _fit(place, radius, moved)
        along = max(hypot(*shift), hypot(*imprint_moved))
        parted = hypot(*(imprint_moved - shift))
        if parted > _MOVED and parted > _BEHIND * along:
            self._parted += 1
            skin_alone = hypot(*shift) > hypot(*imprint_moved)
            if self._parted >= _TWICE and (skin_alone or self._followed):
                self._stick, self._slipping = 0.0, True
            return
        self._parted, self._slipping = 0, False
        self._followed = hypot(*shift) > _FOLLOWING
        if sqrt(np.vdot(moved, moved) / len(moved)) > _STILL and explained > _EXPLAINED:
            self._stick = stick


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


def _fit(place, radius, moved):
    """Shift (2,) of the stuck circle, stick ratio, and share of the variance explained.

    Least squares for shift and twist with each of the radii at once; `radius` (n,) is that of the
    places after scaling to the unit circle.
    """
    inside = np.minimum(_RADII[:, None] / np.maximum(radius, 1e-9), 1)     # c / r, (C, n)
    angle = np.arcsin(inside)
    shift = 2 / np.pi * angle
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
