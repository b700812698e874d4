# SPDX-License-Identifier: Apache-2.0
"""Finishes in place what a crash left of a bag: every whole chunk is kept, the torn end cut off.

Nothing is copied, so it takes no room and as long as reading the file once. What is cut off is
kept beside it. The file's layout is that of the MCAP specification, version 0.
"""

import fcntl
import os
import struct
import zlib
from collections import Counter, defaultdict
from dataclasses import dataclass, field
from io import BytesIO
from pathlib import Path

import yaml

from tactile_nodes.errors import FileError, TactileError
from tactile_nodes.trials.bag import (
    bag_information,
    message_definitions,
    write_metadata,
    yaml_text,
)

MAGIC = b'\x89MCAP0\r\n'
_HEAD = struct.Struct('<BQ')             # kind and length of a record
_MESSAGE = struct.Struct('<HIQQ')        # channel, sequence, log time, publish time
_COPY = 1 << 20


@dataclass(frozen=True)
class Repaired:
    """What is in a repaired bag: messages, first and last log time in ns, bytes cut off."""

    messages: int
    first_ns: int | None
    last_ns: int | None
    cut: int


def is_finished(folder):
    """Whether the bag in a folder has its metadata and a file that was written to its end."""
    folder = Path(folder)
    try:
        with _file(folder).open('rb') as stream:
            stream.seek(-len(MAGIC), os.SEEK_END)
            return stream.read() == MAGIC and (folder / 'metadata.yaml').exists()
    except OSError:
        return False


def repair_bag(folder):
    """Finish the bag in a folder; one that is finished stays as it is.

    Returns
    -------
    Repaired or None
        None when there was nothing to do.

    Raises
    ------
    FileError
        It is being recorded, is no bag of one MCAP file, or cannot be written; nothing is lost.
    """
    folder = Path(folder)
    if is_finished(folder):
        return None
    path = _file(folder)
    try:
        with path.open('r+b') as stream:
            _lock(stream, folder)
            return _finish(stream, path)
    except OSError as error:
        raise FileError(f'cannot be repaired ({error.strerror})', where=str(path),
                        fix='Nothing is lost: make room or copy the folder, and try again.'
                        ) from None


def being_recorded(folder):
    """Whether a recorder writes the bag in this folder now."""
    try:
        with _file(Path(folder)).open('rb') as stream:
            _lock(stream, folder)
    except FileError:
        return True
    except OSError:
        pass
    return False


def _file(folder):
    files = sorted(folder.glob('*.mcap'))
    if len(files) != 1:
        raise FileError('not a bag of one MCAP file', where=str(folder), found=len(files),
                        expected='one .mcap file')
    return files[0]


def _lock(stream, folder):
    try:
        fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        raise FileError('is being recorded', where=str(folder), fix='Stop the trial first.'
                        ) from None


@dataclass
class _Scan:
    """What the whole records of a file hold; `end` is where they end."""

    end: int = 0
    schemas: dict = field(default_factory=dict)
    channels: dict = field(default_factory=dict)
    counts: Counter = field(default_factory=Counter)
    chunks: list = field(default_factory=list)       # of ChunkIndex
    metadata: list = field(default_factory=list)     # of MetadataIndex
    missing: list = field(default_factory=list)      # MessageIndex that the last chunk lacks
    first: int | None = None
    last: int | None = None


def _finish(stream, path):
    records = _records()
    scan = _scan(stream, records)
    size = stream.seek(0, os.SEEK_END)
    if scan.end < size:
        _keep_tail(stream, path, scan.end)
    stream.seek(scan.end)
    stream.truncate()
    if not scan.end:
        stream.write(MAGIC)
        stream.write(_built(records.Header('ros2', 'tactile_nodes')))
    information = bag_information(path.name, _topics(scan), scan.first, scan.last)
    _write_end(stream, scan, information, records)
    stream.flush()
    os.fsync(stream.fileno())
    write_metadata(path.parent, information)
    return Repaired(sum(scan.counts.values()), scan.first, scan.last, size - scan.end)


def _records():
    try:
        from mcap import records
    except ImportError:
        raise TactileError('bags need a library that is not installed (mcap)',
                           fix="Install it: pip install 'mcap>=1.5' rosbags") from None
    return records


def _keep_tail(stream, path, begin):
    """Copy what is cut off into a file of its own, unless an earlier try has done it."""
    kept = path.with_name(f'torn_at_{begin}.bin')
    if kept.exists():
        return
    stream.seek(begin)
    with kept.open('wb') as copy:
        while block := stream.read(_COPY):
            copy.write(block)
        copy.flush()
        os.fsync(copy.fileno())


def _scan(stream, records):
    """Read whole records up to the first that is torn, damaged or part of the file's end."""
    from mcap.exceptions import McapError
    from mcap.opcode import Opcode

    scan, size = _Scan(), os.fstat(stream.fileno()).st_size
    if stream.read(len(MAGIC)) != MAGIC:
        if size >= len(MAGIC):
            raise FileError('not an MCAP file', where=stream.name)
        return scan
    while True:
        begin = stream.tell()
        head = stream.read(_HEAD.size)
        if len(head) < _HEAD.size:
            break
        kind, length = _HEAD.unpack(head)
        wanted = kind in (Opcode.HEADER, Opcode.CHUNK, Opcode.MESSAGE_INDEX, Opcode.METADATA)
        if not wanted or length > size - begin - _HEAD.size:
            break
        try:
            if not _take(scan, kind, stream.read(length), begin, records):
                break
        except (McapError, struct.error, ValueError, KeyError):
            break
        scan.end = stream.tell()
    return scan


