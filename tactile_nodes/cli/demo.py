# SPDX-License-Identifier: Apache-2.0
"""`tactile demo`: run a virtual hand, watch it live, and write what was measured into a folder."""

import argparse
import os
import shutil
import signal
import sys
import time
from importlib.util import find_spec
from pathlib import Path

from tactile_nodes.cli.up import require_ros
from tactile_nodes.errors import TactileError

_START_WITHIN = 180.0        # s, for the slowest finger; solving new scenarios takes its time
_STOP_WITHIN = 15.0          # s; longer than usual, so that a busy recorder finishes its bag
_REDRAW = 0.5                # s
_MARK = '.tactile_demo'      # in folders that this command made
_MADE = ('bag', 'recording', 'summary.json', 'index.html', 'practice', 'trials', 'report')
_LIBRARIES = {'mcap': 'mcap', 'rosbags': 'rosbags', 'matplotlib': 'matplotlib'}


def add_parser(subparsers):
    """Describe the subcommand."""
    parser = subparsers.add_parser(
        'demo', help='run the virtual hand and report on it',
        description='Bring a hand up (the four-finger virtual one by default), show live what it '
                    'feels, record a bag and write a report. Ctrl-C ends the run early; the '
                    'report is written all the same.')
    parser.add_argument('--duration', type=_seconds, default=20.0, metavar='S',
                        help='seconds to measure, once all fingers deliver (default 20)')
    parser.add_argument('--out', type=Path, default=Path('demo'), metavar='DIR',
                        help='folder for summary.json, bag and index.html: a new or empty one, or '
                             'an earlier demo, which is replaced (default: demo)')
    parser.add_argument('--trials', type=_count, metavar='N',
                        help='record N grasps of plums with two grips instead, and compare them')
    parser.add_argument('--hand', type=Path, metavar='FILE', help='another hand file')
    parser.set_defaults(run=run)


def run(args):
    """Run the demo; 0 when done, 1 when a finger never delivered, 130 after Ctrl-C."""
    from tactile_nodes.files.hand import read_hand
    from tactile_nodes.hand.plan import load_plan
    from tactile_nodes.hand.resources import shipped

    if args.trials is not None:
        return _run_trials(args)
    path = args.hand or shipped('config/four_finger_hand.yaml')
    plan = load_plan(path, record=args.out / 'recording')
    stopping = _prepare(args.out)
    hand = read_hand(path)
    code, span, watches = _run_hand(hand, plan, args.duration, stopping)
    if span is not None:
        print('writing the report ...', flush=True)
        _report(args.out, hand, span, watches)
    return code


def _run_trials(args):
    from tactile_nodes.cli.demo_trials import run_trials

    if args.hand is not None:
        raise TactileError('--trials runs a virtual hand of its own', found=str(args.hand),
                           fix='Leave --hand out.')
    stopping = _prepare(args.out)

    def heard(event):
        if event.kind == 'exited':
            print(f'[{event.process}] {event.text}', flush=True)

    page = run_trials(args.out, args.trials, stopping, heard)
    print(page)
    return 130 if signal.SIGINT in stopping else 0


def _prepare(out):
    """Check what the run needs and make its folder; return a list that signals are put into."""
    require_ros()
    _require_libraries()
    _make_folder(out)
    # A hand of its own: neither another demo on this machine nor a robot on the network mixes in.
    os.environ.setdefault('ROS_AUTOMATIC_DISCOVERY_RANGE', 'LOCALHOST')
    os.environ.setdefault('ROS_DOMAIN_ID', str(1 + os.getpid() % 100))
    stopping = []
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, lambda number, _: stopping.append(number))
    return stopping


def _run_hand(hand, plan, duration, stopping):
    """Run the hand; return exit code, (start, end) of the measurement in ns, and the watches."""
    from tactile_nodes.cli.demo_table import LiveTable
    from tactile_nodes.hand.supervisor import Supervisor
    from tactile_nodes.nodes.monitor import HandMonitor

    sys.setswitchinterval(0.0005)        # drawing must not hold up the monitor, which takes time
    last_line = {}

    def heard(event):
        if event.kind != 'exited':
            last_line[event.process] = event.text
            return
        why = last_line.get(event.process, '') if event.text.startswith('ended') else ''
        print(f'[{event.process}] {event.text}' + (f': {why}' if why else ''), flush=True)

    with HandMonitor(plan.namespace, plan.fingers) as monitor, \
            Supervisor(plan, on_event=heard) as supervisor:
        missing = _wait_for_all(monitor, supervisor, stopping)
        if stopping:
            print('stopped before all fingers delivered: nothing to report', file=sys.stderr)
            return 130, None, None
        if missing:
            for name in missing:
                print(f'tactile: {plan.namespace}/{name} delivered no wrench within '
                      f'{_START_WITHIN:g} s', file=sys.stderr)
                trouble = {'last line': last_line.get(name), **monitor.fingers[name].trouble}
                for concern, text in trouble.items():
                    if text:
                        print(f'  {concern}: {text}', file=sys.stderr)
            return 1, None, None
        start, begin = time.time_ns(), time.monotonic()
        rates = {finger.name: finger.frame_rate for finger in hand.fingers}
        with LiveTable(plan.namespace, duration, rates) as table:
            while not stopping and time.monotonic() < begin + duration:
                next_draw = time.monotonic() + _REDRAW
                while not stopping and time.monotonic() < min(next_draw, begin + duration):
                    supervisor.poll(0.1)
                table.update(time.monotonic() - begin, monitor.fingers)
        span = start, time.time_ns()
        lost = [name for name in plan.fingers if monitor.readers(name) < 2]
        supervisor.stop(within=_STOP_WITHIN)
    if lost and not stopping:
        print(f'tactile: nothing records {", ".join(lost)}: {last_line.get("recorder")}',
              file=sys.stderr)
        return 1, None, None
    return 130 if signal.SIGINT in stopping else 0, span, monitor.fingers


