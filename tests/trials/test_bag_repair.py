# SPDX-License-Identifier: Apache-2.0
"""What a crash leaves is made whole: read back by mcap's own reader and by rosbags."""

import os
import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

pytest.importorskip('mcap')
pytest.importorskip('rosbags')

from mcap.reader import make_reader
from rosbags.rosbag2 import Reader

from tactile_nodes.errors import FileError
from tactile_nodes.trials import bag as module
from tactile_nodes.trials.bag import BagWriter
from tactile_nodes.trials.bag_repair import MAGIC, being_recorded, is_finished, repair_bag

COUNT, CHUNK = 400, 20           # messages, and how many make a chunk
ROOT = Path(__file__).parents[2]


@pytest.fixture(scope='module')
def whole(tmp_path_factory):
    """Bytes of a finished bag of two topics, and its messages."""
    folder, rng, messages = tmp_path_factory.mktemp('whole') / 'bag', random.Random(4), []
    with pytest.MonkeyPatch.context() as patch, BagWriter(folder) as bag:
        patch.setattr(module, '_FLUSH_PERIOD', 1e6)             # chunks end where this says so
        bag.add_topic('/flag', 'std_msgs/msg/Bool', depth=3)
        bag.add_topic('/arm', 'sensor_msgs/msg/JointState', latched=True)
        for index in range(COUNT):
            topic = '/arm' if index % 3 else '/flag'
            messages.append((topic, rng.randbytes(rng.randrange(4, 90)), 10**18 + index))
            bag.write(*messages[-1], messages[-1][2])
            if index % CHUNK == CHUNK - 1:
                bag._writer.flush()
    return (folder / 'bag_0.mcap').read_bytes(), messages


@pytest.fixture
def fast(monkeypatch):
    """Nothing is pulled from under this test's disk: no need to wait for it."""
    monkeypatch.setattr(os, 'fsync', lambda handle: None)


def left_behind(folder, data):
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    (folder / f'{folder.name}_0.mcap').write_bytes(data)
    return folder


def read_both(folder):
    """Messages of a bag, the same for both readers, as (topic, data, log time)."""
    with (folder / f'{folder.name}_0.mcap').open('rb') as stream:
        reader = make_reader(stream, validate_crcs=True)
        read = [(c.topic, m.data, m.log_time) for _, c, m in reader.iter_messages()]
        summary = reader.get_summary()
    assert summary.statistics.message_count == len(read)
    assert sum(summary.statistics.channel_message_counts.values()) == len(read)
    with Reader(folder) as bag:
        assert [(c.topic, bytes(data), stamp) for c, stamp, data in bag.messages()] == read
        assert bag.message_count == len(read)
        assert {c.topic: c.msgcount for c in bag.connections} == {
            topic: sum(entry[0] == topic for entry in read) for topic in
            ({c.topic for c in summary.channels.values()})}
    return read


def test_cut_anywhere_every_whole_chunk_is_kept(tmp_path, whole, fast):
    data, messages = whole
    rng = random.Random(5)
    chunks = ends_of_chunks(data)
    cuts = [0, 3, 8, 20, *chunks[:3], *(end - 1 for end in chunks[:3]),
            *(rng.randrange(len(data)) for _ in range(40)), len(data) - 1]
    for cut in cuts:
        folder = left_behind(tmp_path / 'bag', data[:cut])
        assert not is_finished(folder)
        repaired = repair_bag(folder)
        kept = CHUNK * sum(end <= cut for end in chunks)
        assert read_both(folder) == messages[:kept], cut
        assert repaired.messages == kept
        assert is_finished(folder) and repair_bag(folder) is None
        torn = b''.join(file.read_bytes() for file in folder.glob('torn_at_*.bin'))
        assert torn == data[cut - repaired.cut:cut], 'what is cut off is kept'


def ends_of_chunks(data):
    """Where chunks end, by mcap's own reader of the index."""
    import io
    summary = make_reader(io.BytesIO(data)).get_summary()
    return [index.chunk_start_offset + index.chunk_length for index in summary.chunk_indexes]


def test_quality_of_service_and_types_survive(tmp_path, whole, fast):
    folder = left_behind(tmp_path / 'bag', whole[0][:-40])
    repair_bag(folder)
    with Reader(folder) as bag:
        topics = {c.topic: c for c in bag.connections}
    assert topics['/arm'].msgtype == 'sensor_msgs/msg/JointState'
    assert topics['/arm'].ext.offered_qos_profiles[0].durability.name == 'TRANSIENT_LOCAL'
    assert topics['/flag'].ext.offered_qos_profiles[0].depth == 3


