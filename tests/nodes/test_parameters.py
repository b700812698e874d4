# SPDX-License-Identifier: Apache-2.0
"""Parameters come from the table, with range, unit and description."""

import pytest
from rcl_interfaces.msg import ParameterType
from rclpy.node import Node
from rclpy.parameter import Parameter

from tactile_nodes.errors import DataError
from tactile_nodes.interface import PARAMETERS
from tactile_nodes.nodes.parameters import declare


@pytest.fixture
def make(ros):
    nodes = []

    def node(**given):
        nodes.append(Node('probe', parameter_overrides=[
            Parameter(name.replace('__', '.'), value=value) for name, value in given.items()]))
        return nodes[-1]

    yield node
    for made in nodes:
        made.destroy_node()


@pytest.mark.parametrize('kind', PARAMETERS)
def test_every_parameter_is_declared_as_the_table_says(make, kind):
    node = make()
    values = declare(node, kind)
    for p in PARAMETERS[kind]:
        default = list(p.default) if isinstance(p.default, tuple) else p.default
        assert getattr(values, p.name.replace('.', '_')) == default
        assert node.get_parameter(p.name).value == default
        descriptor = node.describe_parameter(p.name)
        assert descriptor.read_only == p.read_only
        assert p.about in descriptor.description and p.unit in descriptor.description
        ranges = [*descriptor.integer_range, *descriptor.floating_point_range]
        assert [(r.from_value, r.to_value) for r in ranges] == \
            ([] if p.low is None else [(p.low, p.high)])


def test_values_given_at_start_are_taken(make):
    node = make(led__red=0.25, finger='thumb', width=640)
    values = declare(node, 'device')
    assert (values.led_red, values.finger, values.width) == (0.25, 'thumb', 640)


def test_whole_number_for_a_decimal_one(make):
    node = make(frame_rate=30)
    assert declare(node, 'device').frame_rate == 30.0
    assert node.describe_parameter('frame_rate').type == ParameterType.PARAMETER_DOUBLE
    assert node.set_parameters([Parameter('frame_rate', value=45)])[0].successful
    assert node.get_parameter('frame_rate').value == 45.0
    assert not node.set_parameters([Parameter('frame_rate', value=0)])[0].successful


@pytest.mark.parametrize(('given', 'message'), [
    ({'frame_rate': 0.0}, r'frame_rate.*out of range, found 0.0, expected 1 to 240 Hz'),
    ({'frame_rate': 0}, r'frame_rate.*out of range'),
    ({'led__blue': 1.2}, r'led.blue.*out of range, found 1.2, expected 0 to 1'),
    ({'width': 320.5}, r'width.*wrong type, found 320.5'),
    ({'gain': 'high'}, r"gain.*wrong type, found 'high'"),
    ({'finger': 3}, r'finger.*wrong type, found 3'),
    ({'frame_rate': float('nan')}, r'frame_rate.*out of range'),
])
def test_wrong_value_at_start_says_which_and_what(make, given, message):
    with pytest.raises(DataError, match=message):
        declare(make(**given), 'device')


def test_read_only_and_range_live(make):
    node = make()
    declare(node, 'device')
    for name, value in (('serial', 'x'), ('led.red', 1.01), ('led.red', -0.01)):
        before = node.get_parameter(name).value
        result = node.set_parameters([Parameter(name, value=value)])[0]
        assert not result.successful and result.reason
        assert node.get_parameter(name).value == before
