# SPDX-License-Identifier: Apache-2.0
"""Press, shear, twist and release of one indenter, solved at key moments and interpolated."""

from dataclasses import dataclass, field

import numpy as np

from tests.accuracy.contact import ContactSolver, Pose

_LIGHTEST = 4e-3          # N, the first load solved for


@dataclass(frozen=True)
class PressPlan:
    """What is done, and where.

    Attributes
    ----------
    indenter : callable
        Of `tests.accuracy.indenters`.
    x, y : float
        Of first touch, m.
    load : float
        Normal load, N; kept lower where the skin would be pressed in too deeply.
    turn : float
        Of the indenter about z, rad.
    moves : tuple
        In turn: ('shear', fx, fy) in N, ('twist', torque) in N*m, ('slide', angle in rad, m
        beyond gross slip), ('hold', s).
    hold : float
        s at full load before the moves.
    tempo : float
        Scales all speeds.
    depth : float, optional
        Press to this depth (m) instead of to the load.
    deepest : float
        Part of the thickness that a press may go in.
    """

    indenter: object
    x: float
    y: float
    load: float
    turn: float = 0.0
    friction: float = 0.6
    moves: tuple = ()
    hold: float = 0.4
    tempo: float = 1.0
    depth: float | None = None
    deepest: float = 0.4


@dataclass
class Key:
    """A solved moment: time since first touch, s, the state, and what is going on."""

    time: float
    state: object
    phase: str


@dataclass
class Press:
    """A solved press.

    Attributes
    ----------
    plan : PressPlan
    solver : ContactSolver
    keys : list of Key
    """

    plan: PressPlan
    solver: ContactSolver
    keys: list = field(default_factory=list)
    _sums: dict = field(default_factory=dict)

    @property
    def duration(self):
        return self.keys[-1].time

    def between(self, time):
        """(i, part) such that `time` lies `part` of the way from key i to key i + 1."""
        times = [k.time for k in self.keys]
        i = int(np.clip(np.searchsorted(times, time, side='right') - 1, 0, len(times) - 2))
        return i, float(np.clip((time - times[i]) / (times[i + 1] - times[i]), 0, 1))

    def _sum(self, places, tractions):
        """Force, moment, pressure times place: places of one key, tractions of another."""
        if (places, tractions) not in self._sums:
            at, by = self.keys[places].state, self.keys[tractions].state
            fx, fy = (by.shear * self.solver.grid.pitch ** 2).astype(float)
            p = (by.pressure * self.solver.grid.pitch ** 2).astype(float)
            x, y, z = self.solver.x + at.plane[0], self.solver.y + at.plane[1], at.rise
            self._sums[places, tractions] = np.array([
                fx.sum(), fy.sum(), -p.sum(), -(y * p).sum() - (z * fy).sum(),
                (z * fx).sum() + (x * p).sum(), (x * fy).sum() - (y * fx).sum(),
                (x * p).sum(), (y * p).sum()])
        return self._sums[places, tractions]

    def truth(self, time):
        """Wrench (6,) at the tip origin and centroid (2,) of the pressure, NaN without load.

        Exact for traction and displacement that go in a straight line from key to key.
        """
        i, a = self.between(time)
        total = sum(wa * wb * self._sum(i + da, i + db)
                    for da, wa in ((0, 1 - a), (1, a)) for db, wb in ((0, 1 - a), (1, a)))
        load = -total[2]
        return total[:6], total[6:] / load if load > 1e-9 else np.full(2, np.nan)

    def stick(self, time):
        """Part of the contact that sticks, and whether all of it slips."""
        i, a = self.between(time)
        s0, s1 = self.keys[i].state.stick, self.keys[i + 1].state.stick
        return s0 + a * (s1 - s0), time >= self._slips_from(i)

    def _slips_from(self, i):
        """Time between key i and the next at which the last part starts to slip; inf if none."""
        s0, s1 = self.keys[i].state.stick, self.keys[i + 1].state.stick
        if self.keys[i + 1].phase == 'end' or s1 > 0:
            return np.inf
        start, end = self.keys[i].time, self.keys[i + 1].time
        if s0 == 0 or i == 0:
            return start
        before = self.keys[i - 1]
        rate = (before.state.stick - s0) / max(start - before.time, 1e-6)
        return min(start + s0 / rate, end) if rate > 0 else (start + end) / 2

    def slip_onsets(self):
        """Times at which all of the contact first slips in a phase, and the phases."""
        found = []
        for i in range(len(self.keys) - 1):
            at, phase = self._slips_from(i), self.keys[i + 1].phase
            again = found and found[-1][1] == phase
            if np.isfinite(at) and self.keys[i].state.stick > 0 and not again:
                found.append((at, phase))
        return found


