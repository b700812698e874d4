# SPDX-License-Identifier: Apache-2.0
"""The images in a bag or in a folder."""

import re

import cv2
import numpy as np

from tactile_nodes.device.bags import Bag, in_order, is_bag, stamp_of
from tactile_nodes.errors import DeviceError
from tactile_nodes.interface import FINGER_TOPICS

DARK, MAX_DARK = 10, 0.5           # grey level; share of the pixels: common practice, no source
SAME_PICTURE = 10          # identical pictures in a row: a live sensor's noise never repeats
FRAME_RATES = (1.0, 240.0)         # Hz, of a folder of images; a bag has its own
_IMAGE_TYPES = ('sensor_msgs/msg/Image', 'sensor_msgs/msg/CompressedImage')
# bytes a pixel, and what makes blue, green, red of them (REP 118 and sensor_msgs' image_encodings;
# a Bayer pattern is named there by its first row, by OpenCV from its second row and column)
_ENCODINGS = {
    'bgr8': (3, None), '8uc3': (3, None), 'rgb8': (3, cv2.COLOR_RGB2BGR),
    'bgra8': (4, cv2.COLOR_BGRA2BGR), 'rgba8': (4, cv2.COLOR_RGBA2BGR),
    'mono8': (1, cv2.COLOR_GRAY2BGR), '8uc1': (1, cv2.COLOR_GRAY2BGR),
    'uyvy': (2, cv2.COLOR_YUV2BGR_UYVY), 'yuv422': (2, cv2.COLOR_YUV2BGR_UYVY),
    'yuyv': (2, cv2.COLOR_YUV2BGR_YUYV), 'yuv422_yuy2': (2, cv2.COLOR_YUV2BGR_YUYV),
    'bayer_rggb8': (1, cv2.COLOR_BayerBG2BGR), 'bayer_bggr8': (1, cv2.COLOR_BayerRG2BGR),
    'bayer_gbrg8': (1, cv2.COLOR_BayerGR2BGR), 'bayer_grbg8': (1, cv2.COLOR_BayerGB2BGR)}
# what the other nodes make of a camera's images, and the reference
_MADE_OF_IMAGES = tuple(f'/{t.name}' for t in FINGER_TOPICS if t.type == _IMAGE_TYPES[0]
                        and t.name != 'image_raw')
_SCAN, _RESTART = 0xDA, 0xDD       # JPEG markers
SUFFIXES = ('.png', '.jpg', '.jpeg')


class CorruptImageError(Exception):
    """An image that cannot be decoded; dropped and counted by who reads it."""


def decode_image(data):
    """(H, W, 3) uint8, blue green red, of an image file's bytes; None if they are broken."""
    data = bytes(data)
    image = _decode(data)
    if image is not None and data[:2] == b'\xff\xd8' and _lacks_blocks(data, image):
        return None
    return image


def _decode(data):
    try:
        return cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    except cv2.error:           # nothing there, or it claims to be larger than is let in
        return None


