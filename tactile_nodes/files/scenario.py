# SPDX-License-Identifier: Apache-2.0
"""Scenario files: what happens to a virtual fingertip, as a list of timed steps."""

import math
from dataclasses import dataclass

from tactile_nodes.files.section import read_section

PHASES = ('free', 'approach', 'press', 'hold', 'shear', 'twist', 'roll', 'slip', 'release')
SHAPES = ('sphere', 'cylinder', 'flat')
_HIGHEST = 50.0                # mm
_STRONGEST = 15.0              # N, about where a layer of 3 mm is no longer a small strain


@dataclass(frozen=True)
class Indenter:
    """The touching object.

    Attributes
    ----------
    shape : str
        One of `SHAPES`: a ball, a lying cylinder with round ends, a standing bar with a flat face.
    radius : float
        m.
    length : float
        Straight part of a cylinder, m; 0 for the others.
    edge_radius : float
        Rounding of a flat face, m; 0 for the others.
    """

    shape: str
    radius: float
    length: float = 0.0
    edge_radius: float = 0.0


@dataclass(frozen=True)
class Step:
    """One movement; targets are reached at its end, displacements are relative to its beginning.

    Attributes
    ----------
    phase : str
        One of `PHASES`: names what the step is for, nothing more.
    seconds : float
    force : float or None
        Normal force to reach, N.
    height : float or None
        Height of the indenter over the unloaded skin to reach, m; negative is pressed in. With
        neither force nor height, the last one given is kept.
    drag : (float, float)
        Sideways motion of the indenter against friction, m.
    roll : (float, float)
        Motion of the contact without sliding, m.
    twist : float
        Rotation about the normal against friction, rad.
    tilt : float or None
        Tilt about the indenter's y axis to reach, rad; None keeps it.
    """

    phase: str
    seconds: float
    force: float | None = None
    height: float | None = None
    drag: tuple[float, float] = (0.0, 0.0)
    roll: tuple[float, float] = (0.0, 0.0)
    twist: float = 0.0
    tilt: float | None = None


@dataclass(frozen=True)
class Scenario:
    """A scripted grasp.

    Attributes
    ----------
    name : str
    repeat : bool
        Begin again after the last step; otherwise its end is held.
    indenter : Indenter
    friction : float
        Coulomb coefficient.
    start : (float, float, float)
        First place x, y of the indenter and its height over the skin, m.
    steps : tuple of Step
    """

    name: str
    repeat: bool
    indenter: Indenter
    friction: float
    start: tuple[float, float, float]
    steps: tuple[Step, ...]

    @property
    def seconds(self):
        """How long one run takes."""
        return sum(step.seconds for step in self.steps)


def read_scenario(path):
    """Read a scenario file.

    Keys: `name`, `repeat`, `friction`, `indenter` (`shape` sphere, cylinder or flat, `radius_mm`;
    `length_mm` of a cylinder, `edge_radius_mm` of a flat), `start` (optional: `x_mm`, `y_mm`,
    `height_mm`) and `steps`, a list of mappings with `phase`, `seconds` and what it does:
    `force_n` or `height_mm`, `x_mm`, `y_mm`, `roll_x_mm`, `roll_y_mm`, `twist_deg`, `tilt_deg`.

    Returns
    -------
    Scenario

    Raises
    ------
    FileError
        A wrong or missing key, or a repeated scenario that ends in contact.
    """
    top = read_section(path)
    name, repeat = top.text('name'), top.flag('repeat', True)
    friction = top.number('friction', low=0, high=3)
    indenter = _indenter(top.section('indenter'))
    start = (0.0, 0.0, 4e-3)
    if top.has('start'):
        place = top.section('start')
        start = (place.number('x_mm', 0.0, low=-8, high=8) * 1e-3,
                 place.number('y_mm', 0.0, low=-6, high=6) * 1e-3,
                 place.number('height_mm', 4.0, low=0, high=_HIGHEST) * 1e-3)
        place.finish()
    parts = top.sections('steps')
    if not parts:
        raise top.error('steps', [], 'at least one step')
    steps = tuple(_step(part, indenter) for part in parts)
    top.finish()
    if repeat and not _ends_free(steps):
        raise top.error('steps', 'the last one ends in contact',
                        'force_n: 0 or a height_mm of at least 0',
                        'Add a release, or write repeat: false.')
    return Scenario(name, repeat, indenter, friction, start, steps)


def _indenter(part):
    shape = part.choice('shape', SHAPES)
    radius = part.number('radius_mm', above=0.2, high=100)
    length = part.number('length_mm', low=0, high=100) if shape == 'cylinder' else 0.0
    edge = part.number('edge_radius_mm', 0.3, above=0.05, high=radius) if shape == 'flat' else 0.0
    part.finish()
    return Indenter(shape, radius * 1e-3, length * 1e-3, edge * 1e-3)


def _step(part, indenter):
    if part.has('force_n') and part.has('height_mm'):
        raise part.error('force_n', 'force_n and height_mm', 'only one of them')
    if part.has('tilt_deg') and indenter.shape == 'sphere':
        raise part.error('tilt_deg', 'a sphere', 'a cylinder or flat, which can be tilted')
    metres = {key: part.number(f'{key}_mm', 0.0, low=-10, high=10) * 1e-3
              for key in ('x', 'y', 'roll_x', 'roll_y')}
    force = part.number('force_n', None, low=0, high=_STRONGEST)
    height = part.number('height_mm', None, low=-2, high=_HIGHEST)
    tilt = part.number('tilt_deg', None, low=-10, high=10)
    step = Step(
        phase=part.choice('phase', PHASES), seconds=part.number('seconds', above=0, high=3600),
        force=force, height=None if height is None else height * 1e-3,
        drag=(metres['x'], metres['y']), roll=(metres['roll_x'], metres['roll_y']),
        twist=math.radians(part.number('twist_deg', 0.0, low=-90, high=90)),
        tilt=None if tilt is None else math.radians(tilt))
    part.finish()
    return step


def _ends_free(steps):
    last = next((s for s in reversed(steps) if s.force is not None or s.height is not None), None)
    return last is None or last.force == 0 or (last.height is not None and last.height >= 0)
