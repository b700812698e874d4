# SPDX-License-Identifier: Apache-2.0
"""Setting the clock must not stop a node: rcl's timers on a clock wait until it is what it was."""

import pytest
from rclpy.clock import ClockType
from rclpy.parameter import Parameter

from tactile_nodes.nodes.contact_node import ContactNode
from tactile_nodes.nodes.device_node import DeviceNode
from tactile_nodes.nodes.flow_node import FlowNode
from tactile_nodes.nodes.force_node import ForceNode
from tactile_nodes.nodes.hand_node import HandNode
from tactile_nodes.nodes.recorder_node import RecorderNode
from tactile_nodes.nodes.view_node import ViewNode


def on_steady_clocks(node):
    return [timer.clock.clock_type == ClockType.STEADY_TIME for timer in node.timers]


@pytest.mark.parametrize('kind', [DeviceNode, ContactNode, FlowNode, ForceNode, ViewNode])
def test_timers_of_a_finger(serve, options, kind):
    node, = serve([kind(**options)])
    assert on_steady_clocks(node) and all(on_steady_clocks(node))


def test_timers_of_hand_and_recorder(serve, tmp_path, monkeypatch):
    hand, recorder = serve([HandNode(parameter_overrides=[Parameter('fingers', value=['thumb'])]),
                            RecorderNode()])
    for node in (hand, recorder):
        assert on_steady_clocks(node) and all(on_steady_clocks(node))
