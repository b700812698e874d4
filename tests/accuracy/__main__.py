# SPDX-License-Identifier: Apache-2.0
"""How well the commands measure, on recordings of an independent model of fingertips.

    python -m tests.accuracy [--seed N] [--skin marked|plain|clear ...] [--keep DIR]

Records press sessions (kept in the user's cache for the next run), calibrates with
`tactile calibrate`, works other sessions through with `tactile process`, and prints what was
achieved against the targets. Exit code 0: every target met; 1: not.
"""

import argparse
import hashlib
import os
import shutil
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from pathlib import Path

import numpy as np

from tests.accuracy import figures, sessions, steady

_HERE = Path(__file__).parent
_MODEL = ('elastic', 'grid', 'contact', 'indenters', 'fingertip', 'press', 'optics', 'session',
          'sessions', 'bag')


def planned(seed, skin):
    """(training session, sessions to be judged by) of a fingertip and skin."""
    if skin != 'marked':
        return sessions.train(seed, skin, 30), [
            sessions.other(shape, seed, skin, 5) for shape in ('ball', 'box', 'cylinder')]
    return sessions.train(seed, count=42), [
        *(sessions.other(shape, seed, count=6) for shape in sessions.TEST_INDENTERS),
        sessions.light_taps(seed, count=40), sessions.two_ridges(seed),
        sessions.slip(seed, frictions=(0.3, 0.6, 1.0), loads=(0.5, 1.5, 3.0, 6.0)),
        sessions.idle_drift(seed)]


def cache():
    """Folder for recordings made by these very sources."""
    digest = hashlib.sha256()
    for name in _MODEL:
        digest.update((_HERE / f'{name}.py').read_bytes())
    base = Path(os.environ.get('XDG_CACHE_HOME') or Path.home() / '.cache')
    folder = base / 'tactile_nodes' / 'accuracy' / digest.hexdigest()[:16]
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def record(session, folder):
    """Record a session unless it is there already; returns its folder and the seconds it took."""
    import cv2

    from tests.accuracy.session import Recorder

    cv2.setNumThreads(1)
    start, done = time.monotonic(), folder / f'{session.name}_{len(session.plans)}'
    if not done.exists():
        part = Path(tempfile.mkdtemp(prefix='.part', dir=folder))
        try:
            Recorder(session, part).record()
            part.rename(done)
        finally:
            shutil.rmtree(part, ignore_errors=True)
    return done, time.monotonic() - start


def tactile(log, *words):
    """Run the `tactile` command; its output goes to `log`. True when it said 0."""
    environment = {**os.environ, 'OMP_NUM_THREADS': '1', 'OPENBLAS_NUM_THREADS': '1'}
    with open(log, 'w', encoding='utf-8') as file:
        return subprocess.run([sys.executable, '-m', 'tactile_nodes.cli.main', *map(str, words)],
                              stdout=file, stderr=subprocess.STDOUT, check=False, cwd=_HERE,
                              env=environment).returncode == 0


def calibrate(folder, out):
    """Calibrate from a training session as a user would; None where that failed."""
    calibration = out / f'{folder.name}.yaml'
    words = ['calibrate', folder / 'bag', '--elastomer', folder / 'elastomer.yaml', '--out',
             calibration, '--indentations', folder / 'indentations.csv']
    return calibration if tactile(out / f'{folder.name}.log', *words) else None


def process(folder, calibration, out):
    """Work a session through; figures.Result, None where that failed."""
    results = out / folder.name
    if not tactile(out / f'{folder.name}.log', 'process', folder / 'bag', '--calibration',
                   calibration, '--out', results):
        return None
    return figures.Result(results / 'wrench.csv', np.load(folder / 'truth.npz'))


def depth_maps(folder, calibration):
    """Depth that the live core finds in the frames for which the session knows the truth."""
    from tactile_nodes.files.calibration import read_calibration
    from tactile_nodes.trials.offline import Recording, prepare, work_through

    truth = np.load(folder / 'truth.npz')
    stamps = {round((truth['first_stamp'] + truth['t'][f]) * 1e6): int(f)
              for f in truth['map_frame']}
    calibration, recording = read_calibration(calibration), Recording(folder / 'bag')
    maps = {}
    for frame, contact, *_ in work_through(recording, calibration,
                                           prepare(recording, calibration)):
        known = stamps.get(round(frame.stamp_ns / 1e3))
        if known is not None:
            maps[known] = contact.depth
    return maps


