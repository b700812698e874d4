# SPDX-License-Identifier: Apache-2.0
"""`tactile process`: recordings through the live core, into tables of wrenches."""

import hashlib
import json
import os
import sys
from contextlib import ExitStack, nullcontext
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from tactile_nodes import __version__
from tactile_nodes.cli.progress import Progress
from tactile_nodes.cli.report import add_many, make_folder
from tactile_nodes.errors import FileError, TactileError

_KEPT = '.processed.json'    # what the tables are made of, to go on from
_TABLE, _MOVIE = 'wrench.csv', 'overlay.mp4'


@dataclass(frozen=True)
class Job:
    """One finger's images of one recording.

    Attributes
    ----------
    recording : Path
    out : Path
        Folder for the results.
    calibration : Path
    topic : str or None
        Image topic; None for the only one.
    """

    recording: Path
    out: Path
    calibration: Path
    topic: str | None


def add_parser(subparsers):
    """Describe the subcommand."""
    parser = subparsers.add_parser(
        'process', help='work recordings through, into wrench.csv',
        description='Work the images of a recording through, exactly as the nodes do live, and '
                    'write DIR/wrench.csv: one line per image with wrench, standard deviation, '
                    'place and area of the contact, stick ratio and slip. The no-contact '
                    'reference is the recorded one, else the first untouched frames at rest. '
                    'Several recordings get a folder each, DIR/<name>; those that are done '
                    'already and have not changed are kept. A trial is worked through with the '
                    'calibrations in it, into a folder for each finger.')
    parser.add_argument('bags', nargs='+', metavar='BAG', type=Path,
                        help='bag folder, .mcap or .db3 file, folder of images, trial, or folder '
                             'of bags')
    parser.add_argument('--calibration', metavar='CAL.yaml', type=Path,
                        help='calibration of the fingertip and elastomer that were recorded; '
                             'trials have their own')
    parser.add_argument('--out', metavar='DIR', type=Path, required=True,
                        help='folder for the results; a wrench.csv in it is replaced')
    parser.add_argument('--image-topic', metavar='TOPIC',
                        help='image topic, where a bag has several cameras')
    parser.add_argument('--overlay', action='store_true',
                        help='write overlay.mp4 too: the images with what was found in them')
    add_many(parser)
    parser.set_defaults(run=run)


def run(args):
    """Process and write; 0 when it is written, 2 when nothing could be."""
    from tactile_nodes.files.calibration import read_calibration
    from tactile_nodes.trials.store import check_names

    serial = read_calibration(args.calibration).serial if args.calibration else None
    paths = _recordings(args.bags)
    one = len(paths) == 1 and paths == args.bags
    if one and serial and not args.cluster:
        work(*_jobs(paths[0], args.out, serial, args), overlay=args.overlay, aloud=True)
        return 0
    out = _absolute(args.out)
    paths = [_absolute(path) for path in paths]
    check_names(paths)
    jobs, left_out = [], []
    for path in paths:
        try:
            jobs += _jobs(path, out if one else out / path.name, serial, args)
        except TactileError as error:
            left_out.append(str(error))
    found = _work_all(jobs, out, args)
    left_out += [str(result) for result in found.values() if isinstance(result, TactileError)]
    for why in left_out:
        print(f'left out: {why}', file=sys.stderr)
    done = {job: text for job, text in found.items() if not isinstance(text, TactileError)}
    if not done:
        raise FileError('nothing could be processed', where=', '.join(map(str, args.bags)))
    for job, text in done.items():
        print(f'{args.out / job.out.relative_to(out)}: {text}')
    print(f'{args.out}: {len(done)} processed'
          + (f', {len(left_out)} left out' if left_out else ''))
    return 0


def work(job, *, overlay, aloud=False):
    """Process one recording and write what is found.

    Parameters
    ----------
    job : Job
    overlay : bool
        Whether to write the movie too.
    aloud : bool
        Print what is done, with progress.

    Returns
    -------
    str
        How many frames there were, in words.
    """
    import cv2

    from tactile_nodes.core.overlay import draw_overlay
    from tactile_nodes.files.calibration import read_calibration
    from tactile_nodes.trials.offline import Recording, prepare, work_through
    from tactile_nodes.trials.results import Movie, WrenchTable

    say = print if aloud else lambda text: None
    show = Progress if aloud else lambda *_: nullcontext(lambda done: None)
    cv2.setNumThreads(1)        # as the nodes
    calibration = read_calibration(job.calibration)
    recording = Recording(job.recording, job.topic)
    say(f'images     {recording.topic or recording.path}')
    with show('looking for the reference') as progress:
        start = prepare(recording, calibration, progress)
    say(f'reference  {start.about}')
    make_folder(job.out)
    touched = done = 0
    with ExitStack() as stack:
        table = stack.enter_context(WrenchTable(job.out / _TABLE))
        movie = stack.enter_context(
            Movie(job.out / _MOVIE, start.frame_rate)) if overlay else None
        progress = stack.enter_context(show('processing', start.frames))
        for frame, contact, markers, estimate in work_through(recording, calibration, start):
            table.add(frame.stamp_ns, contact, estimate)
            if movie is not None:
                movie.add(draw_overlay(frame.image, calibration.geometry, contact, markers,
                                       estimate))
            touched += contact.in_contact
            done += 1
            progress(done)
    lost = ', '.join(f'{count} {what}' for what, count in sorted(recording.dropped.items()))
    found = f'{done}, {touched} of them in contact' + (f'; dropped: {lost}' if lost else '')
    say(f'frames     {found}')
    say('written    ' + ', '.join(str(job.out / name) for name in _results(job, overlay)))
    return f'frames {found}'


