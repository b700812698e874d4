# SPDX-License-Identifier: Apache-2.0
"""The images in a rosbag2 bag, in a single .mcap file or in a folder."""

import importlib
import logging

import cv2
import numpy as np

from tactile_nodes.errors import DeviceError

FRAME_RATES = (1.0, 240.0)         # Hz, of a folder of images; a bag has its own
_IMAGE_TYPES = ('sensor_msgs/msg/Image', 'sensor_msgs/msg/CompressedImage')
_CHANNELS = {'bgr8': 3, 'rgb8': 3, 'mono8': 1}
_SUFFIXES = ('.png', '.jpg', '.jpeg')

_log = logging.getLogger(__name__)


class CorruptImageError(Exception):
    """An image that cannot be decoded; dropped and counted by who reads it."""


def images_at(path, topic, rate):
    """Images of whatever is at `path`.

    Parameters
    ----------
    path : Path
    topic : str or None
        Of a bag; None takes the only image topic.
    rate : float
        Frames per second of a folder of images.

    Returns
    -------
    object
        With `name`, `frame_rates` (range of `rate`, None when the recording has its own),
        `images()` yielding (stamp in ns, payload) from the beginning, and `decode(payload)`
        returning (H, W, 3) uint8 and the JPEG bytes if it was one; CorruptImageError if not
        decodable.

    Raises
    ------
    DeviceError
    """
    if not path.exists():
        raise DeviceError('no such recording', where=str(path), fix='Check the path.')
    if path.is_file() and path.suffix == '.mcap':
        return _Bag(_McapFiles([path]), path, topic)
    if path.is_dir():
        files = sorted(path.glob('*.mcap'))
        if files:
            return _Bag(_McapFiles(files), path, topic)
        if (path / 'metadata.yaml').exists():
            return _Bag(_BagFolder(path), path, topic)
        files = sorted(file for file in path.iterdir() if file.suffix.lower() in _SUFFIXES)
        if files:
            return _Folder(path, files, rate)
    raise DeviceError('not a recording', where=str(path),
                      expected='a rosbag2 folder, a .mcap file or a folder of .png or .jpg images')


class _Folder:
    """Images of a folder; stamps count from 0 at the frame rate."""

    frame_rates = FRAME_RATES

    def __init__(self, path, files, rate):
        self.name, self.rate, self._files = str(path), rate, files

    def images(self):
        """Yield (stamp in ns, payload)."""
        stamp = 0.0
        for file in self._files:
            yield round(stamp), file
            stamp += 1e9 / self.rate

    def decode(self, file):
        """Return image (H, W, 3) and JPEG bytes or None."""
        try:
            return _decoded(file.read_bytes())
        except OSError as error:
            raise CorruptImageError(str(error)) from None


class _Bag:
    """One image topic of a bag."""

    frame_rates = None

    def __init__(self, storage, path, topic):
        self._typestore = _imported('rosbags.typesys').get_typestore(
            _imported('rosbags.typesys').Stores.LATEST)
        self._storage = storage
        topics = storage.topics()
        images = sorted(name for name, kind in topics.items() if kind in _IMAGE_TYPES)
        if topic is None and len(images) == 1:
            topic = images[0]
        if topic not in images:
            raise DeviceError(
                'several image topics' if topic is None and images else 'no such image topic',
                where=str(path), found=topic,
                expected='one of ' + ', '.join(images) if images else
                f'an image topic; it has {", ".join(sorted(topics)) or "no topics"}',
                fix='Say which topic to play.' if images else None)
        self._topic, self._type = topic, topics[topic]
        self.name = f'{path} {topic}'

    def images(self):
        """Yield (stamp in ns, payload)."""
        from rosbags.serde import SerdeError
        for log_time, data in self._storage.messages(self._topic):
            try:
                message = self._typestore.deserialize_cdr(data, self._type)
            except SerdeError:
                yield log_time, None
            else:
                stamp = message.header.stamp
                yield (stamp.sec * 1_000_000_000 + stamp.nanosec) or log_time, message

    def decode(self, message):
        """Return image (H, W, 3) and JPEG bytes or None."""
        if message is None:
            raise CorruptImageError('not a whole message')
        if self._type.endswith('CompressedImage'):
            return _decoded(message.data.tobytes())
        channels = _CHANNELS.get(message.encoding)
        if channels is None:
            raise DeviceError('image encoding is not supported', where=self.name,
                              found=message.encoding, expected='one of ' + ', '.join(_CHANNELS))
        height, width, step = message.height, message.width, message.step
        if step < width * channels or len(message.data) != height * step or not height * width:
            raise CorruptImageError('size and data do not agree')
        rows = message.data.reshape(height, step)[:, :width * channels]
        if channels == 1:
            return cv2.cvtColor(np.ascontiguousarray(rows), cv2.COLOR_GRAY2BGR), None
        image = rows.reshape(height, width, 3)
        return (image[..., ::-1] if message.encoding == 'rgb8' else image).copy(), None