def judge(name, folder, calibration, result):
    """Figures of one processed session by what it is for."""
    skin, what = name.split('_', 1)
    title = f'{skin}, {what.replace("_", " ")}'
    if what == 'light_taps':
        return figures.touch_figures(result, title)
    if what == 'slip':
        return figures.slip_figures(result, title)
    if what == 'idle_drift':
        return figures.idle_figures(result, title)
    if what == 'two_ridges':
        return figures.ridge_figures(depth_maps(folder, calibration), result.truth, title)
    judged = skin == 'marked'
    found = figures.wrench_figures(result, title, judged) \
        + figures.place_figures(result, title, judged)
    if what == 'ball' and skin != 'clear':
        maps = depth_maps(folder, calibration)
        found += figures.depth_figures(maps, result.truth, title)
    return found


def _say(figure):
    """Print a figure; whether it misses its target."""
    mark = '  ' if figure.target is None else 'ok' if figure.met else '--'
    target = '' if figure.target is None \
        else f'{"at least" if figure.more else "at most"} {figure.target:g}'
    print(f'{mark}  {figure.what:<72} {figure.value:8.3g} {figure.unit:<5} {target}', flush=True)
    return not figure.met


def _arguments():
    parser = argparse.ArgumentParser(prog='python -m tests.accuracy', description=__doc__,
                                     formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument('--seed', type=int, default=1, help='which fingertip (default 1)')
    parser.add_argument('--skin', nargs='+', choices=sorted(sessions.KINDS),
                        default=['marked', 'plain', 'clear'], help='which elastomers')
    parser.add_argument('--keep', type=Path, metavar='DIR',
                        help='folder for calibrations, reports, tables and logs')
    return parser.parse_args()


def _run(args, out):
    workers = min(os.cpu_count() or 1, 8)
    plans = {skin: planned(args.seed, skin) for skin in args.skin}
    recordings, missed = cache(), 0
    for older in recordings.parent.glob('*'):
        if older != recordings:
            shutil.rmtree(older)
    with ProcessPoolExecutor(workers) as makers, ThreadPoolExecutor(workers) as runners:
        made = {s.name: makers.submit(record, s, recordings)
                for train, tests in plans.values() for s in (train, *tests)}
        held, early = [], []
        for skin, (train, tests) in plans.items():
            folder, seconds = made[train.name].result()
            print(f'\n{skin}: fingertip {args.seed}, {len(train.plans)} training presses '
                  f'(recorded in {seconds:.0f} s)', flush=True)
            start = time.monotonic()
            calibration = calibrate(folder, out)
            if calibration is None:
                print((out / f'{folder.name}.log').read_text(encoding='utf-8'))
                missed += 1
                continue
            print(f'calibrated in {time.monotonic() - start:.0f} s', flush=True)
            if skin == 'marked':
                held = [makers.submit(steady.hold, args.seed, calibration, part, workers)
                        for part in range(workers)]
            running = [runners.submit(_measure, made[s.name], s, calibration, out)
                       for s in tests]
            measured = [r.result() for r in running]
            if skin == 'marked':
                early = [figures.early_alarms(r) for r, _ in measured if r is not None]
            missed += _table(skin, measured)
        if held:
            print()
            missed += _say(figures.alarm_figure(early + [p.result() for p in held], 'marked, all'))
    return missed


def _measure(made, session, calibration, out):
    folder, _ = made.result()
    result = process(folder, calibration, out)
    if result is None:
        return None, [figures.Figure(f'{session.name}: processed', float('nan'), 0)]
    name = session.name.removeprefix('test_').rpartition('_')[0]
    for kind in ('slip', 'idle_drift'):
        if name.startswith(kind):
            name = f'{name.removeprefix(kind + "_")}_{kind}'
    return (result if result.truth['press_load'].max() > 0.2 else None,
            judge(name, folder, calibration, result))


def _table(skin, measured):
    found = [f for _, group in measured for f in group]
    results = [r for r, _ in measured if r is not None]
    if results:
        found += figures.coverage_figures(results, f'{skin}, all', skin == 'marked')
    return sum(_say(figure) for figure in found)


def main():
    """Print the table; 0 when every target is met."""
    args, start = _arguments(), time.monotonic()
    if args.keep:
        args.keep.mkdir(parents=True, exist_ok=True)
        missed = _run(args, args.keep.resolve())
    else:
        with tempfile.TemporaryDirectory(prefix='accuracy') as folder:
            missed = _run(args, Path(folder))
    print(f'\n{missed} targets missed; {time.monotonic() - start:.0f} s')
    return int(missed > 0)


if __name__ == '__main__':
    sys.exit(main())
