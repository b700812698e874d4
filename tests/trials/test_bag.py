# SPDX-License-Identifier: Apache-2.0
"""Bags read back by two readers that are not ours: rosbags and mcap's own."""

import os
import random
import signal
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from tactile_nodes.errors import DeviceError, FileError, TactileError
from tactile_nodes.trials.bag import BagWriter, read_messages, topics_of

pytest.importorskip('mcap')
pytest.importorskip('rosbags')

WRENCH, BOOL = 'geometry_msgs/msg/WrenchStamped', 'std_msgs/msg/Bool'
ROOT = Path(__file__).parents[2]


def payloads(count, seed=1):
    rng = random.Random(seed)
    return [rng.randbytes(rng.randrange(5, 40_000)) for _ in range(count)]


def record(folder, count=60):
    """A bag of two topics; what was written as (topic, data, receive, publish)."""
    written = []
    with BagWriter(folder) as bag:
        bag.add_topic('/sorter/thumb/wrench', WRENCH, depth=2)
        bag.add_topic('/sorter/thumb/reference/image', 'sensor_msgs/msg/Image', depth=1,
                      latched=True)
        for index, data in enumerate(payloads(count)):
            topic = '/sorter/thumb/' + ('wrench' if index % 3 else 'reference/image')
            message = (topic, data, 10**18 + 1000 * index + 7, 10**18 + 1000 * index)
            bag.write(*message)
            written.append(message)
    return written


def test_rosbags_reads_back_what_was_written(tmp_path):
    from rosbags.interfaces import QosDurability, QosHistory, QosReliability
    from rosbags.rosbag2 import Reader
    written = record(tmp_path / 'bag')
    with Reader(tmp_path / 'bag') as reader:
        read = [(c.topic, bytes(data), stamp) for c, stamp, data in reader.messages()]
        topics = {c.topic: c for c in reader.connections}
        assert reader.message_count == len(written)
        assert reader.start_time == 10**18 + 7
        assert reader.duration == 1000 * 59 + 1           # its end is one past the last
    assert read == [(topic, data, receive) for topic, data, receive, _ in written]
    assert {name: c.msgtype for name, c in topics.items()} == {
        '/sorter/thumb/wrench': WRENCH, '/sorter/thumb/reference/image': 'sensor_msgs/msg/Image'}
    assert {name: c.msgcount for name, c in topics.items()} == {
        '/sorter/thumb/wrench': 40, '/sorter/thumb/reference/image': 20}
    wrench, = topics['/sorter/thumb/wrench'].ext.offered_qos_profiles
    assert (wrench.reliability, wrench.durability, wrench.history, wrench.depth) == (
        QosReliability.RELIABLE, QosDurability.VOLATILE, QosHistory.KEEP_LAST, 2)
    latched, = topics['/sorter/thumb/reference/image'].ext.offered_qos_profiles
    assert latched.durability == QosDurability.TRANSIENT_LOCAL


def test_messages_can_be_understood_with_the_definitions_in_the_bag(tmp_path):
    from rosbags.highlevel import AnyReader
    from rosbags.typesys import Stores, get_typestore
    store = get_typestore(Stores.ROS2_JAZZY)
    with BagWriter(tmp_path / 'bag') as bag:
        bag.add_topic('/flag', BOOL)
        bag.write('/flag', bytes(store.serialize_cdr(store.types[BOOL](True), BOOL)), 2, 1)
    with AnyReader([tmp_path / 'bag']) as reader:         # uses the definitions of the bag
        (connection, _, data), = reader.messages()
        assert reader.deserialize(data, connection.msgtype).data is True