def _take(scan, kind, body, begin, records):
    """Take a record into the scan; whether it is whole."""
    from mcap.opcode import Opcode

    if kind == Opcode.CHUNK:
        chunk = records.Chunk.read(_stream_of(body))
        messages = _read_chunk(chunk, scan, records)
        if messages is None:
            return False
        scan.chunks.append(_chunk_index(chunk, begin, len(body), records))
        scan.missing = [records.MessageIndex(channel, entries)
                        for channel, entries in messages.items()]
    elif kind == Opcode.MESSAGE_INDEX and scan.missing:
        channel, = struct.unpack_from('<H', body)
        scan.missing = [index for index in scan.missing if index.channel_id != channel]
        scan.chunks[-1].message_index_offsets[channel] = begin
        scan.chunks[-1].message_index_length += _HEAD.size + len(body)
    elif kind == Opcode.METADATA:
        name = records.Metadata.read(_stream_of(body)).name
        scan.metadata.append(records.MetadataIndex(begin, _HEAD.size + len(body), name))
    return True


def _stream_of(body):
    from mcap.data_stream import ReadDataStream
    return ReadDataStream(BytesIO(body))


def _chunk_index(chunk, begin, length, records):
    return records.ChunkIndex(
        message_start_time=chunk.message_start_time, message_end_time=chunk.message_end_time,
        chunk_start_offset=begin, chunk_length=_HEAD.size + length, message_index_offsets={},
        message_index_length=0, compression=chunk.compression,
        compressed_size=len(chunk.data), uncompressed_size=chunk.uncompressed_size)


def _read_chunk(chunk, scan, records):
    """Take what a chunk holds into the scan; its messages by channel, or None if damaged."""
    from mcap.opcode import Opcode
    from mcap.stream_reader import get_chunk_data_stream

    try:
        data_stream, length = get_chunk_data_stream(chunk, validate_crc=True)
        data = data_stream.read(length)
    except Exception as error:          # noqa: BLE001  whatever the decompressor says of garbage
        if isinstance(error, MemoryError):
            raise
        return None
    messages, at = defaultdict(list), 0
    while at < len(data):
        kind, length = _HEAD.unpack_from(data, at)
        body = at + _HEAD.size
        if kind == Opcode.MESSAGE:
            channel, _, log_time, _ = _MESSAGE.unpack_from(data, body)
            messages[channel].append((log_time, at))
        elif kind in (Opcode.SCHEMA, Opcode.CHANNEL):
            read = records.Schema if kind == Opcode.SCHEMA else records.Channel
            record = read.read(_stream_of(data[body:body + length]))
            (scan.schemas if kind == Opcode.SCHEMA else scan.channels)[record.id] = record
        at = body + length
    for channel, entries in messages.items():
        scan.counts[channel] += len(entries)
    if messages:
        first, last = chunk.message_start_time, chunk.message_end_time
        scan.first = first if scan.first is None else min(scan.first, first)
        scan.last = last if scan.last is None else max(scan.last, last)
    return messages


def _topics(scan):
    """`topics_with_message_count` as rosbag2 has it."""
    typestore = message_definitions()
    topics = []
    for channel in scan.channels.values():
        kind = scan.schemas[channel.schema_id].name
        known = kind in typestore.fielddefs
        topics.append({
            'topic_metadata': {
                'name': channel.topic, 'type': kind, 'serialization_format': 'cdr',
                'offered_qos_profiles': yaml.safe_load(
                    channel.metadata.get('offered_qos_profiles') or '[]'),
                'type_description_hash': typestore.hash_rihs01(kind) if known else ''},
            'message_count': scan.counts[channel.id]})
    return topics


def _built(*records):
    """Bytes of records."""
    from mcap.data_stream import RecordBuilder
    builder = RecordBuilder()
    for record in records:
        record.write(builder)
    return builder.end()


def _write_end(stream, scan, information, records):
    """Write what a writer writes at the end: indexes, metadata, summary, footer."""
    from mcap.opcode import Opcode

    for index in scan.missing:
        at, data = stream.tell(), _built(index)
        scan.chunks[-1].message_index_offsets[index.channel_id] = at
        scan.chunks[-1].message_index_length += len(data)
        stream.write(data)
    at = stream.tell()
    metadata = _built(records.Metadata('rosbag2', {'serialized_metadata': yaml_text(information)}))
    scan.metadata.append(records.MetadataIndex(at, len(metadata), 'rosbag2'))
    stream.write(metadata + _built(records.DataEnd(0)))
    statistics = records.Statistics(
        attachment_count=0, channel_count=len(scan.channels),
        channel_message_counts=dict(scan.counts), chunk_count=len(scan.chunks),
        message_count=sum(scan.counts.values()), metadata_count=len(scan.metadata),
        message_start_time=scan.first or 0, message_end_time=scan.last or 0,
        schema_count=len(scan.schemas))
    groups = ((Opcode.SCHEMA, scan.schemas.values()), (Opcode.CHANNEL, scan.channels.values()),
              (Opcode.STATISTICS, [statistics]), (Opcode.CHUNK_INDEX, scan.chunks),
              (Opcode.METADATA_INDEX, scan.metadata))
    begin, summary, offsets = stream.tell(), b'', []
    for kind, group in groups:
        data = _built(*group)
        offsets.append(records.SummaryOffset(kind, begin + len(summary), len(data)))
        summary += data
    offset_start = begin + len(summary)
    summary += _built(*offsets)
    # The footer's checksum covers the summary and the footer's own first fields.
    footer = struct.pack('<BQQQ', Opcode.FOOTER, 8 + 8 + 4, begin, offset_start)
    stream.write(summary)
    stream.write(_built(records.Footer(begin, offset_start, zlib.crc32(summary + footer))))
    stream.write(MAGIC)
