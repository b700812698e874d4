# SPDX-License-Identifier: Apache-2.0
"""The recorder without ROS: names, labels, full and slow disks, two at a time."""

import os
import subprocess
import sys
import time
from datetime import timedelta
from pathlib import Path

import pytest

pytest.importorskip('mcap')
pytest.importorskip('rosbags')

from mcap.exceptions import EndOfFile
from mcap.reader import NonSeekingReader
from rosbags.rosbag2 import Reader

from tactile_nodes.errors import DataError, FileError
from tactile_nodes.files.trial import read_trial
from tactile_nodes.hand.resources import shipped
from tactile_nodes.trials import recorder as module
from tactile_nodes.trials.recorder import TrialRecorder
from tactile_nodes.trials.store import load_trial, new_folder, trial_folders, utc_now

ROOT = Path(__file__).parents[2]
BOOL = 'std_msgs/msg/Bool'


def started(output, *names):
    recorder = TrialRecorder(output, 'sorter', ['thumb'], shipped('config/four_finger_hand.yaml'))
    trial = recorder.start(*names)
    recorder.add_topic('/flag', BOOL)
    return recorder, trial


def put(recorder, count=50, size=100):
    for _ in range(count):
        recorder.put('/flag', os.urandom(size), time.time_ns())


def read(folder):
    with Reader(folder) as bag:
        return [bytes(data) for _, _, data in bag.messages()]


def test_a_trial_holds_what_was_put_and_how_it_ended(tmp_path):
    recorder, trial = started(tmp_path, 'ripe plum', 'firm')
    put(recorder)
    recorder.mark('lifted')
    assert read_trial(trial.folder).marks[0].text == 'lifted', 'on the disk at once'
    assert read_trial(trial.folder).state == 'recording'
    with pytest.raises(FileError, match='being recorded'):
        load_trial(trial.folder)
    ended = recorder.stop('dropped', 0.25)
    assert recorder.trial is None and not ended.problem
    assert read_trial(trial.folder) == ended
    assert (ended.outcome, ended.drop_at, ended.state) == ('dropped', 0.25, 'finished')
    assert len(read(trial.folder)) == 50
    assert trial.name.startswith('sorter_20') and trial.name.endswith('_ripe-plum_firm')
    assert sorted(path.name for path in trial.folder.iterdir()) == [
        'metadata.yaml', 'setup', f'{trial.name}_0.mcap', 'trial.yaml']
    assert trial_folders([tmp_path]) == trial_folders([trial.folder]) == [trial.folder]


def test_setting_the_clock_shortens_no_trial_and_makes_no_disk_slow(tmp_path, monkeypatch):
    recorder, trial = started(tmp_path)
    monkeypatch.setattr(module, 'utc_now', lambda: utc_now() - timedelta(hours=2))
    recorder.put('/flag', b'', time.time_ns() - 3600 * 10**9)       # from before it was set
    assert recorder.watch() is None and not recorder.warning
    put(recorder)
    assert 0 <= recorder.mark('lifted').at < 60
    assert 0 <= recorder.status()['seconds'] < 60
    ended = recorder.stop()
    assert 0 <= ended.duration < 60
    assert read_trial(trial.folder) == ended


def test_what_cannot_be_is_refused_and_nothing_is_made(tmp_path):
    recorder = TrialRecorder(tmp_path / 'out', 'sorter', [])
    for name in ('../plum', 'a/b', '.hidden', 'x' * 61, 'tab\tin it', '-option'):
        with pytest.raises(DataError, match='wrong name'):
            recorder.start(name, 'firm')
    with pytest.raises(DataError, match='wrong text'):
        recorder.start('plum', 'firm', 'bell\a')
    assert not (tmp_path / 'out').exists()
    for act in (recorder.stop, lambda: recorder.mark('x')):
        with pytest.raises(DataError, match='no trial is being recorded'):
            act()


@pytest.mark.parametrize(('outcome', 'at'), [('lost', None), ('success', 1.0), ('dropped', -1.0),
                                            ('dropped', float('nan'))])
def test_a_wrong_label_leaves_the_trial_recording(tmp_path, outcome, at):
    recorder, _ = started(tmp_path)
    with pytest.raises(DataError):
        recorder.stop(outcome, at)
    assert recorder.trial is not None
    recorder.stop()


def test_names_with_spaces_and_letters_of_any_language_make_plain_folders(tmp_path):
    folder = new_folder(tmp_path, 'sorter', 'reife Pflaume (süß)', '4 N + 10 %', utc_now())
    assert folder.parent == tmp_path
    assert folder.name.endswith('_reife-Pflaume-süß_4-N-+-10')


def test_two_recorders_never_share_a_folder(tmp_path):
    pairs = [started(tmp_path, 'plum', 'firm') for _ in range(3)]
    assert len({trial.folder for _, trial in pairs}) == 3
    for index, (recorder, trial) in enumerate(pairs):
        put(recorder, 10 + index)
        recorder.stop()
        assert len(read(trial.folder)) == 10 + index


def test_a_folder_that_another_made_meanwhile_is_not_touched(tmp_path, monkeypatch):
    taken = tmp_path / 'taken'
    taken.mkdir()
    monkeypatch.setattr(module, 'new_folder', lambda *_: taken)
    with pytest.raises(FileError, match='exists already'):
        started(tmp_path)
    assert not list(taken.iterdir())