def test_mcap_reads_back_what_was_written(tmp_path):
    from mcap.reader import make_reader
    written = record(tmp_path / 'bag')
    with open(tmp_path / 'bag' / 'bag_0.mcap', 'rb') as stream:
        reader = make_reader(stream, validate_crcs=True)
        assert reader.get_header().profile == 'ros2'
        read = [(c.topic, m.data, m.log_time, m.publish_time)
                for _, c, m in reader.iter_messages()]
        summary = reader.get_summary()
        metadata = list(reader.iter_metadata())
    assert read == written
    assert {c.message_encoding for c in summary.channels.values()} == {'cdr'}
    assert {s.encoding for s in summary.schemas.values()} == {'ros2msg'}
    assert [m.name for m in metadata] == ['rosbag2']
    assert 'serialized_metadata' in metadata[0].metadata
    assert max(i.uncompressed_size for i in summary.chunk_indexes) < 256 * 1024 + 41_000


def test_an_exception_inside_loses_nothing(tmp_path):
    from rosbags.rosbag2 import Reader
    with pytest.raises(KeyboardInterrupt), BagWriter(tmp_path / 'bag') as bag:
        bag.add_topic('/flag', BOOL)
        bag.write('/flag', b'\0\1\0\0\1', 2, 1)
        raise KeyboardInterrupt
    with Reader(tmp_path / 'bag') as reader:
        assert reader.message_count == 1


def test_closing_twice_and_an_empty_bag_are_fine(tmp_path):
    from rosbags.rosbag2 import Reader
    bag = BagWriter(tmp_path / 'deep' / 'bag')
    bag.add_topic('/flag', BOOL)
    bag.close()
    bag.close()
    bag.write('/flag', b'late', 1, 1)
    with Reader(tmp_path / 'deep' / 'bag') as reader:
        assert reader.message_count == 0


def test_an_existing_folder_is_not_touched(tmp_path):
    (tmp_path / 'bag').mkdir()
    with pytest.raises(FileError, match='exists already'):
        BagWriter(tmp_path / 'bag')
    assert list((tmp_path / 'bag').iterdir()) == []


def test_unknown_type_is_refused_by_name(tmp_path):
    with BagWriter(tmp_path / 'bag') as bag, pytest.raises(TactileError, match='plum_msgs'):
        bag.add_topic('/plum', 'plum_msgs/msg/Plum')


