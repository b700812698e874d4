# SPDX-License-Identifier: Apache-2.0
"""Records one trial after another; watches the disk and stops cleanly before data is lost.

Messages come in one thread and are written in another, so that a disk that is busy holds up
nothing. On a machine that is busy the other may be late: then who brings a message writes what has
waited, so that what a crash loses does not depend on two threads. What waits for the disk is
announced long before it is too much.
"""

import os
import shutil
import threading
import time
from collections import deque
from dataclasses import replace
from pathlib import Path

from tactile_nodes import __version__
from tactile_nodes.errors import DataError, FileError, TactileError
from tactile_nodes.files.durable import sync_folder
from tactile_nodes.files.hand import read_hand
from tactile_nodes.files.trial import (
    Mark,
    Trial,
    TrialFinger,
    check_label,
    check_outcome,
    check_text,
    write_trial,
)
from tactile_nodes.trials.bag import BagWriter, learn, message_definitions
from tactile_nodes.trials.bag_repair import repair_bag
from tactile_nodes.trials.store import new_folder, utc_now

MOST_WAITING = 256 * 2**20       # bytes that may wait for the disk
LEAST_FREE = 16 * 2**20          # bytes of disk that stay free, so that a bag can be finished
_RESERVE_SECONDS = 2.0           # of recording that must always fit as well
_WARN_SECONDS = 60.0             # of recording that fit, below which the user is warned
_LATE = 1.0                      # s that messages wait for the disk, above which he is warned
_UNSAFE = 2.0                    # s after which written data should be on the disk
_BATCH = 0.05                    # s between two writes
_OVERDUE = 0.15                  # s that messages have waited when another thread writes them
_LOOKS = 40                      # of `watch`, over which the rate of writing is taken
_SETUP = 'setup'                 # folder for the copies of hand file and calibrations
_RESERVE = '.reserve'            # room that is given free to finish a bag on a full disk


