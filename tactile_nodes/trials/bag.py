# SPDX-License-Identifier: Apache-2.0
"""Bags: a folder with an MCAP file and `metadata.yaml`, as rosbag2 writes it (bag version 9)."""

import errno
import fcntl
import logging
import os
import threading
import time
from functools import lru_cache
from pathlib import Path

import yaml

from tactile_nodes.device.bags import Bag
from tactile_nodes.errors import FileError, TactileError
from tactile_nodes.files.durable import write_durably

_CHUNK_BYTES = 256 * 1024        # small, so that little is pending when the power goes
_FLUSH_PERIOD = 0.25             # s; a power cut loses this and what the disk needs for it
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

    Four times a second everything written is pushed to the disk, so a crash or a power cut loses
    at most the last second. Messages may come from several threads. The file is locked while it
    is written (flock(2)), which tells a recording that goes on from one that a crash left behind.

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
        try:
            import mcap.writer  # noqa: F401
        except ImportError as error:
            raise _missing(error) from None
        self._typestore = message_definitions()
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
        self._stream = _Stream(self.path)
        self._writer = _new_writer(self._stream)
        self._writer.start(profile='ros2')
        self._schemas, self._channels, self._topics = {}, {}, {}
        self._first, self._last = None, None
        self._flushed = self._synced = time.monotonic()
        self._failure = None
        self._lock, self._done = threading.Lock(), threading.Event()
        self._keepers = [threading.Thread(target=keep, daemon=True)
                         for keep in (self._keep_flushed, self._keep_on_disk)]
        for keeper in self._keepers:
            keeper.start()

    @property
    def size(self):
        """Bytes in the file so far."""
        return self._stream.tell()

    @property
    def on_disk(self):
        """Time (`time.monotonic`) up to which everything written is known to be on the disk."""
        return self._synced

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
        learn(self._typestore, message_type)
        definition, _ = self._typestore.generate_msgdef(message_type, ros_version=2)
        qos = [_offered_qos(depth, latched)]
        with self._lock:
            if message_type not in self._schemas:
                self._schemas[message_type] = self._writer.register_schema(
                    message_type, 'ros2msg', definition.encode())
            self._channels[name] = self._writer.register_channel(
                name, 'cdr', self._schemas[message_type],
                {'offered_qos_profiles': yaml_text(qos)})
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
        self.write_many([(topic, data, receive_ns, publish_ns)])

    def write_many(self, messages):
        """Store several messages at less cost each; every one as the arguments of `write`."""
        with self._lock:
            if self._done.is_set() or not messages:
                return
            if self._failure is not None:
                raise self._failed(self._failure)
            add, channels, topics = self._writer.add_message, self._channels, self._topics
            try:
                for topic, data, receive_ns, publish_ns in messages:
                    add(channels[topic], receive_ns, data, publish_ns)
                    topics[topic]['message_count'] += 1
                self._flush_if_due()
            except OSError as error:
                self._failure = error
                raise self._failed(error) from None
            times = [message[2] for message in messages]
            self._first = min(times) if self._first is None else min(self._first, *times)
            self._last = max(times) if self._last is None else max(self._last, *times)

    def close(self):
        """Finish file and metadata; a second time does nothing.

        Raises
        ------
        FileError
            They could not be written. The file is closed unfinished, for `repair_bag`.
        """
        with self._lock:
            if self._done.is_set():
                return
            self._done.set()
        for keeper in self._keepers:
            keeper.join()
        information = bag_information(self.path.name, list(self._topics.values()), self._first,
                                      self._last)
        try:
            if self._failure is not None:
                raise self._failure
            self._writer.flush()
            self._writer.add_metadata('rosbag2', {'serialized_metadata': yaml_text(information)})
            self._writer.finish()
            self._stream.sync()
            write_metadata(self.folder, information)
        except OSError as error:
            raise self._failed(error) from None
        finally:
            self._stream.close()

    def _keep_flushed(self):
        """Hand everything to the kernel, which keeps it when this process is killed."""
        try:
            while not self._done.wait(_FLUSH_PERIOD):
                with self._lock:
                    if self._failure is None:
                        self._flush_if_due()
        except OSError as error:
            self._failure = self._failure or error

    def _flush_if_due(self):
        """Also who writes does this: on a busy machine it may be long until a keeper runs."""
        now = time.monotonic()
        if now - self._flushed >= _FLUSH_PERIOD:
            self._writer.flush()
            self._flushed = now

    def _keep_on_disk(self):
        """Push that to the disk; a slow disk holds up neither `write` nor the flushing."""
        try:
            while not self._done.wait(_FLUSH_PERIOD):
                flushed = self._flushed
                self._stream.sync()
                self._synced = flushed
        except OSError as error:
            self._failure = self._failure or error

    def _failed(self, error):
        what = 'the disk is full' if error.errno == errno.ENOSPC else \
            f'the bag cannot be written ({error.strerror})'
        return FileError(what, where=str(self.path),
                         fix='What was written before is kept: copy it, then make room.')

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.close()


