# SPDX-License-Identifier: Apache-2.0
"""Folders of trials: naming them, finding them, bringing what a crash left into order."""

import re
from collections import Counter
from dataclasses import replace
from datetime import datetime, timezone
from pathlib import Path

from tactile_nodes import __version__
from tactile_nodes.errors import FileError, TactileError
from tactile_nodes.files.trial import FILE, read_trial, write_trial
from tactile_nodes.trials.bag_repair import being_recorded, is_finished, repair_bag


def new_folder(output, hand, object_name, condition, now):
    """Path for a new trial, `<hand>_<date>_<time>[_<object>][_<condition>]`; not made yet.

    Parameters
    ----------
    output : Path
    hand, object_name, condition : str
        The last two may be ''.
    now : datetime
    """
    parts = [hand, f'{now.astimezone():%Y-%m-%d_%H-%M-%S}', object_name, condition]
    base = '_'.join(re.sub(r'[^\w.+=-]+', '-', part).strip('-') for part in parts if part)
    folder, count = Path(output) / base, 1
    while folder.exists():
        count += 1
        folder = Path(output) / f'{base}_{count}'
    return folder


def trial_folders(paths):
    """Folders of trials among `paths`: each is one, or holds some.

    Raises
    ------
    FileError
        A path is missing, or there is no trial in it.
    """
    found = {}
    for path in map(Path, paths):
        if not path.is_dir():
            raise FileError('no such folder', where=str(path), fix='Check the path.')
        inside = [path] if _is_trial(path) else sorted(
            folder for folder in path.iterdir() if folder.is_dir() and _is_trial(folder))
        if not inside:
            raise FileError('no trial in this folder', where=str(path),
                            expected=f'folders with a bag and a {FILE}')
        found.update({folder.resolve(): folder for folder in inside})
    return list(found.values())


def check_names(folders):
    """Raise FileError where two recordings have the same name: it names what is made of them."""
    twice = [name for name, count in Counter(f.name for f in folders).items() if count > 1]
    if twice:
        raise FileError('two recordings have the same name', found=twice[0],
                        expected='names that differ', fix='Rename one of the folders.')


def load_trial(folder):
    """Trial of a folder that can be worked with: finished, its bag whole.

    Raises
    ------
    FileError
        It is being recorded, was left unfinished, or its file is wrong.
    """
    trial = read_trial(folder)
    if trial.state == 'recording':
        if being_recorded(folder):
            raise FileError('is being recorded', where=str(folder), fix='Stop the trial first.')
        raise FileError('was not finished', where=str(folder),
                        fix=f'Run: tactile trial repair {folder}')
    if not is_finished(folder):
        raise FileError('the bag is not whole', where=str(folder),
                        fix=f'Run: tactile trial repair {folder}')
    return trial


def repair_trial(folder):
    """Finish what a crash left of a trial, and mark it as repaired.

    Returns
    -------
    str or None
        What was done; None when there was nothing to do.

    Raises
    ------
    FileError
        See `bag_repair.repair_bag`.
    """
    folder = Path(folder)
    trial = _read_if_there(folder)
    if is_finished(folder) and (trial is None or trial.state != 'recording'):
        return None
    repaired = repair_bag(folder)
    end = _end_ns(folder) if repaired is None else repaired.last_ns
    cut = repaired.cut if repaired else 0
    problem = f'the recorder died: repaired, {cut} torn bytes at the end set aside'
    if trial is not None and trial.state == 'recording':
        duration = max(0.0, ((end or trial.start_ns) - trial.start_ns) * 1e-9)
        write_trial(replace(trial, state='repaired', duration=round(duration, 3),
                            problem=problem))
    count = repaired.messages if repaired else _count(folder)
    return f'{count} messages are whole, {cut} torn bytes at the end set aside'


def repair_all(output):
    """Repair every trial in a folder that no recorder writes.

    Yields
    ------
    (Path, str or TactileError)
        What was done to which folder, or why it could not be.
    """
    for folder in sorted(Path(output).iterdir()):
        if not folder.is_dir() or not _is_trial(folder):
            continue
        try:
            if being_recorded(folder):
                continue
            done = repair_trial(folder)
        except TactileError as error:
            done = error
        if done is not None:
            yield folder, done


def state_of(folder):
    """What changes when a trial is labelled, repaired or replaced, or with this software."""
    files = sorted([folder / 'trial.yaml', *folder.glob('*.mcap')])
    return [__version__, str(folder),
            *([file.name, file.stat().st_size, file.stat().st_mtime_ns] for file in files
              if file.exists())]


def utc_now():
    """Date and time with a time zone."""
    return datetime.now(timezone.utc)


def _is_trial(folder):
    return (folder / FILE).exists() or (folder / 'metadata.yaml').exists() \
        or any(folder.glob('*.mcap'))


def _read_if_there(folder):
    return read_trial(folder) if (folder / FILE).exists() else None


def _information(folder):
    import yaml
    text = (folder / 'metadata.yaml').read_text(encoding='utf-8')
    return yaml.safe_load(text)['rosbag2_bagfile_information']


def _end_ns(folder):
    known = _information(folder)
    return known['starting_time']['nanoseconds_since_epoch'] + known['duration']['nanoseconds']


def _count(folder):
    return _information(folder)['message_count']