class TrialRecorder:
    """Records trials of a hand below a folder.

    Parameters
    ----------
    output : path
    hand : str
        Name of the hand.
    fingers : sequence of str
        Names of those recorded.
    hand_file : path, optional
        Copied into each trial with the calibrations it names.

    Attributes
    ----------
    trial : Trial or None
        The one being recorded.
    warning : str
        What threatens the recording; '' when all is well.
    problem : str
        What ended the last recording early; '' when nothing did.
    """

    def __init__(self, output, hand, fingers, hand_file=None):
        self._output, self._hand, self._fingers = Path(output), hand, fingers
        self._hand_file = Path(hand_file) if hand_file else None
        self.trial, self.warning, self.problem = None, '', ''
        self._bag = self._writer = None
        self._queue, self._turn = deque(), threading.Lock()

    def start(self, object_name='', condition='', note=''):
        """Begin a trial; topics are added next.

        Returns
        -------
        Trial

        Raises
        ------
        TactileError
            One is being recorded, a name is wrong, or the folder cannot be written.
        """
        if self.trial is not None:
            raise DataError('a trial is being recorded', where=str(self.trial.folder),
                            fix='Stop it first.')
        for what, name in (('object', object_name), ('condition', condition)):
            if name:
                check_label(what, name)
        check_text('note', note)
        free = self._free(self._output)
        if free is not None and free < 2 * LEAST_FREE:
            raise FileError('the disk is full', where=str(self._output), found=_size(free),
                            expected=f'at least {_size(2 * LEAST_FREE)} free')
        now, self._began = utc_now(), time.monotonic()
        self._bag = BagWriter(new_folder(self._output, self._hand, object_name, condition, now))
        folder = self._bag.folder
        try:
            self._reserve(folder)
            hand_file, fingers = self._copy_setup(folder)
            trial = Trial(folder, self._hand, object_name, condition, note, 'recording', None,
                          None, now, None, hand_file=hand_file, fingers=fingers,
                          software={'tactile_nodes': __version__,
                                    'ros_distro': os.environ.get('ROS_DISTRO', 'unknown')})
            write_trial(trial)
            sync_folder(self._output)
        except TactileError:
            self._bag.close()
            raise
        self._queue = deque()
        self._taken = self._written = 0
        self._failure, self._ending = None, threading.Event()
        self._fetched = time.monotonic()          # when the writer last took all that waited
        self._sizes = deque([(time.monotonic(), 0)], maxlen=_LOOKS)
        self.trial, self.warning, self.problem = trial, '', ''
        self._writer = threading.Thread(target=self._write, name='bag', daemon=True)
        self._writer.start()
        return trial

    def add_topic(self, name, message_type, *, depth=10, latched=False):
        """Announce a topic, see `BagWriter.add_topic`."""
        self._bag.add_topic(name, message_type, depth=depth, latched=latched)

    @staticmethod
    def check_type(message_type):
        """Raise TactileError unless a type of message is known."""
        learn(message_definitions(), message_type)

    def put(self, topic, data, received_ns):
        """Take a message; it is written soon, in another thread unless that is late."""
        self._taken += len(data)
        self._queue.append((topic, data, received_ns, received_ns))
        if self._late() > _OVERDUE and self._turn.acquire(blocking=False):
            try:
                self._write_waiting()
            finally:
                self._turn.release()

    def mark(self, text):
        """Note that something happened just now; on the disk when this returns."""
        trial = self._recording()
        if not check_text('mark', text).strip():
            raise DataError('a mark needs a text')
        at = time.monotonic() - self._began
        self.trial = replace(trial, marks=(*trial.marks, Mark(round(at, 3), text)))
        write_trial(self.trial)
        return self.trial.marks[-1]

    def stop(self, outcome=None, drop_at=None):
        """End the trial and label it; everything that came is in the bag when this returns.

        Parameters
        ----------
        outcome : str, optional
            One of `OUTCOMES`; None leaves it to be labelled later.
        drop_at : float, optional
            s after the start.

        Returns
        -------
        Trial
            Its `problem` says what was lost, if anything was.
        """
        trial = self._recording()
        if outcome is not None:
            check_outcome(outcome, drop_at)
        return self._end(replace(trial, outcome=outcome, drop_at=drop_at), '')

    def watch(self, announce=lambda problem: None):
        """Look after disk and queue; call a few times a second.

        Parameters
        ----------
        announce : callable
            Called with the reason before a recording is ended, which may take a while.

        Returns
        -------
        Trial or None
            The trial that had to be ended, with its `problem`.
        """
        if self.trial is None:
            return None
        problem = str(self._failure) if self._failure is not None else self._judge()
        if not problem:
            return None
        announce(problem)
        return self._end(self.trial, problem)

    def status(self):
        """What goes on, as plain values; `fits_s` is for how long the disk lasts, if known."""
        state = {'state': 'idle' if self.trial is None else 'recording', 'warning': self.warning,
                 'problem': self.problem, 'output': str(self._output)}
        if self.trial is not None:
            counts, fits = self._bag.counts, self._fits()
            state |= {
                'trial': self.trial.name, 'object': self.trial.object,
                'condition': self.trial.condition, 'marks': len(self.trial.marks),
                'seconds': round(time.monotonic() - self._began, 1),
                'messages': sum(counts.values()), 'bytes': self._bag.size,
                'fits_s': None if fits is None else round(fits),
                'silent': [name for name, count in counts.items() if not count]}
        return state

    # --- writing

    def _write(self):
        """Bring what waits into the bag until told to end, and then the rest."""
        ended = False
        while not ended:
            ended = self._ending.wait(_BATCH)
            with self._turn:
                self._write_waiting()

    def _write_waiting(self):
        """Bring what waits into the bag, unless that has failed before; for who has the turn."""
        if self._failure is not None:
            return
        self._fetched = time.monotonic()
        batch = [self._queue.popleft() for _ in range(len(self._queue))]
        try:
            self._bag.write_many(batch)
        except FileError as error:
            self._failure = error
            return
        self._written += sum(len(message[1]) for message in batch)

    def _end(self, trial, problem):
        """Write the rest, finish the bag, label the trial."""
        self._ending.set()
        self._writer.join()
        problem = problem or (str(self._failure) if self._failure else '')
        (trial.folder / _RESERVE).unlink(missing_ok=True)
        try:
            self._bag.close()
        except FileError as error:
            problem = problem or str(error)
            problem += self._rescue(trial.folder)
        duration = time.monotonic() - self._began        # whatever happened to the time of day
        trial = replace(trial, state='finished', problem=problem, duration=round(duration, 3))
        self.counts = self._bag.counts
        self.trial, self._bag, self.warning, self.problem = None, None, '', problem
        try:
            write_trial(trial)
        except FileError as error:
            self.problem = f'{problem} {error}'.strip()
            return replace(trial, problem=self.problem)
        return trial

    def _rescue(self, folder):
        try:
            repaired = repair_bag(folder)
        except TactileError as error:
            return f' {error}'
        return f' {repaired.messages} messages were saved.' if repaired else ''

    # --- watching

    def _judge(self):
        """What makes it necessary to end the recording; sets `warning` for what may."""
        self._sizes.append((time.monotonic(), self._bag.size))
        waiting = self._taken - self._written
        if waiting > MOST_WAITING:
            return (f'the disk is too slow: {_size(waiting)} waited to be written, so the '
                    'recording was ended; all of it is kept')
        free, rate, fits = self._free(self._bag.folder), self._rate(), self._fits()
        if free is not None and free < LEAST_FREE + _RESERVE_SECONDS * rate:
            return f'the disk is full ({_size(free)} free): the recording was ended before it was'
        warnings = []
        if fits is not None and fits < _WARN_SECONDS:
            warnings.append(f'the disk will be full in {fits:.0f} s')
        late = self._late()
        if late > _LATE:
            warnings.append(f'the disk is slow: messages wait {late:.1f} s to be written')
        elif time.monotonic() - self._bag.on_disk > _UNSAFE:
            warnings.append('the disk is slow: the last seconds are not safe from a power cut yet')
        self.warning = '; '.join(warnings)
        return ''

    def _late(self):
        """How long the oldest message may have waited, s."""
        return time.monotonic() - self._fetched if self._queue else 0.0

    def _rate(self):
        """Bytes that are written in a second, over the last ones."""
        (begin, small), (end, large) = self._sizes[0], self._sizes[-1]
        return (large - small) / (end - begin) if end > begin else 0.0

    def _fits(self):
        """For how many seconds the disk lasts at this rate, or None."""
        free, rate = self._free(self._bag.folder), self._rate()
        if free is None or rate <= 0:
            return None
        return max(0.0, (free - LEAST_FREE) / rate - _RESERVE_SECONDS)

    def _free(self, folder):
        """Bytes free to this user where the folder is, or None where that cannot be known."""
        while not folder.exists():
            if folder == folder.parent:
                return None
            folder = folder.parent
        try:
            disk = os.statvfs(folder)
        except OSError:
            return None
        return disk.f_bavail * disk.f_frsize

    # --- the folder

    def _reserve(self, folder):
        try:
            with (folder / _RESERVE).open('wb') as stream:
                os.posix_fallocate(stream.fileno(), 0, 1 << 20)
        except OSError as error:
            raise FileError(f'cannot be written ({error.strerror})', where=str(folder)) from None

    def _copy_setup(self, folder):
        """Copy hand file and calibrations; return the copy's name and what the fingers have."""
        if self._hand_file is None:
            return '', {}
        hand, fingers = read_hand(self._hand_file), {}
        setup = folder / _SETUP
        try:
            setup.mkdir()
            for finger in hand.fingers:
                if finger.name not in self._fingers:
                    continue
                copy = ''
                if finger.calibration_file:
                    copy = f'{_SETUP}/{finger.name}_calibration.yaml'
                    shutil.copyfile(finger.calibration_file, folder / copy)
                fingers[finger.name] = TrialFinger(finger.serial, finger.elastomer.name, copy)
            shutil.copyfile(hand.path, setup / hand.path.name)
        except OSError as error:
            raise FileError(f'cannot be copied ({error.strerror})', where=str(folder)) from None
        return f'{_SETUP}/{hand.path.name}', fingers

    def _recording(self):
        if self.trial is None:
            raise DataError('no trial is being recorded', fix='Start one first.')
        return self.trial


def _size(count):
    return f'{count / 2**20:.0f} MiB'