def solve_press(grid, plan):
    """Carry out a plan.

    Parameters
    ----------
    grid : tests.accuracy.grid.SkinGrid
    plan : PressPlan

    Returns
    -------
    Press
    """
    half = int(np.ceil(_reach(grid, plan) / grid.pitch))
    row, column = int(np.round(plan.y / grid.pitch)), int(np.round(plan.x / grid.pitch))
    corner = (row + grid.shape[0] // 2 - half, column + grid.shape[1] // 2 - half)
    solver = ContactSolver(grid, plan.indenter, plan.friction, corner, (2 * half, 2 * half))
    state = solver.start(Pose(plan.x, plan.y, 0.0, plan.turn))
    press = Press(plan, solver, [Key(0.0, state, 'press')])
    _down(press)
    _add(press, press.keys[-1].state, plan.hold, 'hold')
    for move in plan.moves:
        _MOVES[move[0]](press, *move[1:])
    _up(press)
    if any(k.state.pressure[border].any() for k in press.keys
           for border in (0, -1, np.s_[:, 0], np.s_[:, -1])):
        raise ValueError(f'the contact of {plan} does not fit into its part of the skin')
    return press


def _reach(grid, plan):
    """Half side of the part of the skin that is solved for, m; a ball's contact may be small."""
    if plan.indenter.name != 'ball':
        return plan.indenter.reach
    layer = grid.layer
    radius = (0.75 * plan.load * plan.indenter.radius * (1 - layer.poisson ** 2)
              / layer.modulus) ** (1 / 3)
    deepest = plan.depth or plan.deepest * layer.thickness
    return min(radius, np.sqrt(2 * plan.indenter.radius * deepest)) + 1.1e-3


def _add(press, state, seconds, phase):
    press.keys.append(Key(press.keys[-1].time + max(seconds, 0.004) / press.plan.tempo, state,
                          phase))


def _down(press):
    solver, plan = press.solver, press.plan
    deepest = plan.deepest * solver.grid.layer.thickness
    levels = max(3, int(np.ceil(np.log(plan.load / _LIGHTEST) / np.log(1.9))) + 1)
    for load in np.geomspace(min(_LIGHTEST, plan.load / 3), plan.load, levels):
        old = press.keys[-1].state
        state = solver.press_to(old, load)
        limit = plan.depth or deepest
        if state.pose.depth > limit:
            pose = Pose(old.pose.x, old.pose.y, limit, old.pose.turn)
            _add(press, solver.step(old, pose), (limit - old.pose.depth) / 1.5e-3, 'press')
            return
        _add(press, state, 0.02 + (state.pose.depth - old.pose.depth) / 1.5e-3, 'press')


def _up(press):
    state = press.keys[-1].state
    load = -press.solver.load(state)[2]
    levels = max(3, int(np.ceil(np.log(load / _LIGHTEST) / np.log(2.2))) + 1)
    for level in np.geomspace(load, min(_LIGHTEST, load / 3), levels)[1:]:
        old, state = state, press.solver.press_to(state, level)
        _add(press, state, 0.02 + abs(old.pose.depth - state.pose.depth) / 3e-3, 'release')
    _add(press, press.solver.press_to(state, 0.0), 0.02, 'end')


def _farthest(press):
    """How far sideways the skin is drawn before the linear theory would fold it, m."""
    return 0.4 * press.solver.grid.layer.thickness


def _shear(press, fx, fy):
    """Move in the plane until about that force is reached (or slip keeps it lower)."""
    solver, state = press.solver, press.keys[-1].state
    missing = np.array([fx, fy]) - solver.load(state)[:2]
    size = np.hypot(*missing)
    probe = 2e-5 * missing / size
    trial = solver.step(state, state.pose.moved(*probe), rounds=1)
    gained = float((solver.load(trial) - solver.load(state))[:2] @ missing / size)
    way = min(2e-5 * size / max(gained, 1e-9) * 1.15, _farthest(press))
    steps = int(np.clip(np.ceil(way / 1.2e-4), 3, 14))
    for _ in range(steps):
        state = solver.step(state, state.pose.moved(*(missing / size * way / steps)))
        _add(press, state, 0.02 + way / steps / 2e-3, 'shear')
        if (np.array([fx, fy]) - solver.load(state)[:2]) @ missing <= 0:
            break


def _twist(press, torque):
    """Turn about the indenter's axis until about that torque is added (or slip keeps it low)."""
    solver, state = press.solver, press.keys[-1].state

    def about(state):
        dx = solver.x + state.plane[0] - state.pose.x
        dy = solver.y + state.plane[1] - state.pose.y
        return float((dx * state.shear[1] - dy * state.shear[0]).sum()) * solver.grid.pitch ** 2

    missing = torque - about(state)
    sign = np.sign(missing)
    trial = solver.step(state, state.pose.moved(turn=0.005 * sign), rounds=1)
    gained = (about(trial) - about(state)) * sign
    angle = min(0.005 * abs(missing) / max(gained, 1e-12) * 1.15, 0.7)
    steps = int(np.clip(np.ceil(angle / 0.06), 2, 10))
    for _ in range(steps):
        state = solver.step(state, state.pose.moved(turn=sign * angle / steps))
        _add(press, state, 0.02 + angle / steps / 0.8, 'twist')
        if (torque - about(state)) * sign <= 0:
            break


def _slide(press, angle, beyond):
    """Move in the plane until all of the contact slips, and `beyond` metres farther.

    Left out where the skin would have to be drawn out too far for that.
    """
    solver, state = press.solver, press.keys[-1].state
    way = np.array([np.cos(angle), np.sin(angle)])
    trial = solver.step(state, state.pose.moved(*(2e-5 * way)), rounds=1)
    stiffness = float((solver.load(trial) - solver.load(state))[:2] @ way) / 2e-5
    until_slip = press.plan.friction * -solver.load(state)[2] / max(stiffness, 1.0)
    if until_slip > _farthest(press):
        return
    step = float(np.clip(until_slip / 30, 1e-5, 8e-5))
    left, limit = beyond, until_slip * 3
    while left > 0 and limit > 0:
        state = solver.step(state, state.pose.moved(*(step * way)))
        _add(press, state, step / 2e-3, 'slide')
        limit -= step
        left -= step if state.stick == 0 else 0


def _hold(press, seconds):
    _add(press, press.keys[-1].state, seconds, 'hold')


_MOVES = {'shear': _shear, 'twist': _twist, 'slide': _slide, 'hold': _hold}
