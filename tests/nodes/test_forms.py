# SPDX-License-Identifier: Apache-2.0
"""The bytes of a form are the message that it stands for, as rclpy reads them."""

import numpy as np
import pytest
from rclpy.serialization import deserialize_message, serialize_message

from tactile_nodes.nodes import messages
from tactile_nodes.nodes.forms import Form, either
from tests.nodes.test_messages import markers

WRENCHES = ([1, -2, 3, 0.01, -0.02, 0.03], [1, np.inf, 1, 1, 1, 1], np.zeros(6))
STAMPS = (0, 7, 1_795_600_955_123_456_789, 2_147_483_647_999_999_999)


def assert_same(data, message):
    """Not byte by byte: what rclpy leaves between the fields is by chance."""
    assert deserialize_message(data, type(message)) == message
    assert len(data) == len(serialize_message(message))


@pytest.mark.parametrize('frame_id', ['', 'tip', 'index_tip', 'a_rather_long_name_of_a_tip'])
def test_stamped_messages(frame_id):
    wrench = Form(messages.wrench_message, np.float64, 6, frame_id)
    point = Form(messages.point_message, np.float64, 3, frame_id)
    info = Form(lambda _, header: messages.camera_info_message(320, 240, header), np.uint8, 0,
                frame_id)
    for stamp in STAMPS:
        header = messages.header_of(stamp, frame_id)
        for values in WRENCHES:
            assert_same(wrench(values, stamp), messages.wrench_message(values, header))
        assert_same(point([1e-3, -2e-3, 0], stamp),
                    messages.point_message([1e-3, -2e-3, 0], header))
        assert_same(info((), stamp), messages.camera_info_message(320, 240, header))


@pytest.mark.parametrize('count', [0, 1, 5, 300])
def test_clouds(count):
    points = messages.cloud_points(markers(count))
    form = Form(messages.cloud_message, messages.POINT, count, 'index_tip')
    for stamp in STAMPS:
        header = messages.header_of(stamp, 'index_tip')
        assert_same(form(points, stamp), messages.cloud_message(points, header))


def test_messages_without_a_header():
    number = Form(lambda one: messages.float_message(one[0]), np.float32, 1)
    flag = either(messages.bool_message)
    for value in (0.0, 0.25, 1.0):
        assert_same(number(value), messages.float_message(value))
    for value in (False, True, np.True_):
        assert_same(flag(value), messages.bool_message(value))


def test_what_was_given_out_stays_as_it_was():
    form = Form(messages.wrench_message, np.float64, 6, 'tip')
    first = form(np.ones(6), 5)
    kept = bytes(first)
    form(np.zeros(6), 6)
    assert first == kept


def test_numbers_that_a_message_does_not_hold():
    with pytest.raises(ValueError, match='not found|subsection'):
        Form(lambda one: messages.float_message(2 * one[0]), np.float32, 1)
    form = Form(messages.wrench_message, np.float64, 6, 'tip')
    with pytest.raises(ValueError, match='different'):
        form(np.zeros(5), 5)
