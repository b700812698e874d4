# SPDX-License-Identifier: Apache-2.0
"""`tactile bench`: what a frame costs, stage by stage and in the running hand."""

import argparse
import json
import os
import platform
import sys
import tempfile
from datetime import datetime
from pathlib import Path

from tactile_nodes import __version__
from tactile_nodes.cli.up import require_ros
from tactile_nodes.errors import TactileError

FINGERS, RATES = (1, 2, 4), (30, 60, 90)
_SPLIT = (1, 60)                     # fingers and rate that are also run one process per node
_GROWTH_FRAMES = 120
# what must hold: text, bound, unit
WHOLE_MS, SHARE_OF_FARNEBACK, CORES, P99_MS = 2.5, 0.25, 0.6, 8.0


def add_parser(subparsers):
    """Describe the subcommand."""
    parser = subparsers.add_parser(
        'bench', help='measure what a frame costs on this machine',
        description='Measure every stage beside other methods on the same frames, how the cost '
                    'grows, and the running hand (rate, drops, latency, processor, memory). '
                    'Takes some minutes; nothing else should run meanwhile. The exit code is 1 '
                    'when a budget is exceeded.')
    parser.add_argument('--out', type=Path, default=Path('bench'), metavar='DIR',
                        help='folder for bench.json and index.html (default: bench)')
    parser.add_argument('--seconds', type=_seconds, default=10.0, metavar='S',
                        help='how long each hand is measured (default 10)')
    parser.add_argument('--json', action='store_true', help='print the numbers as JSON')
    parser.set_defaults(run=run)


def run(args):
    """Measure and report; 0 when all budgets hold, else 1."""
    import cv2

    require_ros()
    cv2.setNumThreads(1)
    os.environ.setdefault('ROS_AUTOMATIC_DISCOVERY_RANGE', 'LOCALHOST')
    os.environ.setdefault('ROS_DOMAIN_ID', str(1 + os.getpid() % 100))
    try:
        args.out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise TactileError(f'cannot write there ({error.strerror})', where=str(args.out)) from None
    numbers = {'software_version': __version__, 'began': datetime.now().astimezone().isoformat(),
               'machine': machine()} | _measure(args.seconds)
    numbers['budgets'] = budgets(numbers)
    text = json.dumps(numbers, indent=2)
    (args.out / 'bench.json').write_text(text + '\n', encoding='utf-8')
    from tactile_nodes.cli.bench_page import write_page

    write_page(args.out / 'index.html', numbers)
    print(text if args.json else '\n'.join(lines(numbers)))
    _say(f'{args.out / "index.html"}')
    return 0 if all(budget['holds'] for budget in numbers['budgets']) else 1


def machine():
    """What the numbers were measured on."""
    model = platform.processor() or platform.machine()
    for line in Path('/proc/cpuinfo').read_text(encoding='utf-8').splitlines():
        if line.startswith('model name'):
            model = line.partition(':')[2].strip()
            break
    return {'processor': model, 'cores': len(os.sched_getaffinity(0)),
            'python': platform.python_version()}


def budgets(numbers):
    """What must hold, as list of {what, found, bound, holds}."""
    from tactile_nodes.cli.bench_stages import FARNEBACK, WHOLE

    whole, dense = numbers['stages'][WHOLE][0], numbers['stages'][FARNEBACK][0]
    hand = next(row for row in numbers['hand'] if row['fingers'] == 4 and row['rate'] == 60
                and row['layout'] == 'composed')
    table = [('whole finger without overlay, ms a frame', whole, WHOLE_MS),
             ('the same over one dense Farneback call', whole / dense, SHARE_OF_FARNEBACK),
             ('4 fingers x 60 frames/s, processing and publishing, cores',
              hand['cores'] - hand['source_cores'], CORES),
             ('4 fingers x 60 frames/s, exposure to wrench, p99 ms', hand['latency_ms']['p99'],
              P99_MS)]
    return [{'what': what, 'found': round(found, 3), 'bound': bound, 'holds': found <= bound}
            for what, found, bound in table]


