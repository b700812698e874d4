# SPDX-License-Identifier: Apache-2.0
"""A rigid indenter on the layer: normal contact and Coulomb friction, step by step.

Normal contact by the constrained conjugate gradient method (Polonsky & Keer, Wear 231 (1999)
206) at a given approach; friction as a quadratic problem in discs of radius mu p, solved by the
spectral projected gradient method (Birgin, Martinez & Raydan, SIAM J. Optim. 10 (2000) 1196);
the two in turn (Panagiotopoulos, Ing. Archiv 44 (1975) 421). The gap is taken where the skin has
moved to, so a patch that sticks travels with the indenter.
"""

from dataclasses import dataclass, field, replace

import numpy as np


@dataclass(frozen=True)
class Pose:
    """Where the indenter is: centre x, y, depth of its lowest point (m), turn about z (rad)."""

    x: float
    y: float
    depth: float
    turn: float = 0.0

    def moved(self, dx=0.0, dy=0.0, depth=0.0, turn=0.0):
        return Pose(self.x + dx, self.y + dy, self.depth + depth, self.turn + turn)


@dataclass
class State:
    """Traction in the box and what follows from it.

    Attributes
    ----------
    pressure : ndarray
        (rows, columns) Pa, 0 or above.
    shear : ndarray
        (2, rows, columns) Pa, on the skin.
    plane : ndarray
        (2, rows, columns) displacement of the skin in the plane, m.
    rise : ndarray
        (rows, columns) displacement out of the skin, m.
    pose : Pose
    stick : float
        Part of the contact's cells whose traction is inside the friction limit by 2 % or more,
        0 to 1; 0 as soon as those bear less than 4 % of the load.
    """

    pressure: np.ndarray
    shear: np.ndarray
    plane: np.ndarray
    rise: np.ndarray
    pose: Pose
    stick: float = field(default=1.0)


class ContactSolver:
    """One indenter on one part of the skin.

    Parameters
    ----------
    grid : tests.accuracy.grid.SkinGrid
    shape : callable
        Height (m) of the indenter above its lowest point at x, y in its own frame.
    friction : float
        Coulomb's coefficient.
    corner : tuple of int
        First row and column of the box in the grid.
    size : tuple of int
        Rows and columns of the box.
    """

    def __init__(self, grid, shape, friction, corner, size):
        self.grid, self.shape, self.friction = grid, shape, friction
        self.corner, self.size = corner, size
        self.box = grid.box(*size)
        self.y = grid.y[corner[0]:corner[0] + size[0]].astype(np.float32)[:, None]
        self.x = grid.x[corner[1]:corner[1] + size[1]].astype(np.float32)[None, :]

    def start(self, pose):
        """State of the untouched skin with the indenter above it."""
        zero = np.zeros(self.size, np.float32)
        return State(zero, np.zeros((2, *self.size), np.float32),
                     np.zeros((2, *self.size), np.float32), zero, replace(pose, depth=0.0))

    def load(self, state):
        """Force (3,) on the skin, N."""
        area = self.grid.pitch ** 2
        return np.array([state.shear[0].sum(), state.shear[1].sum(), -state.pressure.sum()],
                        dtype=float) * area

    def lowest(self, plane, pose):
        """Height of the indenter's surface above each cell of the skin, moved by `plane`, m."""
        dx, dy = self.x + plane[0] - pose.x, self.y + plane[1] - pose.y
        c, s = np.cos(pose.turn), np.sin(pose.turn)
        return (self.shape(c * dx + s * dy, c * dy - s * dx) - pose.depth).astype(np.float32)

    def carried(self, state, pose):
        """(2, rows, columns) place in the plane that the skin has if it sticks until `pose`."""
        turn = pose.turn - state.pose.turn
        dx = self.x + state.plane[0] - state.pose.x
        dy = self.y + state.plane[1] - state.pose.y
        c, s = np.cos(turn), np.sin(turn)
        return np.stack([c * dx - s * dy + pose.x - self.x,
                         s * dx + c * dy + pose.y - self.y]).astype(np.float32)

    def step(self, state, pose, rounds=2):
        """State after the indenter has moved to `pose`."""
        target = self.carried(state, pose)
        pressure, shear, plane = state.pressure, state.shear, state.plane
        for _ in range(rounds):
            gap = self.lowest(plane, pose) - self.box.rise_under_shear(shear)
            pressure = solve_normal(self.box, gap, pressure)
            pulled = self.box.plane_under_pressure(pressure)
            shear = solve_friction(self.box, target - pulled, self.friction * pressure, shear)
            plane = self.box.tangential(shear) + pulled
        if not pressure.any():
            shear, plane = np.zeros_like(shear), np.zeros_like(plane)
        rise = self.box.rise_under_shear(shear) - self.box.normal(pressure)
        return State(pressure, shear, plane, rise, pose, self._stick(pressure, shear))

    def press_to(self, state, load, first=1e-5):
        """State after the indenter has moved straight up or down to a normal load in N."""
        if load <= 0:
            return self.step(state, replace(state.pose, depth=state.pose.depth - 1.0), rounds=1)
        rise = self.box.rise_under_shear(state.shear)

        def pushed(depth):
            pose = replace(state.pose, depth=depth)
            p = solve_normal(self.box, self.lowest(state.plane, pose) - rise, state.pressure,
                             tolerance=1e-2)
            return p.sum() * self.grid.pitch ** 2

        now = -self.load(state)[2]
        depth = _find_depth(pushed, load, state.pose.depth if now > 0 else 0.0, now, first)
        return self.step(state, replace(state.pose, depth=depth))

    def _stick(self, pressure, shear):
        touching = pressure > 0.01 * pressure.max(initial=0)
        if not touching.any():
            return 1.0
        sticks = touching & (np.hypot(*shear) < 0.98 * self.friction * pressure)
        # A few cells that bear next to nothing stay undecided for long.
        slips = pressure[sticks].sum() < 0.04 * pressure.sum()
        return 0.0 if slips else float(sticks.sum() / touching.sum())