def test_threads_may_write_together(tmp_path):
    from rosbags.rosbag2 import Reader
    with BagWriter(tmp_path / 'bag') as bag:
        bag.add_topic('/flag', BOOL)
        threads = [threading.Thread(target=lambda: [bag.write('/flag', b'x' * 50, i, i)
                                                    for i in range(300)]) for _ in range(3)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert bag.counts == {'/flag': 900}
    with Reader(tmp_path / 'bag') as reader:
        assert sum(1 for _ in reader.messages()) == 900


def test_missing_libraries_are_named(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, 'mcap.writer', None)
    with pytest.raises(TactileError, match='pip install'):
        BagWriter(tmp_path / 'bag')
    assert not (tmp_path / 'bag').exists()


def test_a_full_disk_says_so_and_keeps_the_rest(tmp_path):
    """Linux's /dev/full answers every write with 'no space left'."""
    bag = BagWriter(tmp_path / 'bag')
    bag.add_topic('/flag', BOOL)
    full = os.open('/dev/full', os.O_WRONLY)
    os.dup2(full, bag._stream.fileno())
    os.close(full)
    with pytest.raises(FileError, match='the disk is full'):
        for index in range(100):
            bag.write('/flag', bytes(random.Random(index).randbytes(100_000)), 1, 1)
    with pytest.raises(FileError, match='the disk is full'):
        bag.close()


WRITE_FOREVER = """
import sys, time
from tactile_nodes.trials.bag import BagWriter
bag = BagWriter(sys.argv[1])
bag.add_topic('/flag', 'std_msgs/msg/Bool')
for index in range(10**9):
    bag.write('/flag', index.to_bytes(8, 'little'), index, index)
    if index == 500:
        time.sleep(2.5)
        print('pushed', flush=True)
"""


def test_a_killed_writer_leaves_all_but_the_last_second(tmp_path):
    from mcap.exceptions import EndOfFile
    from mcap.reader import NonSeekingReader
    folder = tmp_path / 'bag'
    writer = subprocess.Popen([sys.executable, '-c', WRITE_FOREVER, str(folder)], cwd=ROOT,
                              stdout=subprocess.PIPE)
    try:
        assert writer.stdout.readline() == b'pushed\n'
    finally:
        writer.send_signal(signal.SIGKILL)
        writer.wait()
        writer.stdout.close()
    read = []
    with open(folder / 'bag_0.mcap', 'rb') as stream:
        try:
            for _, _, message in NonSeekingReader(stream).iter_messages(log_time_order=False):
                read.append(message.data)
        except EndOfFile:
            pass
    assert len(read) >= 501
    assert read == [i.to_bytes(8, 'little') for i in range(len(read))]


# --- reading; the bags are rosbags' own
@pytest.fixture(params=['MCAP', 'SQLITE3'])
def foreign_bag(request, tmp_path):
    """Wrenches 0, 1, 2 and flags, of which one is damaged, in turn; a folder."""
    from rosbags.rosbag2 import StoragePlugin, Writer
    from rosbags.typesys import Stores, get_typestore
    store = get_typestore(Stores.ROS2_HUMBLE)
    with Writer(tmp_path / 'bag', version=9,
                storage_plugin=StoragePlugin[request.param]) as writer:
        wrenches, flags = (writer.add_connection(name, kind, typestore=store)
                           for name, kind in (('/sensor', WRENCH), ('/flag', BOOL)))
        for i in range(3):
            zero = dict.fromkeys('xyz', 0.0)
            vector = store.types['geometry_msgs/msg/Vector3']
            message = store.types[WRENCH](
                store.types['std_msgs/msg/Header'](
                    store.types['builtin_interfaces/msg/Time'](5, i), 'sensor'),
                store.types['geometry_msgs/msg/Wrench'](vector(**{**zero, 'x': float(i)}),
                                                        vector(**zero)))
            writer.write(wrenches, 10 + i, bytes(store.serialize_cdr(message, WRENCH)))
            whole = bytes(store.serialize_cdr(store.types[BOOL](True), BOOL))
            writer.write(flags, 20 + i, whole[:4] if i == 1 else whole)
    return tmp_path / 'bag'


def test_messages_of_foreign_bags(foreign_bag, caplog):
    file, = (f for f in foreign_bag.iterdir() if f.suffix in ('.mcap', '.db3'))
    for path in (foreign_bag, file, str(file)):
        assert topics_of(path) == {'/sensor': WRENCH, '/flag': BOOL}
        read = list(read_messages(path, ['/sensor']))
        assert [(t, n, m.wrench.force.x, m.header.stamp.nanosec) for t, n, m in read] == [
            ('/sensor', 10 + i, i, i) for i in range(3)]
    assert not caplog.text
    both = list(read_messages(foreign_bag, ['/flag', '/sensor']))
    assert sorted(n for _, n, _ in both) == [10, 11, 12, 20, 22]
    assert '1 messages are damaged and left out' in caplog.text


def test_reading_what_is_not_there(foreign_bag, tmp_path):
    with pytest.raises(DeviceError, match=r"no such topic, found '/force', expected one of /flag, "
                                          '/sensor'):
        list(read_messages(foreign_bag, ['/force']))
    with pytest.raises(DeviceError, match='no such bag.*nowhere|nowhere.*no such bag'):
        topics_of(tmp_path / 'nowhere')
    (tmp_path / 'broken.db3').write_bytes(b'garbage' * 100)
    with pytest.raises(DeviceError, match='broken.db3: cannot be read'):
        topics_of(tmp_path / 'broken.db3')


def test_reading_an_unknown_type(tmp_path):
    from mcap.writer import Writer
    path = tmp_path / 'own.mcap'
    with path.open('wb') as stream:
        writer = Writer(stream)
        writer.start('ros2')
        schema = writer.register_schema('own_msgs/msg/Own', 'ros2msg', b'int32 x')
        writer.add_message(writer.register_channel('/own', 'cdr', schema), 1, b'', 1)
        writer.finish()
    assert topics_of(path) == {'/own': 'own_msgs/msg/Own'}
    with pytest.raises(DeviceError, match='/own.*without a known definition.*own_msgs'):
        list(read_messages(path, ['/own']))
