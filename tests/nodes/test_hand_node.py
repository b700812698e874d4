# SPDX-License-Identifier: Apache-2.0
"""The hand's mosaic: made while somebody watches, with the fingers that have a picture."""

from types import SimpleNamespace

import numpy as np
from rclpy.parameter import Parameter

from tactile_nodes.nodes import messages
from tactile_nodes.nodes.hand_node import HandNode
from tests.nodes.foreign import publish_until, wait_until

IMAGE = 'sensor_msgs/msg/Image'


def picture(level):
    return np.full((120, 160, 3), level, np.uint8)


def test_mosaic(serve, foreign):
    node, = serve([HandNode(namespace='/sorter', parameter_overrides=[
        Parameter('fingers', value=['thumb', 'index'])])])
    pens = {finger: foreign.publisher(f'/sorter/{finger}/contact/overlay', IMAGE)
            for finger in ('thumb', 'index')}
    assert not node._inputs
    foreign.hear('/sorter/overlay', IMAGE)
    wait_until(lambda: all(pen.get_subscription_count() for pen in pens.values()),
               'the hand subscribes to its fingers')
    wait_until(lambda: foreign.node.count_publishers('/sorter/overlay'), 'the mosaic is offered')
    heard = foreign.heard['/sorter/overlay']
    one = messages.image_message(picture(77), 'bgr8', messages.header_of(5, 'thumb_tip'))
    publish_until(pens['thumb'], one, lambda: heard, 'a mosaic with one finger')

    def levels():
        sheet = messages.image_from_message(heard[-1], 'bgr8')
        return {level for level in (77, 99) if (sheet == level).all(axis=2).sum() >= 120 * 160}

    two = messages.image_message(picture(99), 'bgr8', messages.header_of(7, 'index_tip'))
    both = SimpleNamespace(publish=lambda _: [pens[finger].publish(message) for finger, message
                                              in (('thumb', one), ('index', two))])
    publish_until(both, None, lambda: levels() == {77, 99}, 'a mosaic with both')
    assert messages.stamp_of(heard[-1]) == 7
    assert messages.stamp_of(heard[0]) == 5

    wrong = messages.image_message(picture(1), 'bgr8', messages.header_of(9, 'index_tip'))
    wrong.step = 1
    publish_until(pens['index'], wrong, lambda: levels() == {77},
                  'a wrong picture is left out, the other finger stays')
    publish_until(both, None, lambda: levels() == {77, 99}, 'a good one is back')
    # the clock may have been set back meanwhile: what counts is when pictures come
    earlier = messages.image_message(picture(77), 'bgr8', messages.header_of(3, 'thumb_tip'))
    publish_until(pens['thumb'], earlier, lambda: levels() == {77},
                  'a finger that is silent for a second is left out')
    assert messages.stamp_of(heard[-1]) == 3

    foreign.node.destroy_subscription(next(iter(foreign.node.subscriptions)))
    wait_until(lambda: not any(pen.get_subscription_count() for pen in pens.values()),
               'the hand lets its fingers alone when nobody watches')
