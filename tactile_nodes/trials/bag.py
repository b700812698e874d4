# SPDX-License-Identifier: Apache-2.0
"""Bags: a folder with an MCAP file and `metadata.yaml`, as rosbag2 writes it (bag version 9)."""

import logging
import os
import threading
from pathlib import Path

import yaml

from tactile_nodes.device.bags import Bag
from tactile_nodes.errors import FileError, TactileError

_CHUNK_BYTES = 256 * 1024        # small, so that little is pending when the power goes
_FLUSH_PERIOD = 1.0              # s
_INFINITE = {'sec': 9223372036, 'nsec': 854775807}

_log = logging.getLogger(__name__)


def topics_of(path):
    """Message type by topic, {name: 'sensor_msgs/msg/Image'}, of a bag; raises as `Bag`."""
    return Bag(Path(path).expanduser()).topics


def read_messages(path, topics):
    """Yield (topic, log time in ns, message) of some topics of a bag, in the order of storage.

    What is not a whole message is left out, counted and warned of at the end.

    Parameters
    ----------
    path : path
        A rosbag2 folder, or one .mcap or .db3 file.
    topics : sequence of str

    Raises
    ------
    DeviceError
        See `tactile_nodes.device.bags.Bag`; no such topic: the error lists those there are.
    """
    damaged = 0
    for topic, log_ns, message in Bag(Path(path).expanduser()).messages(topics):
        if message is None:
            damaged += 1
            continue
        yield topic, log_ns, message
    if damaged:
        _log.warning('%s: %d messages are damaged and left out', path, damaged)


