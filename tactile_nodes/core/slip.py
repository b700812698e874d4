# SPDX-License-Identifier: Apache-2.0
"""Stick and slip from how markers, imprint and force move against one another.

Where the skin sticks it moves like a rigid body. Where an annulus of the contact has begun to slip
(Cattaneo 1938, Mindlin 1949; K. L. Johnson, Contact Mechanics, 1985, ch. 7.2) a further tangential
motion d of the object moves the stuck inner circle of radius c by d, and the skin at r > c around
it only by d (2 / pi) asin(c / r), as around a flat punch of radius c (ch. 3.7); a twist likewise
by the law of Reissner and Sagoci (J. Appl. Phys. 15 (1944) 652). And the force grows by only c / a
of what it would grow where the whole contact of radius a sticks: the annulus gives no more. That
says most: the force is known from all markers, and under a light touch there is none inside.
Fitting shift, twist and c to the motion of the markers, the shift to that of the imprint, and c to
the growth of the force, gives the stick ratio (c / a)^2, long before the object goes. Contacts
that are not round are taken as circles of the same area (common practice, no source); how much
stiffer or softer one is than that is learnt from how far force and markers have gone together. The
motion is that since the last frame, or over as much time as it takes to stand out of the noise.

By the same theory the stick ratio s falls linearly with the object's way, and the force that full
sliding takes is the present one over 1 - s^1.5; so the way that is left until everything slides
follows from both. At the present speed that takes a time, and `slipping` announces a slip when it
is short and the object pulls hard enough for any usual friction, in the direction in which it
moves: what moves back has to lose its pull first. Only a slip along the skin is: one that turns on
the spot shows in the stick ratio alone.

When the skin no longer follows the imprint at all, the contact slides as a whole, or it rolls.
Rolling is told from sliding by how it began: before a slide the stick ratio has declined; an
imprint that leaves a skin behind of which everything sticks rolls. A skin that moves under an
imprint at rest slides. Friction pulls the skin after what slides over it, else it is none of this.
"""

from collections import deque
from dataclasses import dataclass
from math import hypot, inf, isnan, sqrt

import numpy as np

from tactile_nodes.core.layer import PunchStiffness

_WINDOW = 0.1            # s, longest over which motion is measured
_SHORTEST = 0.02         # s, shortest for motion that hardly stands out
_ENOUGH = 30e-6          # m of motion that stands out
_GAP = 0.5               # s without a frame, after which nothing is known of motion
_MARKERS, _PLENTY = 4, 8      # fewest in the contact, and as many as are plenty
_REACH = 1.4             # contact radii from its centre to markers that count where few are inside
_STILL = 3e-6            # m, rms of marker motion that says nothing
_FOLLOWING = 20e-6       # m of motion that is more than noise
_BEHIND = 0.6            # share of the motion by which skin and imprint differ when they part
_EXPLAINED = 0.8         # share of the motion's variance that the law above must explain
_TWICE = 2               # frames in a row that must say the same
_IMPRINT_SD = 5e-6       # m, scatter of the motion of the imprint at first
_MEMORY = 20             # frames over which it is averaged
_CERTAIN, _CLEAR = 3, 4  # standard deviations of the imprint: more than scatter, stands out
_AHEAD = 0.13            # s, plus a frame, in which an announced slip is to come
_LEAST_DRAWN = 30e-6     # m that the skin has been drawn along before a slip
_SURE = 0.6e-3           # m/s at which a skin is drawn along that leaves no time to look twice
_MOST_STUCK, _LEAST_STUCK = 0.8, 0.05      # stick ratios on the way from sticking to sliding
_STIFFER, _BOUNDS = 0.95, (0.6, 1.6)   # than a flat circle as large as the contact, found by trial
_LEARNT_FROM, _SLOWLY = 0.5, 0.3      # stick ratio from which that is learnt, and how fast
_SUDDEN = 0.1            # stick ratio that has to be seen twice
_FORCE_WEIGHT = 10       # of the force in the fit, against a marker
_LEAST_PULL = 0.15       # along the motion, over the normal force; what is gripped rubs more
_RADII = np.linspace(0.05, 1, 20)     # of the stuck circle over the contact's, tried in the fit


@dataclass(frozen=True, eq=False)
class _Moment:
    """What is known of a frame: markers' displacement and centre of the imprint, m, force, N."""

    stamp_ns: int
    displacement: np.ndarray
    imprint: np.ndarray
    force: np.ndarray