def _find_depth(pushed, load, depth, now, first):
    """Depth (m) at which `pushed(depth)` is about `load`, by secants of the logarithms."""
    if now > 0:
        known = [(depth, now)]
        trial = depth * (load / now) ** 0.65
    else:
        known, trial = [], first
    for _ in range(12):
        found = pushed(trial)
        if abs(found - load) < 0.03 * load:
            break
        if found <= 0:
            trial += first
            continue
        known.append((trial, found))
        power = 0.65
        if len(known) > 1 and known[-2][1] != found and known[-2][0] > 0:
            power = np.log(trial / known[-2][0]) / np.log(found / known[-2][1])
            power = float(np.clip(power, 0.15, 1.1))
        trial *= float(np.clip((load / found) ** power, 0.2, 8))
    return trial


def solve_normal(box, gap, pressure, *, tolerance=2e-3, most=120):
    """Pressure (rows, columns) under which a surface with this gap is touched and not crossed.

    Parameters
    ----------
    box : BoxResponse
    gap : ndarray
        (rows, columns) height of the indenter above the unpressed skin, m (negative: overlap).
    pressure : ndarray
        Where to start, Pa.
    """
    p = np.where(gap < 0, pressure, 0).astype(np.float32)
    if not (gap < 0).any():
        return np.zeros_like(p)
    if not p.any():
        p = np.where(gap < 0, np.float32(1), np.float32(0))
        p *= -(gap * p).sum() / (p * box.normal(p)).sum()
    direction, old, conjugate = np.zeros_like(p), 1.0, False
    scale = float(-gap.min())
    for _ in range(most):
        left = box.normal(p) + gap
        touching = p > 0
        size = float((left[touching] ** 2).sum())
        if not touching.any():
            size = 0.0
        direction = np.where(touching, left + (size / old if conjugate else 0) * direction, 0)
        old = max(size, 1e-30)
        along = float((box.normal(direction) * direction).sum())
        length = float((left * direction).sum()) / along if along > 0 else 0.0
        p = np.maximum(np.where(touching, p - np.float32(length) * direction, p), 0)
        crossed = (p == 0) & (left < -1e-4 * scale)
        conjugate = not crossed.any()
        if not conjugate:
            p = np.where(crossed, -np.float32(length) * left, p)
        elif np.sqrt(size / max(touching.sum(), 1)) < tolerance * scale:
            break
    return p.astype(np.float32)


def _into_discs(q, radius):
    length = np.hypot(q[0], q[1])
    return q * (radius / np.maximum(length, np.maximum(radius, 1e-12)))


def solve_friction(box, target, limit, shear, *, tolerance=6e-3, most=120):
    """Traction in the plane (2, rows, columns) that moves the skin to `target`, below `limit`.

    Minimises q.Aq/2 - q.target over |q| <= limit cell by cell.
    """
    q = _into_discs(shear, limit).astype(np.float32)
    touched = limit > 0
    if not touched.any():
        return np.zeros_like(q)
    step = None
    gradient = (box.tangential(q) - target) * touched
    scale = max(float(np.abs(gradient).max()), 1e-8)          # how far the indenter went
    for _ in range(most):
        if step is None:
            trial = float((gradient * (box.tangential(gradient) * touched)).sum())
            step = float((gradient ** 2).sum()) / max(trial, 1e-30)
        new = _into_discs(q - np.float32(step) * gradient, limit).astype(np.float32)
        change = new - q
        bent = box.tangential(change) * touched
        curvature = float((change * bent).sum())
        slope = float((change * gradient).sum())
        if curvature <= 0 or slope >= 0:
            break
        # Exact along the way: the problem is quadratic and the set is convex.
        part = min(1.0, -slope / curvature)
        q = q + np.float32(part) * change
        gradient = gradient + np.float32(part) * bent
        step = float((change ** 2).sum()) / curvature
        if np.sqrt(float((change ** 2).sum() / (2 * touched.sum()))) / step < tolerance * scale:
            break
    return q