@lru_cache(maxsize=1)
def message_definitions():
    """Definitions of the standard messages (a rosbags typestore), to which others can be added."""
    try:
        from rosbags.typesys import Stores, get_typestore
    except ImportError as error:
        raise _missing(error) from None
    return get_typestore(Stores.ROS2_JAZZY)


def learn(typestore, message_type):
    """Add the definition of a message that is installed here, and of what it is made of.

    Raises
    ------
    TactileError
        There is no definition of it.
    """
    from rosbags.typesys import get_types_from_msg
    from rosbags.typesys.base import TypesysError

    if message_type in typestore.fielddefs:
        return
    package, _, name = message_type.split('/')
    for prefix in filter(None, os.environ.get('AMENT_PREFIX_PATH', '').split(os.pathsep)):
        file = Path(prefix, 'share', package, 'msg', f'{name}.msg')
        try:
            found = get_types_from_msg(file.read_text(encoding='utf-8'), message_type)
        except (OSError, UnicodeDecodeError, TypesysError):
            continue
        for _, fields in found.values():
            for _, node in fields:
                for part in _names_in(node):
                    learn(typestore, part)
        typestore.register(found)
        return
    raise TactileError('message type without a known definition', found=message_type)


def _names_in(node):
    """Message types that a field of a definition is made of."""
    kind, content = node
    if kind.name == 'NAME':
        yield content
    elif kind.name in ('ARRAY', 'SEQUENCE'):
        yield from _names_in(content[0])


def _missing(error):
    return TactileError(f'bags need a library that is not installed ({error.name})',
                        fix="Install both: pip install 'mcap>=1.5' rosbags")


def _new_writer(stream):
    from mcap.writer import CompressionType, Writer
    return Writer(stream, chunk_size=_CHUNK_BYTES, compression=CompressionType.ZSTD)


class _Stream:
    """A new, locked file without a buffer of its own: what is written is written, or raises."""

    def __init__(self, path):
        self._handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o644)
        fcntl.flock(self._handle, fcntl.LOCK_EX)
        self._size = 0

    def write(self, data):
        rest = memoryview(data)
        while rest:
            written = os.write(self._handle, rest)
            self._size += written
            rest = rest[written:]

    def tell(self):
        return self._size

    def flush(self):
        """Nothing waits here."""

    def fileno(self):
        return self._handle

    def sync(self):
        os.fsync(self._handle)

    def close(self):
        os.close(self._handle)


class _PlainDumper(yaml.SafeDumper):
    """Safe YAML without references for what occurs twice: not every reader follows them."""

    def ignore_aliases(self, data):
        return True


def yaml_text(data):
    """YAML as every reader of bags understands it."""
    return yaml.dump(data, Dumper=_PlainDumper, sort_keys=False)


def bag_information(file_name, topics, first_ns, last_ns):
    """What rosbag2 stores of a bag of one file, in the file and beside it.

    Parameters
    ----------
    file_name : str
    topics : list of dict
        `topic_metadata` and `message_count` of each.
    first_ns, last_ns : int or None
        First and last log time.
    """
    span = {'starting_time': {'nanoseconds_since_epoch': first_ns or 0},
            'duration': {'nanoseconds': (last_ns or 0) - (first_ns or 0)},
            'message_count': sum(topic['message_count'] for topic in topics)}
    return {
        'version': 9, 'storage_identifier': 'mcap', **span,
        'topics_with_message_count': topics,
        'compression_format': '', 'compression_mode': '',
        'relative_file_paths': [file_name], 'files': [{'path': file_name, **span}],
        'custom_data': None, 'ros_distro': os.environ.get('ROS_DISTRO', 'unknown')}


def write_metadata(folder, information):
    """Write `metadata.yaml` of a bag."""
    write_durably(folder / 'metadata.yaml',
                  yaml_text({'rosbag2_bagfile_information': information}))


def _offered_qos(depth, latched):
    """A reliable publisher's quality of service in the words of bag version 9."""
    return {'history': 'keep_last', 'depth': depth, 'reliability': 'reliable',
            'durability': 'transient_local' if latched else 'volatile',
            'deadline': dict(_INFINITE), 'lifespan': dict(_INFINITE),
            'liveliness': 'automatic', 'liveliness_lease_duration': dict(_INFINITE),
            'avoid_ros_namespace_conventions': False}