class _McapFiles:
    """Messages of .mcap files, read from the front so that a file without its end will do."""

    def __init__(self, files):
        self._files = files
        self._reader = _imported('mcap.reader')

    def topics(self):
        """{topic: message type}, from the summary if the file has one."""
        topics = {}
        for path in self._files:
            with path.open('rb') as file:
                try:
                    summary = self._reader.make_reader(file).get_summary()
                except _mcap_damage():
                    summary = None
            if summary:
                for channel in summary.channels.values():
                    topics[channel.topic] = summary.schemas[channel.schema_id].name
            else:
                topics.update((channel.topic, schema.name)
                              for schema, channel, _ in self._all(path, None))
        return topics

    def messages(self, topic):
        """Yield (log time in ns, bytes)."""
        for path in self._files:
            for _, _, message in self._all(path, topic):
                yield message.log_time, message.data

    def _all(self, path, topic):
        with path.open('rb') as file:
            reader = self._reader.NonSeekingReader(file)
            try:
                yield from reader.iter_messages(topic, log_time_order=False)
            except _mcap_damage() as error:
                _log.warning('%s ends early (%s: %s), what comes before is used', path,
                             type(error).__name__, error)


def _mcap_damage():
    """What reading a truncated or damaged .mcap can raise."""
    import struct

    import zstandard
    from mcap.exceptions import McapError
    return McapError, struct.error, zstandard.ZstdError, RuntimeError, ValueError, KeyError


class _BagFolder:
    """Messages of a rosbag2 folder of another storage than plain .mcap."""

    def __init__(self, path):
        rosbag2 = _imported('rosbags.rosbag2')
        self._path, self._open, self._error = path, rosbag2.Reader, rosbag2.ReaderError

    def topics(self):
        """{topic: message type}."""
        try:
            with self._open(self._path) as reader:
                return {c.topic: c.msgtype for c in reader.connections}
        except (self._error, OSError, ValueError) as error:
            raise DeviceError(f'cannot be read ({error})', where=str(self._path)) from None

    def messages(self, topic):
        """Yield (log time in ns, bytes)."""
        with self._open(self._path) as reader:
            wanted = [c for c in reader.connections if c.topic == topic]
            for _, log_time, data in reader.messages(wanted):
                yield log_time, data


def _imported(name):
    """Import an optional library when a bag needs it."""
    try:
        return importlib.import_module(name)
    except ImportError as error:
        package = name.partition('.')[0]
        raise DeviceError(f'the Python package {package} is needed to read a bag ({error})',
                          fix=f'Install it: pip install {package}') from None


def _decoded(data):
    """Image and, if that is what it is, JPEG bytes of a compressed image."""
    # decoders fill up what is missing without a word, so the end marker is looked for first
    jpeg = data[:2] == b'\xff\xd8'
    whole = b'\xff\xd9' in data.rstrip(b'\0')[-64:] if jpeg else b'IEND' in data[-16:]
    if not whole:
        raise CorruptImageError('not a whole image')
    try:
        image = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    except cv2.error as error:
        raise CorruptImageError(str(error)) from None
    if image is None:
        raise CorruptImageError('not an image')
    return image, data if jpeg else None