def lines(numbers):
    """The report as lines of text."""
    from tactile_nodes.cli.bench_stages import FARNEBACK

    dense = numbers['stages'][FARNEBACK][0]
    yield f'{"per frame, one thread, ms":38} {"median":>8} {"quartiles":>17} {"of Farneback":>13}'
    for name, (middle, low, high) in numbers['stages'].items():
        yield f'{name:38} {middle:8.3f} {low:8.3f} {high:8.3f} {middle / dense:13.3f}'
    yield ''
    for what, key in (('image', 'by_size'), ('markers', 'by_markers')):
        row = ', '.join(f'{name}: {value:.2f}' for name, value in numbers[key].items())
        yield f'whole finger, ms, by {what}: {row}'
    yield ''
    yield (f'{"fingers x rate":22} {"rate":>7} {"dropped":>8} {"p50":>6} {"p99":>6} {"p99.9":>6} '
           f'{"cores":>6} {"source":>7} {"MB":>6}')
    for row in numbers['hand']:
        name = f'{row["fingers"]} x {row["rate"]} {row["layout"]}'
        late = row['latency_ms']
        yield (f'{name:22} {row["rate_hz"]:7.2f} {100 * row["dropped"]:7.2f}% {late["p50"]:6.1f} '
               f'{late["p99"]:6.1f} {late["p99.9"]:6.1f} {row["cores"]:6.2f} '
               f'{row["source_cores"]:7.2f} {row["memory_mb"]:6.1f}')
    yield ''
    for budget in numbers['budgets']:
        mark = 'holds' if budget['holds'] else 'EXCEEDED'
        yield f'{budget["what"]}: {budget["found"]:g}, at most {budget["bound"]:g}: {mark}'


def _measure(seconds):
    from tactile_nodes.cli import bench_stages as stages
    from tactile_nodes.files.calibration import read_calibration
    from tactile_nodes.files.hand import read_hand
    from tactile_nodes.hand.resources import shipped

    hand = read_hand(shipped('config/four_finger_hand.yaml'))
    finger = hand.fingers[0]
    calibration = read_calibration(finger.calibration_file)
    _say('rendering')
    shot = stages.footage(hand, finger, calibration)
    _say('stages and other methods on the same frames')
    found = {'stages': stages.compare(shot)}
    found['by_size'], found['by_markers'] = {}, {}
    for width, height in stages.SIZES:
        _say(f'image size {width}x{height}')
        part = stages.footage(hand, finger, calibration, frames=_GROWTH_FRAMES,
                              size=(width, height))
        found['by_size'][f'{width}x{height}'] = stages.growth(part)[0]
    for pitch in stages.PITCHES_MM:
        _say(f'marker pitch {pitch:g} mm')
        part = stages.footage(hand, finger, calibration, frames=_GROWTH_FRAMES,
                              pitch=pitch * 1e-3)
        cost, markers = stages.growth(part)
        found['by_markers'][str(markers)] = cost
    found['hand'] = _hands(hand, shot, seconds, found['stages']['decode (JPEG)'][0])
    return found


def _hands(hand, shot, seconds, decode_ms):
    """Numbers of every hand, each {fingers, rate, layout, ...}."""
    from tactile_nodes.cli.bench_hand import measure, recorded_hand

    runs = [(fingers, rate, 'composed') for fingers in FINGERS for rate in RATES]
    runs.append((*_SPLIT, 'split'))
    rows = []
    with tempfile.TemporaryDirectory(prefix='tactile_nodes_') as folder:
        for i, jpeg in enumerate(shot.jpegs):
            (Path(folder) / f'{i:05d}.jpg').write_bytes(jpeg.tobytes())
        for fingers, rate, layout in runs:
            _say(f'hand of {fingers} x {rate} frames/s, {layout}')
            numbers = measure(recorded_hand(hand, folder, fingers, rate), seconds, layout)
            source = fingers * numbers['rate_hz'] * decode_ms / 1e3
            rows.append({'fingers': fingers, 'rate': rate, 'layout': layout, **numbers,
                         'source_cores': round(source, 3)})
    return rows


def _say(text):
    print(text, file=sys.stderr, flush=True)


def _seconds(text):
    value = float(text)
    if not 1 <= value <= 600:
        raise argparse.ArgumentTypeError(f'{text} is not from 1 to 600 seconds')
    return value