class SlipDetector:
    """Stick ratio and announced or present slip of one contact, frame by frame.

    Parameters
    ----------
    elastomer : Elastomer
        As stiff and thick as it proved to be.
    """

    def __init__(self, elastomer):
        self._stiffness = PunchStiffness(elastomer)
        self._history = deque()
        self._rest = None
        self._let_go()

    def process(self, places, depths, markers, stamp_ns, force):
        """Look at one frame.

        Parameters
        ----------
        places : (K, 2) float
            x, y of the cells in contact, m.
        depths : (K,) float32
            There, m. When NaN the imprint is unknown and only markers and force tell.
        markers : MarkerField
        stamp_ns : int
            Of the frame; the same again changes nothing, earlier ones start anew.
        force : (3,) float or None
            Of the object on the skin, N. Without it nothing is known.

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
        if force is None or (history and stamp_ns == history[-1].stamp_ns):
            return self._stick, self._slipping
        if self._rest is not markers.rest and not np.array_equal(self._rest, markers.rest):
            history.clear()
            self._rest, self._anchor = markers.rest, None
        if history and not 0 < stamp_ns - history[-1].stamp_ns < _GAP * 1e9:
            history.clear()
        while len(history) > 1 and stamp_ns - history[0].stamp_ns > _WINDOW * 1.05e9:
            history.popleft()
        centre, imprint, size, to_circle = _outline(places, depths)
        place = markers.rest + markers.displacement - centre
        radius = np.hypot(*(place @ to_circle).T)
        near = radius <= 1                                             # False for lost markers
        if np.count_nonzero(near) < _PLENTY:
            near = radius <= _REACH
        now = _Moment(stamp_ns, markers.displacement, imprint, force)
        motion = self._motion(now, near)
        if motion is not None:
            self._judge(place, radius, now, motion, self._stiffness(size))
        history.append(now)
        return self._stick, self._slipping

    def _let_go(self):
        """Forget the contact."""
        self._history.clear()
        self._stick, self._slipping = 1.0, False
        self._parted = self._declining = 0
        self._soon = False
        self._imprint_sd, self._stiffer = _IMPRINT_SD, _STIFFER
        self._direction, self._anchor = np.zeros(2), None

    def _motion(self, now, near):
        """Motion since the latest frame from which it stands out.

        Returns
        -------
        (known, moved, then), or None while nothing is known
            Markers near the contact that were seen then and now (N,) bool, none where they are
            few and the imprint tells; their motion (N, 2), m; and the _Moment of that frame.
        """
        motion = None
        for then in reversed(self._history):
            moved, imprint_moved = now.displacement - then.displacement, now.imprint - then.imprint
            known = near & np.isfinite(moved[:, 0])
            by_imprint = not isnan(imprint_moved[0])
            if np.count_nonzero(known) < _MARKERS:
                if not by_imprint:
                    return None
                known = np.zeros_like(known)
            motion = known, moved, then
            way = hypot(*imprint_moved) if by_imprint else _rms(moved[known])
            if way > max(_ENOUGH, _CLEAR * self._imprint_sd if by_imprint else 0.0):
                return motion
        return motion if motion and now.stamp_ns - then.stamp_ns >= _SHORTEST * 1e9 else None

    def _judge(self, place, radius, now, motion, stiffness):
        """Update the state from the motion of markers and imprint, and what it did to the force.

        `stiffness`, N/m, is that of a stuck circle as large as the contact.
        """
        known, moved, then = motion
        was_soon, self._soon = self._soon, False
        imprint_moved = now.imprint - then.imprint
        sprung = (now.force - then.force)[:2] / (self._stiffer * stiffness)
        inside = known & (radius <= 1)
        inside = inside if inside.any() else known
        skin = _rigid_shift(place[inside], moved[inside].astype(np.float64)) \
            if inside.any() else sprung
        along, apart = max(hypot(*skin), hypot(*imprint_moved)), hypot(*(imprint_moved - skin))
        certain = max(_ENOUGH, _CERTAIN * self._imprint_sd)
        self._parted = self._parted + 1 if apart > max(certain, _BEHIND * along) else 0
        if self._declining == 0 and not self._slipping and apart >= 0:         # not NaN
            self._imprint_sd += (min(apart / sqrt(2), _CERTAIN * self._imprint_sd)
                                 - self._imprint_sd) / _MEMORY
        if self._parted:
            skin_alone = hypot(*skin) > hypot(*imprint_moved)
            if self._parted >= _TWICE and (skin_alone or self._declining >= _TWICE) \
                    and _pulls(now.force, imprint_moved - skin):
                self._stick, self._slipping = 0.0, True
                return
            if self._declining < _TWICE:
                self._slipping = False
                return
        if not self._parted and known.any() and _rms(moved[known]) < _STILL:
            self._slipping = False
            return
        others = [(_FORCE_WEIGHT * sprung, _FORCE_WEIGHT * _RADII)]
        if not isnan(imprint_moved[0]):
            weight = _IMPRINT_SD / max(self._imprint_sd, _IMPRINT_SD)
            others.append((weight * imprint_moved, weight))
        shift, stick, explained = _fit(place[known], radius[known],
                                       moved[known].astype(np.float64), others)
        if explained < _EXPLAINED:
            return
        self._stick = stick
        if stick > _MOST_STUCK:
            self._declining = max(self._declining - 1, 0)
        elif stick > _LEAST_STUCK:
            self._declining = min(self._declining + 1, 2 * _TWICE)
        way, seconds = max(hypot(*shift), 1e-12), (now.stamp_ns - then.stamp_ns) * 1e-9
        if self._anchor is None or shift @ self._direction < 0:
            # what the skin is drawn along counts from where the object last turned back
            self._anchor, self._declining = now, 0
        self._direction = shift
        pulled = (now.force - self._anchor.force)[:2] @ shift / way / stiffness
        left = self._way_left(pulled / self._stiffer) / (way / seconds)
        frame = (now.stamp_ns - self._history[-1].stamp_ns) * 1e-9
        soon = left < _AHEAD + frame and way > _FOLLOWING and _pulls(now.force, shift)
        # an imprint that jumps looks like that for a single frame
        again, self._soon = was_soon or self._slipping or stick > _SUDDEN, soon
        soon = soon and again
        sure = self._declining >= _TWICE or hypot(*sprung) / seconds > _SURE
        self._slipping = sure and (soon or self._slipping)
        if stick >= _LEARNT_FROM and np.count_nonzero(inside) >= _MARKERS:
            self._learn(now, shift / way, inside, pulled)

    def _way_left(self, drawn):
        """How far the object is to go until the whole contact slides, m; inf while that is far.

        `drawn`, m, is how far the force would have drawn along a contact that sticks.
        """
        if self._stick > _MOST_STUCK or drawn < _LEAST_DRAWN:
            return inf
        return 1.5 * drawn * self._stick / (1 - self._stick**1.5)

    def _learn(self, now, direction, inside, pulled):
        """Learn how stiff the contact is from how far the markers inside were drawn along."""
        drawn = (now.displacement - self._anchor.displacement)[inside] @ direction
        drawn = drawn[np.isfinite(drawn)]
        if len(drawn) and drawn.mean() > _LEAST_DRAWN:
            stiffer = min(max(pulled / float(drawn.mean()), _BOUNDS[0]), _BOUNDS[1])
            self._stiffer += (stiffer - self._stiffer) * _SLOWLY


def _pulls(force, motion):
    """Whether enough force for a slip goes along with a motion (2,)."""
    return force[:2] @ motion > -_LEAST_PULL * force[2] * hypot(*motion)


def _outline(places, depths):
    """Centres of contact and imprint, radius as of a circle, the matrix to a unit disc.

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
    return centre, imprint, 2 * sqrt(area), root / (2 * area * sqrt(xx + yy + 2 * area))


