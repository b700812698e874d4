# SPDX-License-Identifier: Apache-2.0
"""The recorder stores what a publisher of its own process sent, read back with rosbags."""

import os
import signal
import subprocess
import sys
import time

import pytest
import yaml

pytest.importorskip('mcap')
pytest.importorskip('rosbags')

from rclpy.qos import DurabilityPolicy, QoSProfile, ReliabilityPolicy
from rclpy.serialization import serialize_message
from sensor_msgs.msg import CompressedImage, Image
from std_msgs.msg import Bool

from tactile_nodes.cli.main import main
from tactile_nodes.errors import DataError, TactileError
from tactile_nodes.files.trial import read_trial
from tactile_nodes.hand.resources import shipped
from tactile_nodes.interface import FINGER_TOPICS, HAND_TOPICS
from tactile_nodes.nodes.recorder_node import other_topics, recorded_topics

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
         '-r', '__ns:=/sorter', '-p', 'fingers:=[thumb]', '-p', f'output:={tmp_path / "bags"}',
         '-p', 'autostart:=true'],
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
        picture = node.create_publisher(CompressedImage, 'image_raw/compressed', 500)
        until(lambda: flag.get_subscription_count() and picture.get_subscription_count()
              and latched.get_subscription_count())
        time.sleep(1.0)      # this side has matched, the recorder's may be a little later
        sent = []
        for index in range(COUNT):
            flag.publish(Bool(data=index % 3 == 0))
            message = CompressedImage(format='jpeg', data=index.to_bytes(4, 'little'))
            message.header.stamp.sec = index
            sent.append(serialize_message(message))
            picture.publish(sent[-1])      # as it is, bytes between fields and all
            time.sleep(0.001)
        for publisher in (flag, picture, latched):
            assert publisher.wait_for_all_acked()
        time.sleep(0.5)                               # from the middleware to the bag
        process.send_signal(number)
        said, _ = process.communicate(timeout=20)
    finally:
        node.destroy_node()
    assert process.returncode == 0, said
    assert 'nothing came on' in said and '/sorter/thumb/wrench,' in said
    bag, = output.iterdir()
    assert bag.name.startswith('sorter_')
    with Reader(bag) as reader:
        read = [(c.topic, bytes(payload)) for c, _, payload in reader.messages()]
        topics = {c.topic: c for c in reader.connections}
    assert [p for topic, p in read if topic == '/sorter/thumb/image_raw/compressed'] == sent
    assert [p for topic, p in read if topic == '/sorter/thumb/reference/image'] == [
        reference]
    assert [p[4] for topic, p in read if topic == '/sorter/thumb/contact/slipping'] == [
        index % 3 == 0 for index in range(COUNT)]
    assert topics['/diagnostics'].msgtype == 'diagnostic_msgs/msg/DiagnosticArray'
    assert f'{len(read)} messages in' in said
    assert {topic for topic, _ in read} == {
        '/sorter/thumb/image_raw/compressed', '/sorter/thumb/contact/slipping',
        '/sorter/thumb/reference/image', '/diagnostics'}      # the last from the recorder itself
    assert read_trial(bag).state == 'finished' and read_trial(bag).outcome is None


@pytest.fixture
def idle(tmp_path):
    """A recorder that waits, in a process; yields it and its output folder."""
    env = {k: v for k, v in os.environ.items() if k != '_ROS_WHEELS_BOOTSTRAP_COMPLETE'}
    output = tmp_path / 'trials'
    with subprocess.Popen(
            [sys.executable, '-m', 'tactile_nodes.nodes.recorder_node', '--ros-args',
             '-r', '__ns:=/sorter', '-p', 'fingers:=[thumb]', '-p', f'output:={output}',
             '-p', f'hand_file:={shipped("config/four_finger_hand.yaml")}'],
            env=env, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True) as process:
        yield process, output
        process.kill()


