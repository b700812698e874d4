# SPDX-License-Identifier: Apache-2.0
"""The recorder stores what a publisher of its own process sent, read back with rosbags."""

import os
import signal
import subprocess
import sys
import time

import pytest

pytest.importorskip('mcap')
pytest.importorskip('rosbags')

from rclpy.qos import DurabilityPolicy, QoSProfile
from rclpy.serialization import serialize_message
from sensor_msgs.msg import Image
from std_msgs.msg import Bool

from tactile_nodes.interface import FINGER_TOPICS, HAND_TOPICS
from tactile_nodes.nodes.recorder_node import recorded_topics

COUNT = 300


def test_recorded_are_the_topics_that_the_tables_say():
    topics = recorded_topics('/sorter', ['thumb', 'ring'])
    for topic in FINGER_TOPICS:
        for finger in ('thumb', 'ring'):
            assert (f'/sorter/{finger}/{topic.name}' in topics) == topic.record
    for topic in HAND_TOPICS:
        name = topic.name if topic.name.startswith('/') else f'/sorter/{topic.name}'
        assert (name in topics) == topic.record
    assert topics['/diagnostics'].type == 'diagnostic_msgs/msg/DiagnosticArray'
    assert topics['/tf_static'].latched
    assert '/sorter/index/wrench' not in topics


@pytest.fixture
def recorder(tmp_path):
    """A recorder as a process, for thumb; yields it and its output folder."""
    env = {k: v for k, v in os.environ.items() if k != '_ROS_WHEELS_BOOTSTRAP_COMPLETE'}
    process = subprocess.Popen(
        [sys.executable, '-m', 'tactile_nodes.nodes.recorder_node', '--ros-args',
         '-r', '__ns:=/sorter', '-p', 'fingers:=[thumb]', '-p', f'output:={tmp_path / "bags"}'],
        env=env, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
    yield process, tmp_path / 'bags'
    process.kill()
    process.communicate()


def until(condition, seconds=30):
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, 'waited too long'
        time.sleep(0.02)


@pytest.mark.parametrize('number', [signal.SIGINT, signal.SIGTERM])
def test_nothing_is_lost_and_nothing_is_changed(ros, recorder, number):
    import rclpy
    from rosbags.rosbag2 import Reader
    process, output = recorder
    node = rclpy.create_node('source', namespace='/sorter/thumb')
    try:
        latched = node.create_publisher(Image, 'reference/image', QoSProfile(
            depth=1, durability=DurabilityPolicy.TRANSIENT_LOCAL))
        reference = serialize_message(
            Image(height=2, width=2, encoding='bgr16', step=12, data=bytes(range(24))))
        latched.publish(reference)                    # long before the recorder hears
        flag = node.create_publisher(Bool, 'contact/slipping', 500)
        mask = node.create_publisher(Image, 'contact/mask', 500)
        until(lambda: flag.get_subscription_count() and mask.get_subscription_count()
              and latched.get_subscription_count())
        sent = []
        for index in range(COUNT):
            flag.publish(Bool(data=index % 3 == 0))
            message = Image(height=1, width=4, step=4, data=index.to_bytes(4, 'little'))
            message.header.stamp.sec = index
            sent.append(serialize_message(message))
            mask.publish(sent[-1])                    # as it is, with the bytes between its fields
            time.sleep(0.001)
        for publisher in (flag, mask, latched):
            assert publisher.wait_for_all_acked()
        time.sleep(0.5)                               # from the middleware to the bag
        process.send_signal(number)
        said, _ = process.communicate(timeout=20)
    finally:
        node.destroy_node()
    assert process.returncode == 0, said
    assert f'{2 * COUNT + 1} messages in' in said
    assert 'nothing came on' in said and '/sorter/thumb/wrench,' in said
    bag, = output.iterdir()
    assert bag.name.startswith('sorter_')
    with Reader(bag) as reader:
        read = [(c.topic, bytes(payload)) for c, _, payload in reader.messages()]
        topics = {c.topic: c for c in reader.connections}
    assert [p for topic, p in read if topic == '/sorter/thumb/contact/mask'] == sent
    assert [p for topic, p in read if topic == '/sorter/thumb/reference/image'] == [
        reference]
    assert [p[4] for topic, p in read if topic == '/sorter/thumb/contact/slipping'] == [
        index % 3 == 0 for index in range(COUNT)]
    assert topics['/diagnostics'].msgtype == 'diagnostic_msgs/msg/DiagnosticArray'
