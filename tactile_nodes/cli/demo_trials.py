# SPDX-License-Identifier: Apache-2.0
"""`tactile demo --trials N`: a virtual hand lifts plums with two grips; trials are compared."""

import shutil
import time
from datetime import datetime, timezone
from pathlib import Path

import yaml

from tactile_nodes.errors import TactileError

_START_WITHIN = 60.0         # s
_TOO_LATE = 0.2              # s after the beginning of a grasp
_PAUSE = 0.5                 # s that a trial is recorded before and after the grasp


def run_trials(out, count, stopping, heard):
    """Run the hand, record the trials, write the pages.

    Parameters
    ----------
    out : Path
        Empty folder.
    count : int
    stopping : list
        Filled by signals: ends the run early.
    heard : callable
        Takes what the processes say, see `Supervisor`.

    Returns
    -------
    Path
        The page that compares them.
    """
    from tactile_nodes.cli.report import write_pages
    from tactile_nodes.cli.report_set import write_set_page
    from tactile_nodes.hand.plan import load_plan
    from tactile_nodes.trials.practice import practice
    from tactile_nodes.trials.store import trial_folders

    grasps = practice(count)
    hand = _practice_hand(out / 'practice', grasps)
    _solve(hand)
    plan = load_plan(hand, trials=out / 'trials')
    for process in plan.processes:
        if process.executable == 'fingertip':
            process.parameters['autostart'] = False          # all at the same moment, later
    _record(plan, grasps, stopping, heard)
    folders = trial_folders([out / 'trials'])
    print('writing the pages ...', flush=True)
    trials, left_out = write_pages([folder.absolute() for folder in folders],
                                   (out / 'report').absolute())
    if not trials:
        raise TactileError('no trial could be read', where=str(out / 'trials'))
    page = out / 'report' / 'index.html'
    write_set_page(page, trials, [(name, str(why)) for name, why in left_out])
    return page


def _practice_hand(folder, grasps):
    """Write a hand like the shipped one that follows the script; return its file."""
    from tactile_nodes.hand.resources import shipped
    from tactile_nodes.trials.practice import scenario

    shipped_hand = shipped('config/four_finger_hand.yaml')
    shutil.copytree(shipped_hand.parent, folder)
    content = yaml.safe_load((folder / shipped_hand.name).read_text(encoding='utf-8'))
    others = len(content['fingers']) - 1
    for name, share, side in (('thumb', 1.0, 1), ('finger', 1 / others, -1)):
        (folder / 'scenarios' / f'practice_{name}.yaml').write_text(
            scenario(grasps, share=share, side=side), encoding='utf-8')
    for name, finger in content['fingers'].items():
        which = 'thumb' if name == 'thumb' else 'finger'
        finger['device'] = {'kind': 'virtual', 'scenario': f'scenarios/practice_{which}.yaml'}
    path = folder / 'practice_hand.yaml'
    path.write_text(yaml.safe_dump(content, sort_keys=False), encoding='utf-8')
    return path


def _solve(hand_file):
    """Solve the mechanics of the grasps on all cores, so that the hand starts at once."""
    from tactile_nodes.cli.progress import Progress
    from tactile_nodes.files.hand import read_hand
    from tactile_nodes.trials.many import for_each

    pairs = {(str(finger.device.scenario), str(finger.elastomer_file))
             for finger in read_hand(hand_file).fingers}
    print('solving the mechanics of the grasps (kept for the next time)', flush=True)
    with Progress('solving', len(pairs), 'scripts') as progress:
        for done, (_, result) in enumerate(for_each(solve_script, sorted(pairs)), 1):
            if isinstance(result, TactileError):
                raise result
            progress(done)


def solve_script(pair):
    """Solve a scenario file for an elastomer file; the solution goes to the cache."""
    from tactile_nodes.files.elastomer import read_elastomer
    from tactile_nodes.files.scenario import read_scenario
    from tactile_nodes.virtual.scenario import solution_of

    scenario, elastomer = pair
    solution_of(read_scenario(scenario), read_elastomer(elastomer))
    return scenario


def _record(plan, grasps, stopping, heard):
    """Run the hand through the script and record each grasp as a trial."""
    from tactile_nodes.hand.supervisor import Supervisor
    from tactile_nodes.nodes.recorder_client import RecorderClient
    from tactile_nodes.nodes.together import Starter

    namespaces = [f'{plan.namespace}/{finger}' for finger in plan.fingers]
    with Supervisor(plan, on_event=heard) as supervisor, Starter(namespaces) as starter, \
            RecorderClient(plan.namespace) as recorder:
        _wait(supervisor, stopping, _START_WITHIN, starter.there)
        if not starter.there():
            raise TactileError('the hand did not start', where=plan.namespace,
                               fix='See what its nodes say above.')
        starter.configure()
        began = starter.activate() * 1e-9
        for number, grasp in enumerate(grasps, 1):
            _wait(supervisor, stopping, began + grasp.begin - _PAUSE - time.time())
            if stopping:
                return
            print(f'trial {number} of {len(grasps)}: {grasp.condition} grip', end='', flush=True)
            if time.time() > began + grasp.begin + _TOO_LATE:
                print(', left out: this machine is too busy to be in time for it', flush=True)
                continue
            recorder.call('start', trial_object='plum', trial_condition=grasp.condition,
                          trial_note=f'virtual: {grasp.kind}')
            started = _started(recorder)
            _wait(supervisor, [], began + grasp.end + _PAUSE - time.time())
            drop_at = -1.0 if grasp.drop_at is None else began + grasp.drop_at - started
            recorder.call('stop', trial_outcome=grasp.outcome, trial_drop_at=drop_at)
            print(f', {grasp.outcome}', flush=True)


def _started(recorder):
    """When the trial started, s since the epoch, by the trial's own file."""
    import json

    from tactile_nodes.files.trial import read_trial
    state = json.loads(recorder.call('status'))
    started = read_trial(Path(state['output']) / state['trial']).started
    return (started - datetime(1970, 1, 1, tzinfo=timezone.utc)).total_seconds()


def _wait(supervisor, stopping, seconds, ready=lambda: False):
    """Look after the hand for a while, at most until something is ready."""
    end = time.monotonic() + seconds
    while not stopping and not ready() and time.monotonic() < end:
        supervisor.poll(0.05)
