# SPDX-License-Identifier: Apache-2.0
"""Trial files: what a recording is of, how it ended and what it was made with."""

import re
from dataclasses import dataclass, replace
from datetime import datetime, timedelta, timezone
from pathlib import Path

import yaml

from tactile_nodes.errors import DataError
from tactile_nodes.files.durable import write_durably
from tactile_nodes.files.section import read_section

FILE = 'trial.yaml'
STATES = ('recording', 'finished', 'repaired')
OUTCOMES = ('success', 'dropped', 'aborted')
_LABEL = re.compile(r'[^\W_][\w .,+%()=-]{0,59}')
_LONGEST_TEXT = 2000


@dataclass(frozen=True)
class Mark:
    """Something that happened `at` seconds after the start."""

    at: float
    text: str


@dataclass(frozen=True)
class TrialFinger:
    """What a finger was equipped with; files are relative to the trial's folder, '' for none."""

    serial: str
    elastomer: str
    calibration: str


@dataclass(frozen=True)
class Trial:
    """A recorded trial.

    Attributes
    ----------
    folder : Path
        Holds the bag and this file.
    hand : str
        Name of the hand, its namespace without slashes.
    object, condition, note : str
        '' where not given, as for the recording of a whole run.
    state : str
        'recording' (or left so by a crash), 'finished', or 'repaired' after a crash.
    outcome : str or None
        One of `OUTCOMES`; None while nobody has said it.
    drop_at : float or None
        When the object was dropped, s after the start.
    started : datetime
        With its time zone.
    duration : float or None
        s; None while recording.
    marks : tuple of Mark
    problem : str
        What ended the recording early or was lost; '' when all went well.
    hand_file : str
        Copy of the hand file, relative to the folder; '' where it was not known.
    fingers : dict of str to TrialFinger
    software : dict of str to str
        Versions.
    """

    folder: Path
    hand: str
    object: str
    condition: str
    note: str
    state: str
    outcome: str | None
    drop_at: float | None
    started: datetime
    duration: float | None
    marks: tuple[Mark, ...] = ()
    problem: str = ''
    hand_file: str = ''
    fingers: dict[str, TrialFinger] = None
    software: dict[str, str] = None

    @property
    def name(self):
        """Name of the folder."""
        return self.folder.name

    @property
    def start_ns(self):
        """When it started, ns since the epoch."""
        since = self.started - datetime(1970, 1, 1, tzinfo=timezone.utc)
        return since // timedelta(microseconds=1) * 1000

    def labelled(self, outcome, drop_at=None):
        """The same trial with its outcome; DataError for one that cannot be."""
        check_outcome(outcome, drop_at)
        return replace(self, outcome=outcome, drop_at=drop_at)


def check_label(what, text):
    """Return the name of an object or condition; DataError if it could not name a folder."""
    if not _LABEL.fullmatch(text):
        raise DataError('wrong name', where=what, found=text,
                        expected='1 to 60 letters, digits, spaces or _ . , + % ( ) = -, '
                                 'beginning with a letter or digit')
    return text


def check_text(what, text):
    """Return a note or mark; DataError if it is too long or has characters that do not print."""
    if len(text) > _LONGEST_TEXT or not text.replace('\n', ' ').replace('\t', ' ').isprintable():
        raise DataError('wrong text', where=what, found=text[:60],
                        expected=f'at most {_LONGEST_TEXT} printable characters')
    return text


def check_outcome(outcome, drop_at):
    """Raise DataError unless this is an outcome, with a time of drop only where one dropped."""
    if outcome not in OUTCOMES:
        raise DataError('wrong outcome', found=outcome, expected='one of ' + ', '.join(OUTCOMES))
    if drop_at is not None and outcome != 'dropped':
        raise DataError('a time of drop without a drop', found=outcome,
                        expected='the outcome dropped')
    if drop_at is not None and not 0 <= drop_at < 1e6:
        raise DataError('wrong time of drop', found=drop_at, expected='seconds after the start')


def read_trial(folder):
    """Read the trial file in a folder.

    Returns
    -------
    Trial

    Raises
    ------
    FileError
        Missing or wrong.
    """
    folder = Path(folder)
    top = read_section(folder / FILE)
    drop_at, duration = top.number('drop_at_s', None, low=0), top.number('duration_s', None, low=0)
    outcome = top.choice('outcome', OUTCOMES, None)
    marks = tuple(Mark(mark.number('at_s'), mark.text('text'))
                  for mark in top.sections('marks', ()))
    group = top.section('fingers', {})
    fingers = {name: _finger(group.section(name)) for name in group.names()}
    versions = top.section('software', {})
    software = {name: versions.text(name) for name in versions.names()}
    trial = Trial(
        folder=folder, hand=top.text('hand'), object=top.text('object', ''),
        condition=top.text('condition', ''), note=top.text('note', ''),
        state=top.choice('state', STATES), outcome=outcome, drop_at=drop_at,
        started=_time(top, 'started'), duration=duration, marks=marks,
        problem=top.text('problem', ''), hand_file=top.text('hand_file', ''), fingers=fingers,
        software=software)
    top.finish()
    return trial


def _finger(section):
    finger = TrialFinger(section.text('serial', ''), section.text('elastomer'),
                         section.text('calibration', ''))
    section.finish()
    return finger


def _time(top, key):
    text = top.text(key)
    try:
        time = datetime.fromisoformat(text)
    except ValueError:
        time = None
    if time is None or time.tzinfo is None:
        raise top.error(key, text, 'date and time with time zone, as 2026-01-31T12:00:00+00:00')
    return time


def write_trial(trial):
    """Write a trial's file so that at any moment the old or the new one is on the disk.

    Raises
    ------
    FileError
        It cannot be written; the old one is as it was.
    """
    content = {
        'hand': trial.hand, 'object': trial.object, 'condition': trial.condition,
        'note': trial.note, 'state': trial.state, 'outcome': trial.outcome,
        'drop_at_s': trial.drop_at, 'started': trial.started.isoformat(timespec='microseconds'),
        'duration_s': trial.duration,
        'marks': [{'at_s': round(mark.at, 3), 'text': mark.text} for mark in trial.marks],
        'problem': trial.problem, 'hand_file': trial.hand_file,
        'fingers': {name: {'serial': f.serial, 'elastomer': f.elastomer,
                           'calibration': f.calibration}
                    for name, f in (trial.fingers or {}).items()},
        'software': trial.software or {}}
    content = {key: value for key, value in content.items() if value not in ('', None, {}, [])}
    text = yaml.safe_dump(content, sort_keys=False, allow_unicode=True)
    write_durably(trial.folder / FILE, text)