def _recordings(paths):
    """Recordings that are meant: each path is one, or a folder of bags."""
    from tactile_nodes.device.bags import is_bag

    found = []
    for path in paths:
        inside = [] if is_bag(path) else [part for part in sorted(path.glob('*')) if is_bag(part)]
        found += inside or [path]
    return list(dict.fromkeys(found))


def _jobs(path, out, serial, args):
    """Jobs of one recording: one, or of a trial without `args.calibration` one per finger."""
    from tactile_nodes.files.trial import FILE, read_trial
    from tactile_nodes.trials.store import load_trial

    is_trial = (path / FILE).exists()
    if serial is not None:
        topic = args.image_topic
        if topic is None and is_trial:
            trial = read_trial(path)
            topic = next((_image_topic(trial, name) for name, finger in trial.fingers.items()
                          if finger.serial == serial), None)
        return [Job(path, out, _absolute(args.calibration), topic)]
    if not is_trial:
        raise FileError('no calibration', where=str(path), expected='--calibration CAL.yaml',
                        fix='Only trials have their own.')
    trial, jobs = load_trial(path), []
    for name, finger in trial.fingers.items():
        topic = _image_topic(trial, name)
        if finger.calibration and args.image_topic in (None, topic):
            jobs.append(Job(path, out / name, path / finger.calibration, topic))
    if not jobs:
        raise FileError('no such finger with a calibration in this trial', where=str(path),
                        fix='Name the calibration of the finger that is meant: --calibration.')
    return jobs


def _image_topic(trial, finger):
    """Where the images of a finger of a trial are."""
    from tactile_nodes.device.bags import Bag

    topic = f'/{trial.hand}/{finger}/image_raw'
    return topic if topic in Bag(trial.folder).topics else f'{topic}/compressed'


def _work_all(jobs, out, args):
    """Do what is not done yet.

    Returns
    -------
    dict of Job to str or TactileError
        What was found, in order, also by earlier runs.
    """
    from tactile_nodes.files.durable import write_durably
    from tactile_nodes.trials.many import for_each, read_kept

    make_folder(out)
    kept = read_kept(out / _KEPT)
    made_of = {job: _made_of(job) for job in jobs}
    results = {job: kept[str(job.out)]['found'] for job in jobs
               if _is_current(kept.get(str(job.out)), job, made_of[job], args.overlay)}
    todo = [job for job in jobs if job not in results]
    with Progress('processing', len(todo), 'recordings') as progress:
        for count, (job, result) in enumerate(
                for_each(partial(work, overlay=args.overlay), todo, workers=args.workers,
                         cluster=args.cluster), 1):
            results[job] = result
            if not isinstance(result, TactileError):
                kept[str(job.out)] = {'made_of': made_of[job], 'found': result,
                                      'results': _results(job, args.overlay)}
                write_durably(out / _KEPT, json.dumps(kept))
            progress(count)
    return {job: results[job] for job in jobs}


def _is_current(entry, job, made_of, overlay):
    """Whether the results of an earlier run are whole and of the same things."""
    return entry is not None and entry['made_of'] == made_of \
        and _results(job, overlay).items() <= entry['results'].items()


def _made_of(job):
    """What changes when recording, calibration or software do."""
    from tactile_nodes.device.bags import SUFFIXES as BAGS
    from tactile_nodes.device.images import SUFFIXES as IMAGES

    files = [job.recording] if job.recording.is_file() else [
        file for file in sorted(job.recording.glob('*')) if file.suffix.lower() in BAGS + IMAGES]
    try:
        calibration = hashlib.sha256(job.calibration.read_bytes()).hexdigest()
    except OSError:
        calibration = None               # who reads it says why
    return [__version__, job.topic, calibration, [[str(file), _state(file)] for file in files]]


def _results(job, overlay):
    """{name: state} of the files that are written."""
    return {name: _state(job.out / name) for name in (_TABLE, _MOVIE)[:2 if overlay else 1]}


def _state(file):
    """Size and time of change; None of a file that is not there."""
    return [file.stat().st_size, file.stat().st_mtime_ns] if file.exists() else None


def _absolute(path):
    return Path(os.path.abspath(path))