def _wait_for_all(monitor, supervisor, stopping):
    """Wait until every finger delivers and is recorded; return those that do not."""
    begin = said = time.monotonic()
    print('starting; the first time, the mechanics of the grasps are solved and kept', flush=True)
    while not stopping:
        supervisor.poll(0.1)
        missing = [name for name, watch in monitor.fingers.items()
                   if not watch.arrivals or monitor.readers(name) < 2]
        now = time.monotonic()
        if not missing or now > begin + _START_WITHIN:
            return [name for name in missing if not monitor.fingers[name].arrivals]
        if now > said + 2:
            said = now
            print(f'{now - begin:3.0f} s: waiting for {", ".join(missing)}', flush=True)
    return []


def _report(out, hand, span, watches):
    """Write bag, summary and page; `span` is (start, end) of the measurement in ns."""
    from tactile_nodes.cli.demo_page import FingerReport, write_page
    from tactile_nodes.trials.run import BagReader
    from tactile_nodes.trials.summary import summarise, write_summary

    bag = _keep_bag(out)
    reports = {}
    with BagReader(bag) as reader:
        for finger in hand.fingers:
            namespace = f'/{hand.name}/{finger.name}'
            recorded = reader.finger(namespace).between(*span)
            numbers = summarise(watches[finger.name].since(span[0]), span, finger.frame_rate,
                                recorded)
            moments = recorded.moments()
            frames = {row: reader.frame(namespace, recorded, row) for row in moments}
            reports[finger.name] = FingerReport(
                numbers, recorded, _pictures(hand, finger, bag, moments, frames))
    write_summary(out / 'summary.json', hand, span,
                  {name: report.numbers for name, report in reports.items()})
    write_page(out / 'index.html', f'/{hand.name}', span, reports)
    print(f'{out / "index.html"}\n{out / "summary.json"}\n{bag}')


def _pictures(hand, finger, bag, moments, frames):
    """Overlays as the nodes saw the frames, (row, what, picture) each.

    Parameters
    ----------
    hand : Hand
    finger : Finger
    bag : Path
    moments : dict of int to str
    frames : dict of int to tuple or None
        From `BagReader.frame`; contact is found again with the recorded reference.
    """
    from tactile_nodes.core.contact import ContactStage
    from tactile_nodes.core.geometry import ImageGeometry
    from tactile_nodes.core.overlay import draw_overlay
    from tactile_nodes.errors import FileError
    from tactile_nodes.files.calibration import read_calibration
    from tactile_nodes.trials.frames import set_recorded_reference

    geometry, shading = ImageGeometry.usual(hand.height, hand.width), None
    if finger.calibration_file:
        calibration = read_calibration(finger.calibration_file)
        geometry, shading = calibration.geometry, calibration.shading
    stage = ContactStage(geometry, finger.elastomer, shading)
    try:
        set_recorded_reference(stage, bag, f'/{hand.name}/{finger.name}')
    except FileError:
        return []
    known = [(row, *frame) for row, frame in frames.items() if frame]
    return [(row, moments[row],
             draw_overlay(image, geometry, stage.process(image, markers), markers, estimate))
            for row, image, markers, estimate in known]


def _keep_bag(out):
    """Move the recording to `bag`; a recorder that was started again left several: the largest."""
    recordings = sorted((out / 'recording').iterdir(),
                        key=lambda folder: sum(file.stat().st_size for file in folder.iterdir()))
    recordings[-1].rename(out / 'bag')
    if len(recordings) == 1:
        (out / 'recording').rmdir()
    return out / 'bag'


def _make_folder(out):
    """Make the folder ready; nothing is touched in one that this command did not make."""
    try:
        if out.exists() and (not out.is_dir() or
                             (any(out.iterdir()) and not (out / _MARK).exists())):
            raise TactileError('the folder holds other things', where=str(out),
                               expected='an empty or new folder, or one of an earlier demo',
                               fix='Give another folder with --out.')
        out.mkdir(parents=True, exist_ok=True)
        (out / _MARK).touch()
        for made in (out / name for name in _MADE):
            if made.is_dir():
                shutil.rmtree(made)
            else:
                made.unlink(missing_ok=True)
    except OSError as error:
        raise TactileError(f'cannot write there ({error.strerror})', where=str(out)) from None


def _require_libraries():
    missing = [name for module, name in _LIBRARIES.items() if find_spec(module) is None]
    if missing:
        raise TactileError('the demo needs libraries that are not installed', found=missing,
                           fix='pip install ' + ' '.join(_LIBRARIES.values()))


def _count(text):
    value = int(text)
    if not 1 <= value <= 200:
        raise argparse.ArgumentTypeError(f'{text} is not from 1 to 200 trials')
    return value


def _seconds(text):
    value = float(text)
    if not 0 < value <= 3600:
        raise argparse.ArgumentTypeError(f'{text} is not from above 0 to 3600 seconds')
    return value
