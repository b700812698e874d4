# SPDX-License-Identifier: Apache-2.0
"""Small recordings for the device tests: the grey level of a frame is its number."""

import cv2
import numpy as np

RATE = 50.0                   # Hz
FIRST_STAMP = 1_700_000_000_000_000_000


def image_of(number, size=(64, 48)):
    width, height = size
    image = np.full((height, width, 3), 10 + number, np.uint8)
    image[:, : width // 2, 2] += 60          # left half reddish: tells bgr from rgb
    return image


def write_folder(path, count=12, suffix='.png'):
    path.mkdir()
    for number in range(count):
        cv2.imwrite(str(path / f'{number:04d}{suffix}'), image_of(number))
    return path


def image_message(types, number, encoding='bgr8', topic_type='Image', stamp=None):
    stamp = FIRST_STAMP + round(number / RATE * 1e9) if stamp is None else stamp
    header = types['std_msgs/msg/Header'](
        types['builtin_interfaces/msg/Time'](*divmod(stamp, 1_000_000_000)), 'tip')
    image = image_of(number)
    if topic_type == 'CompressedImage':
        data = cv2.imencode('.jpg', image)[1].reshape(-1)
        return types['sensor_msgs/msg/CompressedImage'](header, 'jpeg', data)
    pixels = {'bgr8': image, 'rgb8': image[..., ::-1], 'mono8': image[..., 1]}[encoding]
    step = image.shape[1] * (1 if encoding == 'mono8' else 3)
    return types['sensor_msgs/msg/Image'](header, *image.shape[:2], encoding, 0, step,
                                          np.ascontiguousarray(pixels).reshape(-1))


def write_bag(path, topics, plugin='MCAP'):
    """`topics`: {name: (type, list of messages or ready-made bytes)}, played round by round."""
    from rosbags.rosbag2 import StoragePlugin, Writer
    from rosbags.typesys import Stores, get_typestore
    store = get_typestore(Stores.LATEST)
    with Writer(path, version=9, storage_plugin=StoragePlugin[plugin]) as writer:
        links = {name: writer.add_connection(name, kind, typestore=store)
                 for name, (kind, _) in topics.items()}
        for number in range(max(len(messages) for _, messages in topics.values())):
            for name, (kind, messages) in topics.items():
                if number < len(messages):
                    data = messages[number]
                    if not isinstance(data, bytes):
                        data = bytes(store.serialize_cdr(data, kind))
                    writer.write(links[name], FIRST_STAMP + round(number / RATE * 1e9), data)
    return path


def types():
    from rosbags.typesys import Stores, get_typestore
    return get_typestore(Stores.LATEST).types


def image_bag(path, count=12, plugin='MCAP', **kind):
    name = f'sensor_msgs/msg/{kind.get("topic_type", "Image")}'
    messages = [image_message(types(), number, **kind) for number in range(count)]
    return write_bag(path, {'/hand/thumb/image_raw': (name, messages)}, plugin)
