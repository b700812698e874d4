# SPDX-License-Identifier: Apache-2.0
"""A bag as the recorder leaves it, with known content, for the tests of what reads it."""

import cv2
import numpy as np
from rosbags.typesys import Stores, get_typestore

from tactile_nodes.interface import FINGER_TOPICS
from tactile_nodes.trials.bag import BagWriter

START, PERIOD = 1_700_000_000_000_000_000, 16_666_667
STORE = get_typestore(Stores.ROS2_JAZZY)
TYPES = {topic.name: topic.type for topic in FINGER_TOPICS}
SHAPE = (240, 320)


def stamp_of(row):
    return START + row * PERIOD


def make(kind, **values):
    return STORE.types[kind](**values)


def header(row):
    sec, nanosec = divmod(stamp_of(row), 10**9)
    return make('std_msgs/msg/Header', frame_id='thumb_tip',
                stamp=make('builtin_interfaces/msg/Time', sec=sec, nanosec=nanosec))


def vector(values):
    return make('geometry_msgs/msg/Vector3', **dict(zip('xyz', map(float, values), strict=True)))


def wrench(row, values):
    return make('geometry_msgs/msg/WrenchStamped', header=header(row), wrench=make(
        'geometry_msgs/msg/Wrench', force=vector(values[:3]), torque=vector(values[3:])))


def image(row, pixels):
    return make('sensor_msgs/msg/Image', header=header(row), height=SHAPE[0], width=SHAPE[1],
                encoding='mono8', is_bigendian=0, step=SHAPE[1], data=pixels.ravel())


def jpeg(row, pixels):
    return make('sensor_msgs/msg/CompressedImage', header=header(row),
                format='bgr8; jpeg compressed bgr8', data=cv2.imencode('.jpg', pixels)[1].ravel())


def cloud(row, points):
    """Markers as x y z dx dy dz id."""
    names = ('x', 'y', 'z', 'dx', 'dy', 'dz', 'id')
    fields = [make('sensor_msgs/msg/PointField', name=name, offset=4 * i, count=1,
                   datatype=6 if name == 'id' else 7) for i, name in enumerate(names)]
    kinds = [(name, '<u4' if name == 'id' else '<f4') for name in names]
    data = np.array([tuple(point) for point in points], kinds)
    return make('sensor_msgs/msg/PointCloud2', header=header(row), height=1, width=len(points),
                fields=fields, is_bigendian=False, point_step=28, row_step=28 * len(points),
                data=data.view(np.uint8), is_dense=False)


def centroid(row, xyz):
    return make('geometry_msgs/msg/PointStamped', header=header(row), point=make(
        'geometry_msgs/msg/Point', **dict(zip('xyz', map(float, xyz), strict=True))))


def data(kind, value):
    return make(f'std_msgs/msg/{kind}', data=value)


def write_bag(folder, messages, namespace='/sorter/thumb'):
    """Write {topic: [(row, message)]}; every message arrives 5 ms after its frame."""
    with BagWriter(folder) as bag:
        for topic in messages:
            bag.add_topic(f'{namespace}/{topic}', TYPES[topic])
        flat = [(row, topic, message) for topic, rows in messages.items()
                for row, message in rows]
        for row, topic, message in sorted(flat, key=lambda entry: entry[0]):
            payload = bytes(STORE.serialize_cdr(message, TYPES[topic]))
            received = stamp_of(row) + 5_000_000
            bag.write(f'{namespace}/{topic}', payload, received, received)
