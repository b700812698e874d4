# SPDX-License-Identifier: Apache-2.0
"""Grasps of a virtual hand with known outcome, one after the other, to practise on.

The plums are lifted by two grips, firm and gentle. Each is held and put down, caught again after a
slide, or dropped. Both sides of the hand follow one script: the thumb carries what the others
press against.
"""

from dataclasses import dataclass

import numpy as np
import yaml

SECONDS = 6.0                    # that a grasp takes, with the pause before it
LEAD = 2.0                       # s untouched at the beginning, for the reference
GRIPS = {'firm': 3.0, 'gentle': 1.5}         # N of the thumb
_KINDS = ('put down', 'put down fast', 'caught', 'dropped', 'dropped fast')
_CHANCES = {'firm': (0.45, 0.25, 0.15, 0.1, 0.05), 'gentle': (0.2, 0.1, 0.15, 0.3, 0.25)}


@dataclass(frozen=True)
class Grasp:
    """One grasp of the script.

    Attributes
    ----------
    condition, kind, outcome : str
    begin, end : float
        s since the beginning of the script, as all times.
    drop_at : float or None
        When the object was gone.
    steps : tuple of dict
        For the thumb, as in a scenario file.
    """

    condition: str
    kind: str
    outcome: str
    begin: float
    end: float
    drop_at: float | None
    steps: tuple


def practice(count, seed=1):
    """Grasps with both grips in turn; the same for the same seed."""
    rng, conditions = np.random.default_rng(seed), list(GRIPS)
    return [_grasp(rng, conditions[index % 2], LEAD + index * SECONDS) for index in range(count)]


def scenario(grasps, *, share=1.0, side=1):
    """Scenario of a finger as the text of its file.

    Parameters
    ----------
    grasps : list of Grasp
    share : float
        Of the thumb's force.
    side : int
        1 for the thumb, -1 for those opposite, which the object drags the other way.
    """
    steps = [{'phase': 'free', 'seconds': LEAD}]
    for grasp in grasps:
        for step in grasp.steps:
            step = dict(step)                                           # noqa: PLW2901
            if 'force_n' in step:
                step['force_n'] = round(step['force_n'] * share, 3)
            if 'x_mm' in step:
                step['x_mm'] = side * step['x_mm']
            steps.append(step)
    content = {'name': f'practice_{"thumb" if side > 0 else "finger"}', 'repeat': False,
               'friction': 0.8, 'indenter': {'shape': 'sphere', 'radius_mm': 18},
               'start': {'x_mm': -0.3 * side, 'y_mm': -0.2, 'height_mm': 4}, 'steps': steps}
    return yaml.safe_dump(content, sort_keys=False)


def _grasp(rng, condition, begin):
    kind = str(rng.choice(_KINDS, p=_CHANCES[condition]))
    force = GRIPS[condition] * rng.uniform(0.85, 1.15)
    load = rng.uniform(0.1, 0.2)                     # mm that the object's weight shears the skin
    steps = [('approach', 0.4, {'height_mm': 0}), ('press', 0.5, {'force_n': force}),
             ('shear', 0.4, {'y_mm': load}), ('hold', rng.uniform(0.3, 0.9), {})]
    if kind == 'put down':
        steps += [('shear', 0.3, {'y_mm': -load}), ('release', 0.4, {'force_n': 0})]
    elif kind == 'put down fast':
        steps += [('release', 0.15, {'force_n': 0})]
    elif kind == 'caught':
        steps += [('slip', 0.4, {'y_mm': rng.uniform(0.4, 0.6)}),
                  ('press', 0.15, {'force_n': 1.4 * force}), ('hold', 0.6, {}),
                  ('release', 0.3, {'force_n': 0})]
    elif kind == 'dropped':
        steps += [('slip', 0.6, {'y_mm': rng.uniform(0.5, 0.8)}),
                  ('slip', 0.1, {'y_mm': 0.2, 'force_n': 0})]
    else:
        steps += [('slip', 0.25, {'y_mm': rng.uniform(0.45, 0.7)}),
                  ('slip', 0.06, {'y_mm': 0.2, 'force_n': 0})]
    dropped = kind.startswith('dropped')
    ended = sum(seconds for _, seconds, _ in steps)
    moved = sum(values.get('y_mm', 0) for _, _, values in steps)
    # back to the place of the next grasp while nothing touches
    steps += [('free', 0.3, {'height_mm': 4}),
              ('free', SECONDS - ended - 0.3, {'roll_y_mm': -moved} if moved else {})]
    return Grasp(condition, kind, 'dropped' if dropped else 'success', begin,
                 begin + ended, begin + ended if dropped else None,
                 tuple({'phase': phase, 'seconds': round(float(seconds), 3),
                        **{key: round(float(value), 3) for key, value in values.items()}}
                       for phase, seconds, values in steps))
