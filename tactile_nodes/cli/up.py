# SPDX-License-Identifier: Apache-2.0
"""`tactile up`: bring a hand up without ROS launch and keep it up until Ctrl-C or SIGTERM."""

import errno
import os
import signal
import sys
from importlib.util import find_spec
from pathlib import Path

from tactile_nodes.errors import TactileError


def add_parser(subparsers):
    """Describe the subcommand."""
    parser = subparsers.add_parser(
        'up', help='bring a hand up and keep it up',
        description='Start every process of a hand; one that dies is started again. Ctrl-C or '
                    'SIGTERM stops them all.')
    parser.add_argument('hand', metavar='HAND.yaml', type=Path, help='hand file')
    parser.add_argument('--fingers', metavar='A,B', help='only these fingers')
    parser.add_argument('--layout', choices=('composed', 'split'), default='composed',
                        help='one process per finger (default), or one per node')
    parser.add_argument('--record', metavar='DIR', type=Path,
                        help='record the whole run into a new folder in this one')
    parser.add_argument('--trials', metavar='DIR', type=Path,
                        help='record trials into this folder: see tactile trial')
    parser.add_argument('--rviz', action='store_true', help='start the viewer too')
    parser.set_defaults(run=run)


def run(args):
    """Check everything, then run the hand; 0 when it was asked to stop."""
    from tactile_nodes.hand.plan import load_plan
    from tactile_nodes.hand.supervisor import Supervisor

    plan = load_plan(args.hand, layout=args.layout, rviz=args.rviz,
                     record=args.record, trials=args.trials,
                     fingers=args.fingers.split(',') if args.fingers is not None else None)
    require_ros()
    if args.record or args.trials:
        _make_folder(args.record or args.trials)
    stopping = []
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, lambda number, _: stopping.append(number))
    printer = _Printer(stopping)
    printer.line(f'{plan.namespace}: {", ".join(plan.fingers)}; Ctrl-C stops the hand')
    with Supervisor(plan, on_event=printer.event) as supervisor:
        while not stopping:
            supervisor.poll()
        printer.line(f'{plan.namespace}: stopping')
    return 0


def require_ros():
    """Raise TactileError unless rclpy can be imported."""
    if find_spec('rclpy') is None:
        raise TactileError('ROS is not available to this Python', where=sys.executable,
                           expected='a Python that can import rclpy',
                           fix='Source the setup file of your ROS installation, or install the '
                               'wheels from the source folder: '
                               'pip install ".[wheels,ros-kilted]".')


def _make_folder(path):
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise TactileError(f'cannot record there ({error.strerror})', where=str(path),
                           expected='a folder that can be written') from None


class _Printer:
    """Prints events; when nobody reads them any more, asks for the stop."""

    def __init__(self, stopping):
        self._stopping = stopping

    def event(self, event):
        self.line(f'[{event.process}] ' + ('' if event.kind == 'output' else '*** ') + event.text)

    def line(self, text):
        try:                     # past Python's buffer, which would fail again at the exit
            os.write(sys.stdout.fileno(), f'{text}\n'.encode(errors='replace'))
        except OSError as error:
            if error.errno in (errno.EPIPE, errno.EIO):
                self._stopping.append('output closed')
            # else, as on a full disk, the line is lost and the hand goes on
