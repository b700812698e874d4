# SPDX-License-Identifier: Apache-2.0
"""A ROS context, a finger fed frame by frame, and a foreign node that hears it."""

import gc
import threading

import pytest

pytest.importorskip('rclpy', reason='ROS is not installed')

import rclpy
from rclpy.parameter import Parameter
from rclpy.signals import SignalHandlerOptions

from tactile_nodes.core.depth import ShadingModel
from tactile_nodes.core.force import ForceModel
from tactile_nodes.core.geometry import ImageGeometry
from tactile_nodes.device.contract import Light
from tactile_nodes.device.virtual import VirtualDevice
from tactile_nodes.files.calibration import Calibration, write_calibration
from tactile_nodes.files.elastomer import read_elastomer
from tactile_nodes.files.scenario import read_scenario
from tactile_nodes.hand.resources import shipped
from tactile_nodes.nodes.process import new_executor, spin
from tests.nodes.foreign import Foreign
from tests.nodes.replay import REFERENCE_FRAMES, SERIAL

ELASTOMER = shipped('config/elastomers/soft_marked.yaml')
SCENARIO = shipped('config/scenarios/pick_plum_finger.yaml')


@pytest.fixture(scope='session')
def ros():
    rclpy.init(args=[], signal_handler_options=SignalHandlerOptions.NO)
    yield
    rclpy.shutdown()


@pytest.fixture
def serve(ros):
    """Call with nodes: they are served in a thread until the test ends, then ended."""
    executor, done, nodes = new_executor(), threading.Event(), []
    thread = threading.Thread(target=spin, args=(executor, done))

    def add(new):
        for node in new:
            nodes.append(node)
            executor.add_node(node)
        if not thread.is_alive():
            thread.start()
        return new

    yield add
    done.set()
    if thread.is_alive():
        thread.join()
    for node in nodes:
        if hasattr(node, 'end'):
            node.end()
        executor.remove_node(node)
        node.destroy_node()
    gc.collect()      # in a cycle with its callbacks, a node would keep publishing what is latched


@pytest.fixture
def foreign(ros):
    """A node in a context of its own, as in another process."""
    with Foreign() as node:
        yield node


@pytest.fixture(scope='session')
def frames():
    """Frames of a virtual fingertip: at rest for the reference, then a press with shear."""
    device = VirtualDevice(SERIAL, read_elastomer(ELASTOMER), read_scenario(SCENARIO),
                           frame_rate=12.0, scenario_start=1.2, realtime=False)
    with device:
        device.set_light(Light(0.6, 0.6, 0.6))
        device.start()
        return [device.read(1.0) for _ in range(REFERENCE_FRAMES + 30)]


@pytest.fixture(scope='session')
def calibration(tmp_path_factory):
    """File with some calibration; whether it is a good one does not matter here."""
    a, b = [[0.0] * 6 for _ in range(3)], [[0.0] * 6 for _ in range(3)]
    for channel, (towards_x, towards_y) in enumerate(((0, 1.5), (-1.3, -0.75), (1.3, -0.75))):
        a[channel][0], b[channel][0] = towards_x, towards_y
    path = tmp_path_factory.mktemp('calibration') / 'calibration.yaml'
    write_calibration(path, Calibration(
        SERIAL, read_elastomer(ELASTOMER), '2026-01-31T12:00:00+00:00', '0',
        ImageGeometry(240, 320, 60e-6), ShadingModel(1.8, a, b, 0.01), ForceModel(1.1, 0.1)))
    return path


@pytest.fixture
def options(calibration):
    """Keyword arguments of every node of a finger."""
    values = {'finger': 'index', 'serial': SERIAL, 'elastomer_file': str(ELASTOMER),
              'calibration_file': str(calibration), 'scenario_file': str(SCENARIO),
              'reference_frames': REFERENCE_FRAMES}
    return {'namespace': '/sorter/index',
            'parameter_overrides': [Parameter(name, value=v) for name, v in values.items()]}