def disk(monkeypatch, free):
    class Disk:
        f_frsize = 1

        @property
        def f_bavail(self):
            return free[0]

    monkeypatch.setattr(module.os, 'statvfs', lambda folder: Disk())


def test_a_disk_that_fills_is_announced_and_the_recording_ends_before_it_is_full(
        tmp_path, monkeypatch):
    free = [10**12]
    disk(monkeypatch, free)
    recorder, trial = started(tmp_path)
    put(recorder, 100, 50_000)
    time.sleep(0.7)                                     # it is written
    assert recorder.watch() is None and not recorder.warning
    free[0] = module.LEAST_FREE + 50_000_000
    assert recorder.watch() is None
    assert 'the disk will be full in' in recorder.warning
    put(recorder, 7)
    free[0] = module.LEAST_FREE + 1
    announced = []
    ended = recorder.watch(lambda problem: announced.append((problem, recorder.trial)))
    assert 'the disk is full' in ended.problem and recorder.problem == ended.problem
    assert announced[0][0] == ended.problem and announced[0][1] is not None, 'told at once'
    assert recorder.trial is None and recorder.status()['state'] == 'idle'
    assert len(read(trial.folder)) == 107, 'nothing is lost'
    assert load_trial(trial.folder).problem == ended.problem
    with pytest.raises(FileError, match='the disk is full'):
        recorder.start()


FILL = """
import resource, signal, sys, time
from tactile_nodes.trials.recorder import TrialRecorder
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
recorder = TrialRecorder(sys.argv[1], 'sorter', [])
recorder.start()
recorder.add_topic('/flag', 'std_msgs/msg/Bool')
resource.setrlimit(resource.RLIMIT_FSIZE, (3_000_000, resource.RLIM_INFINITY))
import random
rng, ended = random.Random(1), None
while ended is None:
    now = time.time_ns()
    recorder.put('/flag', rng.randbytes(50_000), now)
    time.sleep(0.001)
    if int(now / 1e9 * 5) != int(time.time() * 5):
        ended = recorder.watch()
resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
print(ended.problem)
"""


def test_a_write_that_fails_leaves_a_whole_bag(tmp_path):
    """The kernel refuses to let the file grow, as a quota or a full disk would (setrlimit(2))."""
    ended = subprocess.run([sys.executable, '-c', FILL, str(tmp_path)], cwd=ROOT, timeout=60,
                           capture_output=True, text=True, check=False)
    assert ended.returncode == 0 and not ended.stderr, ended.stderr
    assert 'File too large' in ended.stdout
    folder, = tmp_path.iterdir()
    trial = load_trial(folder)
    assert 'File too large' in trial.problem and trial.state == 'finished'
    assert 40 <= len(read(folder)) <= 60, 'of 50 kB each in 3 MB'


def test_a_slow_disk_is_announced_then_the_recording_ends_with_all_of_it(tmp_path, monkeypatch):
    monkeypatch.setattr(module, 'MOST_WAITING', 1_000_000)
    recorder, trial = started(tmp_path)
    write_many = recorder._bag.write_many
    monkeypatch.setattr(recorder._bag, 'write_many',
                        lambda batch: (time.sleep(1.5), write_many(batch)))
    put(recorder, 10)
    time.sleep(0.2)
    put(recorder, 10)
    time.sleep(1.1)
    assert recorder.watch() is None
    assert 'the disk is slow: messages wait' in recorder.warning
    put(recorder, 30, 50_000)
    ended = recorder.watch()
    assert 'too slow' in ended.problem
    assert len(read(trial.folder)) == 50, 'all of it is kept'


def test_a_folder_that_cannot_be_made_is_named(tmp_path):
    (tmp_path / 'file').touch()
    with pytest.raises(FileError, match='cannot be made'):
        TrialRecorder(tmp_path / 'file' / 'out', 'sorter', []).start()


def test_status_says_what_goes_on(tmp_path):
    recorder, trial = started(tmp_path, 'plum', 'firm')
    recorder.add_topic('/silent', BOOL)
    put(recorder)
    time.sleep(0.3)
    state = recorder.status()
    assert (state['state'], state['trial'], state['messages']) == ('recording', trial.name, 50)
    assert state['silent'] == ['/silent']
    recorder.stop('success')
    assert recorder.status()['state'] == 'idle'


def test_reserve_is_on_the_disk_while_recording(tmp_path):
    recorder, trial = started(tmp_path)
    assert os.stat(trial.folder / '.reserve').st_blocks * 512 >= 2**20
    recorder.stop()
    assert not (trial.folder / '.reserve').exists()


def test_who_brings_messages_writes_them_where_the_other_thread_is_late(tmp_path, monkeypatch):
    monkeypatch.setattr(module, '_BATCH', 1e6)                   # it never comes
    recorder, trial = started(tmp_path)
    path, end = trial.folder / f'{trial.name}_0.mcap', time.monotonic() + 1.0
    while time.monotonic() < end:
        put(recorder, 1, 1000)
        time.sleep(0.005)
    safe = 0
    with path.open('rb') as stream, pytest.raises(EndOfFile):      # it goes on
        for _ in NonSeekingReader(stream).iter_messages(log_time_order=False):
            safe += 1
    assert safe
    assert recorder.stop().problem == ''