def _rms(motion):
    """Root mean square length of motions (n, 2)."""
    return sqrt(np.vdot(motion, motion) / len(motion))


def _rigid_shift(place, moved):
    """Shift (2,) at the origin of the rigid motion that fits best."""
    middle, mean = place.mean(axis=0), moved.mean(axis=0)
    arm, rest = place - middle, moved - mean
    turn = (arm[:, 0] @ rest[:, 1] - arm[:, 1] @ rest[:, 0]) / (np.vdot(arm, arm) + 1e-12)
    return mean + turn * middle[::-1] * (1, -1)


def _fit(place, radius, moved, others):
    """Shift (2,) of the stuck circle, stick ratio, and share of the variance explained.

    Least squares for shift and twist with each of the radii at once; `radius` (n,) is that of the
    places after scaling to the unit circle. `others` are further rows: (2,) what was seen, and
    what part of the shift (C,) each of the radii makes it. So come in the imprint, which moves by
    the shift, and the motion that makes the change of the force where everything sticks, which
    is the shift times c / a.
    """
    place = np.vstack([place, np.zeros((len(others), 2))])
    moved = np.vstack([moved, *(seen for seen, _ in others)])
    radius = np.append(radius, np.zeros(len(others)))
    inside = np.minimum(_RADII[:, None] / np.maximum(radius, 1e-9), 1)     # c / r, (C, n)
    angle = np.arcsin(inside)
    shift = 2 / np.pi * angle
    for i, (_, part) in enumerate(reversed(others), start=1):
        shift[:, -i] = part
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
