# SPDX-License-Identifier: Apache-2.0
"""The launch file, run by launch and launch_ros themselves; a foreign node listens."""

import os
import signal
import subprocess
import sys
import threading
import time
from importlib.util import find_spec

import psutil
import pytest
from rosbags.rosbag2 import Reader

from tactile_nodes.files.trial import read_trial
from tactile_nodes.hand.resources import shipped

pytestmark = pytest.mark.skipif(
    find_spec('launch_ros') is None or find_spec('rclpy') is None,
    reason='launch_ros and rclpy are needed; launch_ros only comes with a ROS installation')

PATIENCE = 180.0       # s; far longer than anything takes on a busy machine
FINGERS = ('thumb', 'ring')
EXECUTABLES = ('fingertip', 'device_node', 'contact_node', 'flow_node', 'force_node', 'view_node',
               'hand_node', 'recorder_node')
# What `ros2 launch` does once it has found the file.
ROS2_LAUNCH = '''
import sys
from launch import LaunchDescription, LaunchService
from launch.actions import IncludeLaunchDescription
from launch.launch_description_sources import PythonLaunchDescriptionSource
service = LaunchService(noninteractive=True)
service.include_launch_description(LaunchDescription([IncludeLaunchDescription(
    PythonLaunchDescriptionSource(sys.argv[1]),
    launch_arguments=[argument.split(':=', 1) for argument in sys.argv[2:]])]))
sys.exit(service.run())
'''


@pytest.fixture
def environment(tmp_path):
    """Install this package's executables into a prefix, as colcon would, with this Python."""
    scripts = tmp_path / 'lib' / 'tactile_nodes'
    scripts.mkdir(parents=True)
    for name in EXECUTABLES:
        script = scripts / name
        script.write_text(f'#!{sys.executable}\nimport sys\n'
                          f'from tactile_nodes.nodes.{name} import main\nsys.exit(main())\n')
        script.chmod(0o755)
    marker = tmp_path / 'share' / 'ament_index' / 'resource_index' / 'packages' / 'tactile_nodes'
    marker.parent.mkdir(parents=True)
    marker.touch()
    return {**os.environ, 'PYTHONPATH': os.pathsep.join(sys.path), 'ROS_LOG_DIR': str(tmp_path),
            'AMENT_PREFIX_PATH': str(tmp_path), 'TMPDIR': str(tmp_path)}


