# SPDX-License-Identifier: Apache-2.0
"""The one way bags are read: rosbag2 folders and single files, MCAP and sqlite3."""

import importlib
import logging
import re
import sqlite3

from tactile_nodes.errors import DeviceError

SUFFIXES = ('.mcap', '.db3')
_MCAP = b'\x89MCAP0\r\n'        # MCAP specification, "Magic"

_log = logging.getLogger(__name__)


class Bag:
    """Messages of a bag by topic.

    An MCAP file is read from the front, so that one without its end gives what is there; damage
    is warned of and what comes before it is used.

    Parameters
    ----------
    path : Path
        A rosbag2 folder (also of several files, also without `metadata.yaml`), or one .mcap or
        .db3 file.

    Attributes
    ----------
    topics : dict of str to str
        Message type, such as 'sensor_msgs/msg/Image', by topic.

    Raises
    ------
    DeviceError
        No such path, not a bag, or one that cannot be read at all; or a library is missing.
    """

    def __init__(self, path):
        if not is_bag(path):
            raise DeviceError('no such bag', where=str(path),
                              expected='a rosbag2 folder, a .mcap or a .db3 file')
        typesys = _imported('rosbags.typesys')
        self._path, self._storage = path, _storage_of(path)
        self._typestore = typesys.get_typestore(typesys.Stores.LATEST)
        self.topics = self._storage.topics()

    def messages(self, topics):
        """Yield (topic, log time in ns, message) of some topics, in the order they were stored.

        The message is None where its bytes are not a whole one.

        Raises
        ------
        DeviceError
            No such topic (the error lists those there are), or a message type that is not
            known.
        """
        from rosbags.serde import SerdeError
        for topic in topics:
            if topic not in self.topics:
                raise DeviceError('no such topic', where=str(self._path), found=topic,
                                  expected='one of ' + ', '.join(sorted(self.topics)))
            if self.topics[topic] not in self._typestore.fielddefs:
                raise DeviceError('message type without a known definition',
                                  where=f'{self._path} {topic}', found=self.topics[topic])
        for topic, log_time, data in self._storage.messages(set(topics)):
            try:
                message = self._typestore.deserialize_cdr(data, self.topics[topic])
            except SerdeError:
                message = None
            yield topic, log_time, message


def stamp_of(message, log_ns):
    """Stamp of a message's header in ns; where that is 0, the time it was stored."""
    stamp = message.header.stamp
    return (stamp.sec * 1_000_000_000 + stamp.nanosec) or log_ns


def _imported(name):
    """Import an optional library when a bag needs it; DeviceError names the package to install."""
    try:
        return importlib.import_module(name)
    except ImportError as error:
        package = name.partition('.')[0]
        raise DeviceError(f'the Python package {package} is needed to read a bag ({error})',
                          fix=f'Install it: pip install {package}') from None


def is_bag(path):
    """Whether there is a bag at `path`, by the names of files."""
    if path.is_dir():
        return (path / 'metadata.yaml').exists() or any(
            any(path.glob(f'*{suffix}')) for suffix in SUFFIXES)
    return path.is_file() and path.suffix.lower() in SUFFIXES


def _storage_of(path):
    """What reads the files of the bag at `path`."""
    if path.is_file():
        return (_McapFiles if path.suffix.lower() == '.mcap' else _Indexed)([path])
    files = in_order(path.glob('*.mcap'))
    if files:
        return _McapFiles(files)
    if (path / 'metadata.yaml').exists():
        return _Indexed([path])
    return _Indexed(in_order(path.glob('*.db3')))


def in_order(files):
    """Files by the numbers in their names, so that bag_2 comes before bag_10."""
    return sorted(files, key=lambda file: [int(part) if part.isdigit() else part
                                           for part in re.split(r'(\d+)', file.name)])


class _McapFiles:
    """Messages of .mcap files, read from the front."""

    def __init__(self, files):
        self._reader = _imported('mcap.reader')
        self._files = files
        if not any(_first_bytes(file) == _MCAP for file in files):
            raise DeviceError('not an MCAP file', where=', '.join(map(str, files)),
                              found=_first_bytes(files[0]), expected=f'{_MCAP} at its beginning')

    def topics(self):
        """{topic: message type}, from the summary if the file has one."""
        topics = {}
        for path in self._files:
            found = self._summary(path)
            topics.update(found or ((channel.topic, schema.name)
                                    for schema, channel, _ in self._all(path, None) if schema))
        return topics

    def _summary(self, path):
        """{topic: message type} as the end of a file has it, empty where it is not whole."""
        with path.open('rb') as file:
            try:
                summary = self._reader.make_reader(file).get_summary()
                return {channel.topic: summary.schemas[channel.schema_id].name
                        for channel in summary.channels.values()
                        if channel.schema_id in summary.schemas} if summary else {}
            except _mcap_damage():
                return {}

    def messages(self, topics):
        """Yield (topic, log time in ns, bytes)."""
        for path in self._files:
            for _, channel, message in self._all(path, topics):
                yield channel.topic, message.log_time, message.data

    def _all(self, path, topics):
        with path.open('rb') as file:
            reader = self._reader.NonSeekingReader(file, validate_crcs=True)
            try:
                yield from reader.iter_messages(topics, log_time_order=False)
            except _mcap_damage() as error:
                _log.warning('%s ends early (%s: %s), what comes before is used', path,
                             type(error).__name__, error)


def _first_bytes(file):
    try:
        with file.open('rb') as stream:
            return stream.read(len(_MCAP))
    except OSError as error:
        raise DeviceError(f'cannot be read ({error.strerror})', where=str(file)) from None


def _mcap_damage():
    """What reading a truncated or damaged .mcap can raise."""
    import struct

    import zstandard
    from mcap.exceptions import McapError
    return (McapError, struct.error, zstandard.ZstdError, RuntimeError, ValueError, KeyError,
            MemoryError, OSError)         # of a damaged size or place


class _Indexed:
    """Messages of rosbag2 folders of another storage than plain .mcap, or of .db3 files."""

    def __init__(self, paths):
        self._paths, self._rosbag2 = paths, _imported('rosbags.rosbag2')

    def topics(self):
        """{topic: message type}."""
        found = {}
        for path in self._paths:
            try:
                with self._rosbag2.Reader(path) as reader:
                    found.update((c.topic, c.msgtype) for c in reader.connections)
            except self._damage() as error:
                raise DeviceError(f'cannot be read ({error})', where=str(path)) from None
        return found

    def messages(self, topics):
        """Yield (topic, log time in ns, bytes)."""
        for path in self._paths:
            try:
                with self._rosbag2.Reader(path) as reader:
                    wanted = [c for c in reader.connections if c.topic in topics]
                    if not wanted:            # no connections would mean all
                        continue
                    for connection, log_time, data in reader.messages(wanted):
                        yield connection.topic, log_time, data
            except self._damage() as error:
                _log.warning('%s ends early (%s), what comes before is used', path, error)

    def _damage(self):
        return self._rosbag2.ReaderError, sqlite3.Error, OSError, ValueError, KeyError
