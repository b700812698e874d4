# SPDX-License-Identifier: Apache-2.0
"""The offline command gives the numbers of the live nodes, bit for bit."""

import csv

import numpy as np
from rclpy.serialization import serialize_message

from tactile_nodes.cli.main import main
from tactile_nodes.device.recording import RecordingDevice
from tactile_nodes.nodes.fingertip import compose
from tactile_nodes.nodes.messages import header_of, image_message, stamp_of
from tests.device.recordings import write_bag
from tests.nodes.foreign import wait_until
from tests.nodes.replay import REFERENCE_FRAMES, ReplayDevice

FINGER = '/sorter/index'
PER_FRAME = {'wrench': 'geometry_msgs/msg/WrenchStamped',
             'wrench/stddev': 'geometry_msgs/msg/WrenchStamped',
             'contact/in_contact': 'std_msgs/msg/Bool', 'contact/slipping': 'std_msgs/msg/Bool',
             'contact/stick_ratio': 'std_msgs/msg/Float32'}
IMAGE, POINT = 'sensor_msgs/msg/Image', 'geometry_msgs/msg/PointStamped'


def recorded(frames, path, **topics):
    """A bag of the frames and other images."""
    images = [serialize_message(image_message(f.image, 'bgr8', header_of(f.stamp_ns, 'tip')))
              for f in frames]
    return write_bag(path, {f'{FINGER}/image_raw': (IMAGE, images),
                            **{f'{FINGER}/{name.replace("__", "/")}': (IMAGE, messages)
                               for name, messages in topics.items()}})


def vector(message):
    force, torque = message.wrench.force, message.wrench.torque
    return [force.x, force.y, force.z, torque.x, torque.y, torque.z]


def test_offline_is_live(serve, foreign, frames, *, options, calibration, tmp_path):
    with RecordingDevice(recorded(frames, tmp_path / 'images'), realtime=False) as player:
        player.start()
        played = [player.read(0.0) for _ in frames]
    nodes = compose(device=ReplayDevice(played), **options)
    topics = {**PER_FRAME, 'contact/centroid': POINT, 'reference/image': IMAGE,
              'reference/noise': IMAGE}
    for name, kind in topics.items():
        foreign.hear(f'{FINGER}/{name}', kind, latched=name.startswith('reference'))
    serve(nodes)
    nodes[0].begin()
    wait_until(lambda: all(foreign.found_by(nodes[0], f'{FINGER}/{name}') for name in topics),
               'everybody has found everybody')
    heard = {name: foreign.heard[f'{FINGER}/{name}'] for name in topics}
    nodes[0]._device.release(len(frames))
    count = len(frames) - REFERENCE_FRAMES
    for name in PER_FRAME:
        wait_until(lambda name=name: len(heard[name]) == count, name)
    wait_until(lambda: heard['reference/noise'], 'the reference')

    bag = recorded(frames, tmp_path / 'bag', **{
        name.replace('/', '__'): [serialize_message(message) for message in heard[name]]
        for name in ('reference/image', 'reference/noise')})
    assert main(['process', str(bag), '--calibration', str(calibration),
                 '--out', str(tmp_path / 'out')]) == 0
    rows = list(csv.DictReader((tmp_path / 'out' / 'wrench.csv').read_text().splitlines()))
    assert len(rows) == count
    centroids = {stamp_of(message): message.point for message in heard['contact/centroid']}
    assert centroids and len(centroids) < count
    axes = ('fx', 'fy', 'fz', 'tx', 'ty', 'tz')
    for row, wrench, sd, touched, slipping, stick in zip(
            rows, *(heard[name] for name in PER_FRAME), strict=True):
        stamp = stamp_of(wrench)
        assert row['t'] == f'{stamp // 10**9}.{stamp % 10**9:09d}'
        assert [float(row[a]) for a in axes] == vector(wrench)
        assert [float(row[f'sd_{a}']) for a in axes] == vector(sd)
        assert (row['contact'], row['slip']) == (f'{touched.data:d}', f'{slipping.data:d}')
        assert np.float32(row['stick_ratio']) == np.float32(stick.data)
        assert (row['cx'] != '') == touched.data == (stamp in centroids)
        if touched.data:
            assert (float(row['cx']), float(row['cy'])) == (centroids[stamp].x,
                                                            centroids[stamp].y)