def _lacks_blocks(data, image):
    """Whether a sequential JPEG's data ends before its blocks do, as when a USB payload was lost.

    The decoder makes the rest, up to the next restart, exactly middle grey and does not tell.
    Grey that stays when every interval has its data twice was in the picture.
    Format: ITU-T T.81, B.1 and B.2.
    """
    segments, at = {}, 2
    while data[at:at + 1] == b'\xff' and _SCAN not in segments:
        segments[data[at + 1]] = at
        at += 2 + int.from_bytes(data[at + 2:at + 4], 'big')
    frame = segments.get(0xC0, segments.get(0xC1))
    if frame is None or _SCAN not in segments:
        return False
    sampling = data[frame + 11:frame + 11 + 3 * data[frame + 9]:3]
    if len(sampling) == 1:
        sampling = b'\x11'                      # a single component comes in blocks, B.2.3
    height, width = 8 * max(s & 15 for s in sampling), 8 * max(s >> 4 for s in sampling)
    columns = -(-image.shape[1] // width)
    units = columns * -(-image.shape[0] // height)
    restart = segments.get(_RESTART)
    interval = restart and int.from_bytes(data[restart + 4:restart + 6], 'big') or units
    ends = np.minimum(np.arange(1, -(-units // interval) + 1) * interval, units) - 1
    # not on their rims: those share the colour of their neighbours
    y = np.maximum(np.minimum((ends // columns + 1) * height, image.shape[0]) - 2, 0)
    x = np.maximum(np.minimum((ends % columns + 1) * width, image.shape[1]) - 2, 0)
    if not ((image[y, x] == 128) & (image[y - 1, x - 1] == 128)).all(axis=1).any():
        return False
    end = data.rfind(b'\xff\xd9')
    *parts, last = re.split(rb'\xff([\x01-\xfe])', data[at:end])
    if parts[1::2] != [bytes([0xD0 + i % 8]) for i in range(len(ends) - 1)]:
        return True
    whole = b''.join(2 * part + b'\xff' + marker
                     for part, marker in zip(parts[::2], parts[1::2], strict=True)) + 2 * last
    return not np.array_equal(_decode(data[:at] + whole + data[end:]), image)


def is_dark(image):
    """Whether an image (H, W, 3) uint8 shows next to nothing; then it may well repeat itself."""
    return np.mean(image[::2, ::2].max(axis=2) < DARK) > MAX_DARK


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
        With `name`, `topic` (None for a folder), `frame_rates` (range of `rate`, None when the
        recording has its own),
        `images()` yielding (stamp in ns, payload) from the beginning, and `decode(payload)`
        returning (H, W, 3) uint8 and the JPEG bytes if it was one; CorruptImageError if not
        decodable.

    Raises
    ------
    DeviceError
    """
    if not path.exists():
        raise DeviceError('no such recording', where=str(path), fix='Check the path.')
    if is_bag(path):
        return _BagImages(path, topic)
    files = in_order(file for file in path.iterdir() if file.suffix.lower() in SUFFIXES) \
        if path.is_dir() else []
    if files:
        return _Folder(path, files, rate)
    raise DeviceError('not a recording', where=str(path),
                      expected='a rosbag2 folder, a .mcap or .db3 file, or a folder of .png or '
                               '.jpg images')


class _Folder:
    """Images of a folder; stamps count from 0 at the frame rate."""

    topic, frame_rates = None, FRAME_RATES

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


class _BagImages:
    """One image topic of a bag."""

    frame_rates = None

    def __init__(self, path, topic):
        self._bag = Bag(path)
        topics = self._bag.topics
        images = sorted(name for name, kind in topics.items() if kind in _IMAGE_TYPES)
        cameras = [name for name in images if not name.endswith(_MADE_OF_IMAGES)
                   and name.removesuffix('/compressed') not in images[:images.index(name)]]
        if topic is None and len(cameras) == 1:
            topic = cameras[0]
        if topic not in images:
            raise DeviceError(
                'several image topics' if topic is None and images else 'no such image topic',
                where=str(path), found=topic,
                expected='one of ' + ', '.join(cameras or images) if images else
                f'an image topic; it has {", ".join(sorted(topics)) or "no topics"}',
                fix='Name it: --image-topic, or `topic` of the device in the hand file.'
                if images else None)
        self.topic, self._type = topic, topics[topic]
        self.name = f'{path} {topic}'

    def images(self):
        """Yield (stamp in ns, payload)."""
        for _, log_ns, message in self._bag.messages([self.topic]):
            yield (log_ns if message is None else stamp_of(message, log_ns)), message

    def decode(self, message):
        """Return image (H, W, 3) and JPEG bytes or None."""
        if message is None:
            raise CorruptImageError('not a whole message')
        if self._type.endswith('CompressedImage'):
            return _decoded(message.data.tobytes())
        try:
            channels, code = _ENCODINGS[message.encoding.lower()]
        except KeyError:
            raise DeviceError('image encoding is not supported', where=self.name,
                              found=message.encoding,
                              expected='one of ' + ', '.join(_ENCODINGS)) from None
        height, width, step = message.height, message.width, message.step
        if step < width * channels or len(message.data) != height * step or not height * width:
            raise CorruptImageError('size and data do not agree')
        rows = message.data.reshape(height, step)[:, :width * channels]
        image = np.ascontiguousarray(rows).reshape(height, width, channels)
        try:
            return image.copy() if code is None else cv2.cvtColor(image, code), None
        except cv2.error as error:
            raise CorruptImageError(str(error)) from None


def _decoded(data):
    """Image and, if that is what it is, JPEG bytes of a compressed image."""
    # decoders fill up what is missing without a word, so the end marker is looked for first
    jpeg = data[:2] == b'\xff\xd8'
    whole = b'\xff\xd9' in data.rstrip(b'\0')[-64:] if jpeg else b'IEND' in data[-16:]
    if not whole:
        raise CorruptImageError('not a whole image')
    image = decode_image(data)
    if image is None:
        raise CorruptImageError('not an image')
    return image, data if jpeg else None
