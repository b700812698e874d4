# SPDX-License-Identifier: Apache-2.0
"""Trials side by side: per condition how many, how often it went well, how long it was held."""

from collections import Counter, defaultdict
from dataclasses import dataclass

import numpy as np

from tactile_nodes.trials.survival import Curve, kaplan_meier, log_rank, wilson


@dataclass(frozen=True, eq=False)
class Condition:
    """What the trials of one condition say together.

    Attributes
    ----------
    name : str
    trials : list of dict
        As `report_trial.write_trial_page` returns them; those without a label included.
    outcomes : Counter
        By outcome; None for not labelled.
    success : (float, float, float) or None
        Rate of success among the labelled that were not aborted, and its 95 % interval.
    times, events : (N,) arrays
        How long the object was held, s, and whether it was dropped then.
    curve : Curve or None
        Share still held over time.
    """

    name: str
    trials: list
    outcomes: Counter
    success: tuple[float, float, float] | None
    times: np.ndarray
    events: np.ndarray
    curve: Curve | None

    def over_trials(self, key):
        """Values of a number of the trials, those that have none left out."""
        return [trial[key] for trial in self.trials if trial[key] is not None]

    def over_fingers(self, key, combine):
        """One value per trial of a number of its fingers, combined by a function."""
        rows = ([f[key] for f in trial['fingers'].values() if f[key] is not None]
                for trial in self.trials)
        return [combine(row) for row in rows if row]


def same_hand(trials):
    """Split trials into those of the hand most are of, and (name, reason) of the others."""
    hand = Counter(trial['hand'] for trial in trials).most_common(1)[0][0]
    left_out = [(trial['name'], f'is of the hand {trial["hand"]}, the comparison of {hand}')
                for trial in trials if trial['hand'] != hand]
    return [trial for trial in trials if trial['hand'] == hand], left_out


def conditions(trials):
    """One Condition per name, in the order of the names."""
    groups = defaultdict(list)
    for trial in sorted(trials, key=lambda trial: trial['started']):
        groups[trial['condition'] or 'no condition'].append(trial)
    return [_condition(name, groups[name]) for name in sorted(groups)]


def difference(found):
    """Log-rank test (statistic, p) between conditions, or None with fewer than two to compare."""
    groups = [(c.times, c.events) for c in found if len(c.times)]
    return log_rank(groups) if len(groups) > 1 else None


def proposals(trials):
    """How drops proposed from touch agree with the labels.

    Returns
    -------
    dict
        `right`, `false` (proposed, not said), `missed` (said, not proposed), `none` (neither),
        over the labelled trials that were not aborted.
    """
    counts = Counter()
    for trial in trials:
        if trial['outcome'] in ('success', 'dropped'):
            proposed, said = trial['proposed_drop_s'] is not None, trial['outcome'] == 'dropped'
            counts[{(True, True): 'right', (True, False): 'false', (False, True): 'missed',
                    (False, False): 'none'}[proposed, said]] += 1
    return {key: counts[key] for key in ('right', 'false', 'missed', 'none')}


def _condition(name, trials):
    outcomes = Counter(trial['outcome'] for trial in trials)
    tried = outcomes['success'] + outcomes['dropped']
    success = (outcomes['success'] / tried, *wilson(outcomes['success'], tried)) if tried else None
    watched = [(trial['dropped_after_s'] if trial['outcome'] == 'dropped' else trial['grasp_s'],
                trial['outcome'] == 'dropped') for trial in trials if trial['outcome']]
    watched = [(time, event) for time, event in watched if time is not None]
    times = np.array([time for time, _ in watched], float)
    events = np.array([event for _, event in watched], bool)
    curve = kaplan_meier(times, events) if len(times) else None
    return Condition(name, trials, outcomes, success, times, events, curve)