@pytest.mark.parametrize('damage', [b'\0' * 300, b'\xff' * 300])
def test_damage_in_the_middle_ends_the_bag_there(tmp_path, whole, fast, damage):
    """As a file system leaves blocks that were not on the disk yet when the power went."""
    data, messages = whole
    begin = ends_of_chunks(data)[4] + 60
    folder = left_behind(tmp_path / 'bag', data[:begin] + damage + data[begin + len(damage):-1])
    repair_bag(folder)
    read = read_both(folder)
    assert read == messages[:len(read)] and len(read) == 5 * CHUNK


def test_a_second_try_after_a_crash_of_the_repair(tmp_path, whole, fast):
    data, messages = whole
    folder = left_behind(tmp_path / 'bag', data[:-200])
    repair_bag(folder)
    file = folder / 'bag_0.mcap'
    file.write_bytes(file.read_bytes()[:-30])             # the power went again
    repair_bag(folder)
    assert read_both(folder) == messages


def test_what_is_no_bag_is_not_touched(tmp_path):
    folder = left_behind(tmp_path / 'bag', b'a diary, not a bag')
    with pytest.raises(FileError, match='not an MCAP file'):
        repair_bag(folder)
    assert (folder / 'bag_0.mcap').read_bytes() == b'a diary, not a bag'
    (folder / 'second.mcap').touch()
    with pytest.raises(FileError, match='one .mcap file'):
        repair_bag(folder)


def test_a_bag_being_recorded_is_not_touched(tmp_path):
    with BagWriter(tmp_path / 'bag'):
        assert being_recorded(tmp_path / 'bag')
        with pytest.raises(FileError, match='being recorded'):
            repair_bag(tmp_path / 'bag')
    assert not being_recorded(tmp_path / 'bag')


def test_missing_metadata_is_made_anew(tmp_path, whole, fast):
    folder = left_behind(tmp_path / 'bag', whole[0])
    assert whole[0].endswith(MAGIC) and not is_finished(folder)
    repair_bag(folder)
    assert read_both(folder) == whole[1]


def test_a_power_cut_loses_at_most_a_second(tmp_path, monkeypatch):
    """What is on the disk for sure is what fsync(2) was told of; the rest may be zeros."""
    safe = []

    def note(handle):
        safe.append((time.time_ns(), os.fstat(handle).st_size))

    monkeypatch.setattr(os, 'fsync', note)
    bag = BagWriter(tmp_path / 'bag')
    bag.add_topic('/flag', 'std_msgs/msg/Bool')
    start, end = time.time_ns(), time.monotonic() + 3
    while time.monotonic() < end:
        now = time.time_ns()
        bag.write('/flag', b'x' * 200, now, now)
        time.sleep(0.002)
    data, pushed = bag.path.read_bytes(), safe[:]
    bag.close()
    assert len(pushed) >= 4
    for (_, size), (until, _) in zip(pushed, pushed[1:], strict=False):
        folder = left_behind(tmp_path / 'cut', data[:size] + b'\0' * 4096)
        repaired = repair_bag(folder)
        # the power could have gone just before the next; a disk adds the time it needs for it
        assert until - (repaired.last_ns or start) < 1e9


RECORD = """
import sys, time
from tactile_nodes.trials.recorder import TrialRecorder
recorder = TrialRecorder(sys.argv[1], 'sorter', [])
recorder.start('plum', 'firm')
recorder.add_topic('/flag', 'std_msgs/msg/Bool')
print('recording', flush=True)
while True:
    now = time.time_ns()
    recorder.put('/flag', now.to_bytes(8, 'little') * 100, now)
    time.sleep(0.001)
"""


def test_a_killed_recorder_loses_at_most_a_second(tmp_path):
    from tactile_nodes.files.trial import read_trial
    from tactile_nodes.trials.store import load_trial, repair_all
    rng, killed = random.Random(6), {}
    for index in range(4):
        output = tmp_path / str(index)
        with subprocess.Popen([sys.executable, '-c', RECORD, str(output)], cwd=ROOT,
                              stdout=subprocess.PIPE) as recorder:
            assert recorder.stdout.readline() == b'recording\n'
            time.sleep(rng.uniform(0.5, 1.5))
            recorder.send_signal(signal.SIGKILL)
            killed[output] = time.time_ns()
            recorder.wait()
    for output, moment in killed.items():
        folder, = output.iterdir()
        with pytest.raises(FileError, match='trial repair'):
            load_trial(folder)
        (done, said), = repair_all(output)
        assert done == folder and 'messages are whole' in said
        assert list(repair_all(output)) == []
        trial = load_trial(folder)
        assert trial == read_trial(folder)
        assert (trial.state, trial.outcome, trial.object) == ('repaired', None, 'plum')
        assert 'the recorder died' in trial.problem
        times = [stamp for _, _, stamp in read_both(folder)]
        assert times == sorted(times)
        assert moment - times[-1] < 1e9, 'lost more than the last second'