class Launch:
    """The launch file running in a process of its own, with everything it prints."""

    def __init__(self, environment, *arguments):
        self.process = subprocess.Popen(
            [sys.executable, '-c', ROS2_LAUNCH, str(shipped('launch/hand.launch.py')), *arguments],
            env=environment, text=True, stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
        self.lines = []
        self.reader = threading.Thread(target=lambda: self.lines.extend(self.process.stdout))
        self.reader.start()

    @property
    def output(self):
        return ''.join(self.lines)

    def children(self):
        return psutil.Process(self.process.pid).children()

    def stop(self):
        """Ctrl-C; returns the exit code once everything is gone."""
        children = self.children() if self.process.poll() is None else []
        self.process.send_signal(signal.SIGINT)
        code = self.process.wait(PATIENCE)
        self.reader.join(PATIENCE)
        assert not [child for child in children if child.is_running()]
        return code


@pytest.fixture
def launch(environment):
    running = []

    def start(*arguments):
        running.append(Launch(environment, *arguments))
        return running[-1]
    yield start
    for each in running:
        if each.process.poll() is None:
            each.stop()
        each.reader.join(PATIENCE)
        each.process.stdout.close()


@pytest.fixture
def listen():
    """Subscribe to the wrenches with a node that knows nothing of this package."""
    import rclpy
    from geometry_msgs.msg import WrenchStamped
    from rclpy.executors import SingleThreadedExecutor

    context = rclpy.Context()
    rclpy.init(context=context)
    node = rclpy.create_node('foreign', context=context)
    executor = SingleThreadedExecutor(context=context)
    executor.add_node(node)
    heard = {name: [] for name in FINGERS}
    for name in FINGERS:
        node.create_subscription(WrenchStamped, f'/sorter/{name}/wrench', heard[name].append, 10)

    def until(condition):
        end = time.monotonic() + PATIENCE
        while not condition(heard):
            assert time.monotonic() < end, {name: len(got) for name, got in heard.items()}
            executor.spin_once(timeout_sec=0.1)
    until.heard, until.node = heard, node
    yield until
    executor.shutdown()
    node.destroy_node()
    rclpy.shutdown(context=context)


@pytest.mark.timeout(600)
@pytest.mark.parametrize('layout', ['composed', 'split'])
def test_a_foreign_node_hears_every_finger(launch, listen, layout):
    hand = launch('fingers:=thumb,ring', f'layout:={layout}')
    try:
        listen(lambda heard: all(len(got) >= 20 for got in heard.values()))
    except AssertionError as error:
        raise AssertionError(f'{error}\n{hand.output}') from None
    for name in FINGERS:
        assert {message.header.frame_id for message in listen.heard[name]} == {f'{name}_tip'}
    assert len(hand.children()) == {'composed': 2, 'split': 10}[layout] + 1
    assert hand.stop() == 0, hand.output


@pytest.mark.timeout(600)
def test_a_finger_that_is_killed_comes_back(launch, listen):
    hand = launch('fingers:=thumb,ring')
    listen(lambda heard: all(heard.values()))
    ring, = (child for child in hand.children() if '__ns:=/sorter/ring' in child.cmdline())
    ring.kill()
    ring.wait(PATIENCE)
    listen(lambda heard: len(heard['thumb']) > 100)
    listen.heard['ring'].clear()
    listen(lambda heard: heard['ring'])
    assert hand.stop() == 0, hand.output


@pytest.mark.timeout(600)
def test_trials_are_recorded_on_call(launch, listen, tmp_path):
    from rcl_interfaces.srv import SetParameters
    from rclpy.parameter import Parameter
    from std_srvs.srv import Trigger
    hand = launch('fingers:=thumb,ring', f'trials:={tmp_path / "today"}')

    def call(kind, service, **request):
        client = listen.node.create_client(kind, f'/sorter/{service}')
        listen(lambda _: client.service_is_ready())
        done = client.call_async(kind.Request(**request))
        listen(lambda _: done.done())
        return done.result()

    listen(lambda heard: all(heard.values()))
    given = call(SetParameters, 'recorder/set_parameters', parameters=[
        Parameter(f'trial.{name}', value=value).to_parameter_msg() for name, value in
        (('object', 'plum'), ('condition', 'soft grip'), ('outcome', 'success'))])
    assert all(result.successful for result in given.results), given
    started = call(Trigger, 'trial/start')
    assert started.success, started.message
    listen.heard['ring'].clear()
    listen(lambda heard: len(heard['ring']) > 60)
    stopped = call(Trigger, 'trial/stop')
    assert stopped.success, stopped.message
    assert hand.stop() == 0, hand.output
    trial = read_trial(stopped.message)
    assert (trial.object, trial.condition, trial.outcome) == ('plum', 'soft grip', 'success')
    with Reader(trial.folder) as bag:
        count = {connection.topic: connection.msgcount for connection in bag.connections}
    for finger in FINGERS:
        assert count[f'/sorter/{finger}/wrench'] > 30
        assert count[f'/sorter/{finger}/image_raw/compressed'] > 30


@pytest.mark.parametrize(('argument', 'words'), [
    ('hand:=gone.yaml', ['gone.yaml', 'no such file']),
    ('fingers:=pinky', ["unknown finger, found 'pinky', expected one of thumb, index"]),
    ('layout:=mixed', ['layout', 'mixed', 'composed', 'split']),
])
def test_bad_input_is_a_message_and_nothing_starts(launch, argument, words):
    hand = launch(argument)
    assert hand.process.wait(PATIENCE) == 1
    hand.reader.join(PATIENCE)
    for word in words:
        assert word in hand.output
    assert 'process started' not in hand.output
