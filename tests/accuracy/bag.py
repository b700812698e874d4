# SPDX-License-Identifier: Apache-2.0
"""Writes a session's messages to a rosbag2 in MCAP format with the rosbags library."""

import cv2
import numpy as np
from rosbags.rosbag2 import StoragePlugin, Writer
from rosbags.typesys import Stores, get_typestore

_ARRIVES = 4e-3          # s between stamp and recording


class SessionBag:
    """A bag being written; a context manager."""

    def __init__(self, path, session):
        self._writer = Writer(path, version=9, storage_plugin=StoragePlugin.MCAP)
        self._store = get_typestore(Stores.ROS2_JAZZY)
        self._encoding = session.encoding
        self._points = session.contact_points
        self._topics = {}

    def __enter__(self):
        self._writer.open()
        compressed = self._encoding in ('jpeg', 'png')
        self._connect('image', '/probe/camera/image/compressed' if compressed
                      else '/probe/camera/image',
                      'sensor_msgs/msg/CompressedImage' if compressed else 'sensor_msgs/msg/Image')
        self._connect('wrench', '/load_cell/wrench', 'geometry_msgs/msg/WrenchStamped')
        if self._points:
            self._connect('point', '/stage/contact_point', 'geometry_msgs/msg/PointStamped')
        return self

    def __exit__(self, *_):
        self._writer.close()

    def _connect(self, key, topic, kind):
        self._topics[key] = self._writer.add_connection(topic, kind, typestore=self._store)

    def _header(self, stamp, frame):
        types = self._store.types
        seconds, nanoseconds = divmod(round(stamp * 1e9), 1_000_000_000)
        return types['std_msgs/msg/Header'](
            stamp=types['builtin_interfaces/msg/Time'](sec=seconds, nanosec=nanoseconds),
            frame_id=frame)

    def _write(self, key, stamp, message):
        topic = self._topics[key]
        self._writer.write(topic, round((stamp + _ARRIVES) * 1e9),
                           self._store.serialize_cdr(message, topic.msgtype))

    def add_image(self, stamp, image):
        """`image` is (H, W, 3) uint8, blue green red; `stamp` in s."""
        types, header = self._store.types, self._header(stamp, 'probe_camera')
        if self._encoding in ('jpeg', 'png'):
            options = [cv2.IMWRITE_JPEG_QUALITY, 95] if self._encoding == 'jpeg' \
                else [cv2.IMWRITE_PNG_COMPRESSION, 1]
            data = cv2.imencode('.jpg' if self._encoding == 'jpeg' else '.png', image, options)[1]
            message = types['sensor_msgs/msg/CompressedImage'](
                header=header, format=self._encoding, data=data.ravel())
        else:
            if self._encoding == 'rgb8':
                image = image[..., ::-1]
            message = types['sensor_msgs/msg/Image'](
                header=header, height=image.shape[0], width=image.shape[1],
                encoding=self._encoding, is_bigendian=0, step=3 * image.shape[1],
                data=np.ascontiguousarray(image).ravel())
        self._write('image', stamp, message)

    def add_wrench(self, stamp, wrench):
        """`wrench` (6,) in N and N*m."""
        types = self._store.types
        vector = types['geometry_msgs/msg/Vector3']
        self._write('wrench', stamp, types['geometry_msgs/msg/WrenchStamped'](
            header=self._header(stamp, 'load_cell'), wrench=types['geometry_msgs/msg/Wrench'](
                force=vector(*map(float, wrench[:3])), torque=vector(*map(float, wrench[3:])))))

    def add_point(self, stamp, place):
        """`place` (2,) in the plane of the skin, m."""
        types = self._store.types
        self._write('point', stamp, types['geometry_msgs/msg/PointStamped'](
            header=self._header(stamp, 'probe_tip'),
            point=types['geometry_msgs/msg/Point'](float(place[0]), float(place[1]), 0.0)))