class BagWriter:
    """Stores serialised ROS messages as they come; a context manager that always closes.

    About once a second everything written reaches the disk, so a crash or a power cut loses at
    most that second. Messages may come from several threads.

    Parameters
    ----------
    folder : path
        Made by this; its parents too.

    Raises
    ------
    FileError
        The folder exists or cannot be made.
    TactileError
        The libraries `mcap` and `rosbags` are not installed.
    """

    def __init__(self, folder):
        make_writer, self._typestore = _libraries()
        self.folder = Path(folder)
        try:
            self.folder.mkdir(parents=True)
        except FileExistsError:
            raise FileError('the bag folder exists already', where=str(folder),
                            fix='Give another folder: a bag is never overwritten.') from None
        except OSError as error:
            raise FileError(f'the bag folder cannot be made ({error.strerror})',
                            where=str(folder)) from None
        self.path = self.folder / f'{self.folder.name}_0.mcap'
        self._stream = open(self.path, 'wb')                                # noqa: SIM115
        self._writer = make_writer(self._stream)
        self._writer.start(profile='ros2')
        self._schemas, self._channels, self._topics = {}, {}, {}
        self._first, self._last = None, None
        self._failure = None
        self._lock, self._done = threading.Lock(), threading.Event()
        self._keeper = threading.Thread(target=self._keep_on_disk, daemon=True)
        self._keeper.start()

    @property
    def counts(self):
        """Messages written so far by topic."""
        return {name: topic['message_count'] for name, topic in self._topics.items()}

    def add_topic(self, name, message_type, *, depth=10, latched=False):
        """Announce a topic before its first message.

        Parameters
        ----------
        name : str
            Absolute.
        message_type : str
            Such as 'geometry_msgs/msg/WrenchStamped'.
        depth : int
            Queue length of the publisher, which is reliable and keeps the last.
        latched : bool
            Transient local instead of volatile.
        """
        if message_type not in self._typestore.fielddefs:
            raise TactileError('message type without a known definition', where=name,
                               found=message_type)
        definition, _ = self._typestore.generate_msgdef(message_type, ros_version=2)
        qos = [_offered_qos(depth, latched)]
        with self._lock:
            if message_type not in self._schemas:
                self._schemas[message_type] = self._writer.register_schema(
                    message_type, 'ros2msg', definition.encode())
            self._channels[name] = self._writer.register_channel(
                name, 'cdr', self._schemas[message_type],
                {'offered_qos_profiles': _yaml(qos)})
            self._topics[name] = {
                'topic_metadata': {
                    'name': name, 'type': message_type, 'serialization_format': 'cdr',
                    'offered_qos_profiles': qos,
                    'type_description_hash': self._typestore.hash_rihs01(message_type)},
                'message_count': 0}

    def write(self, topic, data, receive_ns, publish_ns):
        """Store one message; after `close` it comes too late and is ignored.

        Parameters
        ----------
        topic : str
            One announced by `add_topic`.
        data : bytes
            The serialised message (CDR).
        receive_ns, publish_ns : int
            When it was received and published, ns.

        Raises
        ------
        FileError
            The disk is full or gone; what was written before is kept.
        """
        with self._lock:
            if self._done.is_set():
                return
            if self._failure is not None:
                raise self._failed(self._failure)
            try:
                self._writer.add_message(self._channels[topic], receive_ns, data, publish_ns)
            except OSError as error:
                raise self._failed(error) from None
            self._topics[topic]['message_count'] += 1
            self._first = receive_ns if self._first is None else min(self._first, receive_ns)
            self._last = receive_ns if self._last is None else max(self._last, receive_ns)

    def close(self):
        """Finish file and metadata; a second time does nothing. Raises FileError."""
        with self._lock:
            if self._done.is_set():
                return
            self._done.set()
        self._keeper.join()
        information = self._information()
        try:
            with self._stream:
                self._writer.add_metadata('rosbag2', {'serialized_metadata': _yaml(information)})
                self._writer.finish()
                self._stream.flush()
                os.fsync(self._stream.fileno())
            (self.folder / 'metadata.yaml').write_text(
                _yaml({'rosbag2_bagfile_information': information}), encoding='utf-8')
        except OSError as error:
            raise self._failed(error) from None

    def _keep_on_disk(self):
        """Push what is written to the disk; a slow disk does not hold up `write`."""
        try:
            while not self._done.wait(_FLUSH_PERIOD):
                with self._lock:
                    self._writer.flush()
                os.fsync(self._stream.fileno())
        except OSError as error:
            self._failure = error

    def _failed(self, error):
        return FileError(f'the bag cannot be written ({error.strerror})', where=str(self.path),
                         fix='What was written before is kept: copy it, then make room.')

    def _information(self):
        start, count = self._first or 0, sum(self.counts.values())
        span = {'starting_time': {'nanoseconds_since_epoch': start},
                'duration': {'nanoseconds': (self._last or 0) - start},
                'message_count': count}
        return {
            'version': 9, 'storage_identifier': 'mcap', **span,
            'topics_with_message_count': list(self._topics.values()),
            'compression_format': '', 'compression_mode': '',
            'relative_file_paths': [self.path.name],
            'files': [{'path': self.path.name, **span}],
            'custom_data': None, 'ros_distro': os.environ.get('ROS_DISTRO', 'unknown')}

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.close()


def _libraries():
    """Return a function that makes a writer on a stream, and the message definitions."""
    try:
        from mcap.writer import CompressionType, Writer
        from rosbags.typesys import Stores, get_typestore
    except ImportError as error:
        raise TactileError(f'bags need a library that is not installed ({error.name})',
                           fix="Install both: pip install 'mcap>=1.5' rosbags") from None

    def make_writer(stream):
        return Writer(stream, chunk_size=_CHUNK_BYTES, compression=CompressionType.ZSTD)

    return make_writer, get_typestore(Stores.ROS2_JAZZY)


class _PlainDumper(yaml.SafeDumper):
    """Safe YAML without references for what occurs twice: not every reader follows them."""

    def ignore_aliases(self, data):
        return True


def _yaml(data):
    return yaml.dump(data, Dumper=_PlainDumper, sort_keys=False)


def _offered_qos(depth, latched):
    """A reliable publisher's quality of service in the words of bag version 9."""
    return {'history': 'keep_last', 'depth': depth, 'reliability': 'reliable',
            'durability': 'transient_local' if latched else 'volatile',
            'deadline': dict(_INFINITE), 'lifespan': dict(_INFINITE),
            'liveliness': 'automatic', 'liveliness_lease_duration': dict(_INFINITE),
            'avoid_ros_namespace_conventions': False}