def test_an_answer_that_is_lost_is_asked_for_again(ros, idle, monkeypatch):
    from rclpy.client import Client
    from rclpy.task import Future

    from tactile_nodes.nodes import recorder_client
    asked, call = [], Client.call_async

    def lose_the_first(client, request):
        asked.append(client.srv_name)
        return Future() if len(asked) == 1 else call(client, request)

    monkeypatch.setattr(Client, 'call_async', lose_the_first)
    monkeypatch.setattr(recorder_client, '_ASK_AGAIN', 0.5)
    with recorder_client.RecorderClient() as recorder:
        assert '"state": "idle"' in recorder.call('status')
        assert len(asked) >= 2 and set(asked) == {'/sorter/trial/status'}
        with pytest.raises(TactileError, match='no trial'):
            recorder.call('stop')
    assert asked.count('/sorter/trial/stop') == 1              # a command is given once


def test_trials_by_command_one_after_the_other(ros, idle, capsys):
    """As a user does it: what comes between start and stop is in the trial, nothing else."""
    import rclpy
    from rosbags.rosbag2 import Reader
    process, output = idle

    def trial(*words, code=0):
        assert main(['trial', *words]) == code
        said = capsys.readouterr()
        return said.err if code else said.out

    assert 'nothing is being recorded' in trial('status')
    assert 'no trial is being recorded' in trial('mark', 'too early', code=2)
    node = rclpy.create_node('source', namespace='/sorter/thumb')
    try:
        picture = node.create_publisher(CompressedImage, 'image_raw/compressed', 10)
        latched = node.create_publisher(Image, 'reference/image', QoSProfile(
            depth=1, durability=DurabilityPolicy.TRANSIENT_LOCAL))
        for width in range(3):
            latched.publish(Image(width=width))
        joints = node.create_publisher(Image, '/arm/picture', QoSProfile(
            depth=10, reliability=ReliabilityPolicy.BEST_EFFORT))
        for index, (outcome, at) in enumerate([('success', None), ('dropped', 0.5)]):
            picture.publish(CompressedImage())                     # between two trials
            assert picture.wait_for_all_acked()
            time.sleep(0.3)
            said = trial('start', '--object', 'ripe plum', '--condition', 'firm', '--note', 'n',
                         '--topics', '/arm/picture,/later')
            assert str(output) in said and 'ripe-plum_firm' in said
            assert 'Stop it first' in trial('start', '--object', 'a', '--condition', 'b', code=2)
            until(lambda: picture.get_subscription_count() and joints.get_subscription_count())
            for width in range(10):
                picture.publish(CompressedImage())
                joints.publish(Image(width=width))
                time.sleep(0.02)
            assert 'marked at' in trial('mark', f'mark {index}')
            assert '1 marks' in trial('status')
            trial('stop', '--outcome', outcome, *(['--at', str(at)] if at else []))
    finally:
        node.destroy_node()
    first, second = (read_trial(folder) for folder in sorted(output.iterdir()))
    assert (first.object, first.condition, first.note) == ('ripe plum', 'firm', 'n')
    assert (first.outcome, first.drop_at) == ('success', None)
    assert (second.outcome, second.drop_at) == ('dropped', 0.5)
    for number, trial_read in enumerate((first, second)):
        assert trial_read.state == 'finished' and not trial_read.problem
        assert [mark.text for mark in trial_read.marks] == [f'mark {number}']
        assert list(trial_read.fingers) == ['thumb']
        assert trial_read.fingers['thumb'].serial == 'VF-1001'
        assert (trial_read.folder / trial_read.fingers['thumb'].calibration).is_file()
        assert read_hand_name(trial_read.folder / trial_read.hand_file) == 'sorter'
        with Reader(trial_read.folder) as reader:
            counts = {c.topic: c.msgcount for c in reader.connections}
        assert counts['/sorter/thumb/image_raw/compressed'] == 10
        assert counts['/arm/picture'] == 10
        assert counts['/sorter/thumb/reference/image'] == 1, 'the last from before the trial'
    process.send_signal(signal.SIGINT)
    said, _ = process.communicate(timeout=20)
    assert process.returncode == 0 and 'Traceback' not in said, said


def read_hand_name(path):
    return yaml.safe_load(path.read_text())['hand']


@pytest.mark.parametrize('text', ['joint_states', '/a//b', '/a/'])
def test_a_topic_that_is_none_is_refused(text):
    with pytest.raises(DataError, match='wrong topic'):
        other_topics(text)
    assert other_topics(' /a, /b/c,') == ['/a', '/b/c']
