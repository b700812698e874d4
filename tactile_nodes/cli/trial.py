# SPDX-License-Identifier: Apache-2.0
"""`tactile trial`: record grasp trials, label them, list them, repair them."""

import json
import sys
from pathlib import Path

from tactile_nodes.cli.up import require_ros
from tactile_nodes.errors import TactileError
from tactile_nodes.files.trial import (
    OUTCOMES,
    check_label,
    check_outcome,
    check_text,
    read_trial,
    write_trial,
)

_FOLDER = Path('recordings')
_WORTH_SAYING = 86400       # s that the disk lasts, above which it does not matter
_COLUMNS = ('trial', 'object', 'condition', 'outcome', 'drop at', 'length', 'size', 'state')


def add_parser(subparsers):
    """Describe the subcommand."""
    parser = subparsers.add_parser(
        'trial', help='record grasp trials, label and list them',
        description='Record grasp trials of a hand that was brought up with --trials DIR. Each '
                    'trial is a folder with a bag and trial.yaml.')
    commands = parser.add_subparsers(title='commands', metavar='COMMAND', required=True)
    for name, act, about in (
            ('start', _start, 'begin a trial'), ('stop', _stop, 'end the trial and label it'),
            ('mark', _mark, 'note that something happens now'),
            ('status', _status, 'say what is being recorded'),
            ('label', _label, 'label a recorded trial, or correct its label'),
            ('list', _list, 'list recorded trials'),
            ('repair', _repair, 'finish what a crash left of a recording')):
        command = commands.add_parser(name, help=about, description=f'{about.capitalize()}.')
        command.set_defaults(run=act)
        _ARGUMENTS[name](command)


def _add_hand(parser):
    parser.add_argument('--hand', metavar='NAME', help='of the hand, where there are several')


def _add_start(parser):
    parser.add_argument('--object', required=True, metavar='NAME', help='what is grasped')
    parser.add_argument('--condition', required=True, metavar='NAME',
                        help='what is to be compared, such as the grip')
    parser.add_argument('--note', default='', metavar='TEXT')
    parser.add_argument('--topics', metavar='A,B', help='other topics to record as well, such as '
                                                        '/joint_states (kept for later trials)')
    _add_hand(parser)


def _add_outcome(parser, required):
    parser.add_argument('--outcome', required=required, choices=OUTCOMES)
    parser.add_argument('--at', type=float, metavar='SECONDS',
                        help='when it was dropped, after the start')


def _add_stop(parser):
    _add_outcome(parser, required=True)
    _add_hand(parser)


def _add_mark(parser):
    parser.add_argument('text', metavar='TEXT')
    _add_hand(parser)


def _add_label(parser):
    parser.add_argument('trial', type=Path, metavar='TRIAL', help='folder of the trial')
    _add_outcome(parser, required=True)


def _add_list(parser):
    parser.add_argument('folders', nargs='*', type=Path, default=[_FOLDER], metavar='DIR',
                        help=f'folders of trials (default: {_FOLDER})')


def _add_repair(parser):
    parser.add_argument('folders', nargs='+', type=Path, metavar='DIR',
                        help='trials, bags, or folders of them')


_ARGUMENTS = {'start': _add_start, 'stop': _add_stop, 'mark': _add_mark, 'status': _add_hand,
              'label': _add_label, 'list': _add_list, 'repair': _add_repair}


def _call(args, service, **parameters):
    require_ros()
    from tactile_nodes.nodes.recorder_client import RecorderClient
    with RecorderClient(args.hand) as client:
        return client.call(service, **parameters)


def _start(args):
    check_label('--object', args.object)
    check_label('--condition', args.condition)
    check_text('--note', args.note)
    topics = {} if args.topics is None else {'topics': args.topics}
    print('recording into', _call(args, 'start', trial_object=args.object,
                                  trial_condition=args.condition, trial_note=args.note, **topics))
    return 0


def _stop(args):
    check_outcome(args.outcome, args.at)
    drop_at = -1.0 if args.at is None else args.at
    print('recorded', _call(args, 'stop', trial_outcome=args.outcome, trial_drop_at=drop_at))
    return 0


def _mark(args):
    print(_call(args, 'mark', trial_mark=check_text('mark', args.text)))
    return 0


def _status(args):
    state = json.loads(_call(args, 'status'))
    if state['state'] == 'idle':
        print(f'nothing is being recorded; trials go to {state["output"]}')
    else:
        print(f'{state["trial"]}: {state["seconds"]} s, {state["messages"]} messages, '
              f'{_size(state["bytes"])}, {state["marks"]} marks')
        if state['fits_s'] is not None and state['fits_s'] < _WORTH_SAYING:
            print(f'the disk lasts for {state["fits_s"] / 60:.0f} min more')
        if state['silent']:
            print('nothing came yet on', ', '.join(state['silent']))
    for what in ('warning', 'problem'):
        if state[what]:
            print(f'{what}: {state[what]}')
    return 0


def _label(args):
    trial = read_trial(args.trial)
    if trial.state == 'recording':
        from tactile_nodes.trials.store import load_trial
        load_trial(args.trial)                # says what to do
    write_trial(trial.labelled(args.outcome, args.at))
    return 0


def _list(args):
    from tactile_nodes.trials.bag_repair import being_recorded
    from tactile_nodes.trials.store import trial_folders

    rows, wrong = [], []
    for folder in trial_folders(args.folders):
        try:
            rows.append(_row(read_trial(folder), recorded=being_recorded(folder)))
        except TactileError as error:
            wrong.append(error)
    widths = [max(len(row[i]) for row in [_COLUMNS, *rows]) for i in range(len(_COLUMNS))]
    for row in [_COLUMNS, *rows]:
        print('  '.join(text.ljust(width) for text, width in zip(row, widths, strict=True))
              .rstrip())
    for error in wrong:
        print(f'left out: {error}', file=sys.stderr)
    return 2 if wrong and not rows else 0


def _row(trial, *, recorded):
    size = sum(file.stat().st_size for file in trial.folder.glob('*.mcap'))
    state = trial.state
    if state == 'recording' and not recorded:
        state = 'unfinished'
    elif trial.problem and state == 'finished':
        state = 'cut short'
    return (trial.name, trial.object or '-', trial.condition or '-', trial.outcome or 'unlabelled',
            '-' if trial.drop_at is None else f'{trial.drop_at:.2f} s',
            '-' if trial.duration is None else f'{trial.duration:.1f} s', _size(size), state)


def _repair(args):
    from tactile_nodes.trials.store import repair_trial, trial_folders

    failed = 0
    for folder in trial_folders(args.folders):
        try:
            done = repair_trial(folder)
        except TactileError as error:
            print(f'tactile: {error}', file=sys.stderr)
            failed += 1
            continue
        print(f'{folder}: {done or "nothing to repair"}')
    return 2 if failed else 0


def _size(count):
    return f'{count / 2**20:.1f} MiB' if count > 2**19 else f'{count / 2**10:.0f} KiB'
