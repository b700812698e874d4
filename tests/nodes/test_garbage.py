# SPDX-License-Identifier: Apache-2.0
"""Wrong messages on the topics that the nodes listen to: dropped, counted, survived."""

from time import sleep

import numpy as np
import pytest

from tactile_nodes.nodes import messages
from tactile_nodes.nodes.contact_node import ContactNode
from tactile_nodes.nodes.flow_node import FlowNode
from tactile_nodes.nodes.force_node import ForceNode
from tactile_nodes.nodes.view_node import ViewNode
from tests.nodes.foreign import publish_until, wait_until
from tests.nodes.test_messages import markers

IMAGE, CLOUD = 'sensor_msgs/msg/Image', 'sensor_msgs/msg/PointCloud2'


def wrong_images(good):
    """Messages like a good one, each spoilt in one way."""
    other_size = messages.image_message(np.zeros((24, 32, 3), np.uint8), 'bgr8', good.header)
    spoilt = [other_size]
    for key, value in (('encoding', 'yuv422_yuy2'), ('encoding', 'mono8'), ('step', 10),
                       ('height', 7), ('width', 0)):
        message = messages.image_message(np.zeros((240, 320, 3), np.uint8), 'bgr8', good.header)
        setattr(message, key, value)
        spoilt.append(message)
    return spoilt


class Both:
    """Publishes markers with every image, as the contact node wants them."""

    def __init__(self, image, cloud):
        self._image, self._cloud = image, cloud
        wait_until(cloud.get_subscription_count, 'the node listens')

    def publish(self, image):
        self._cloud.publish(messages.cloud_message(messages.cloud_points(markers()), image.header))
        self._image.publish(image)


@pytest.mark.parametrize('kind', [ContactNode, FlowNode])
def test_garbage_images_and_references(serve, foreign, frames, options, kind):
    node, = serve([kind(**options)])
    image = foreign.publisher('/sorter/index/image_raw', IMAGE)
    wait_until(image.get_subscription_count, 'the node listens')
    if kind is ContactNode:
        image = Both(image, foreign.publisher('/sorter/index/markers/displacement', CLOUD))
    assert node.status()[0] == b'\x01' and 'waiting for the no-contact reference' in \
        node.status()[1]
    good = messages.image_message(frames[-1].image, 'bgr8',
                                  messages.header_of(frames[-1].stamp_ns, 'index_tip'))
    garbage = wrong_images(good)
    publish_until(image, garbage[0], lambda: node._refused, 'garbage is counted')
    image.publish(good)                                        # before there is a reference
    first = node._refused + 1
    for count, message in enumerate(garbage, first):
        image.publish(message)
        wait_until(lambda count=count: node._refused == count, f'garbage {count} is counted')

    wrong = messages.image_message(np.full((240, 320, 3), 9, np.uint16), 'bgr16', good.header)
    wrong.step = 3
    pair = [foreign.publisher(f'/sorter/index/reference/{name}', IMAGE, latched=True)
            for name in ('image', 'noise')]
    wait_until(lambda: all(p.get_subscription_count() for p in pair), 'the node listens')
    for publisher in pair:
        publisher.publish(wrong)
    wait_until(lambda: node._refused == count + 1, 'the reference is refused')
    level, text, values = node.status()
    assert level == b'\x01' and values['refused'] == count + 1 and node._frames == 0


def test_garbage_for_the_force_node(serve, foreign, options):
    node, = serve([ForceNode(**options)])
    mask, depth = (foreign.publisher(f'/sorter/index/contact/{name}', IMAGE)
                   for name in ('mask', 'depth'))
    cloud = foreign.publisher('/sorter/index/markers/displacement', CLOUD)
    foreign.hear('/sorter/index/wrench', 'geometry_msgs/msg/WrenchStamped')
    wait_until(lambda: all(p.get_subscription_count() for p in (mask, depth, cloud))
               and foreign.node.count_publishers('/sorter/index/wrench'), 'the node listens')

    def send(stamp, *, shape=(240, 320), field=None, encoding='mono8'):
        header = messages.header_of(stamp, 'index_tip')
        mask.publish(messages.image_message(np.zeros(shape, np.uint8), encoding, header))
        depth.publish(messages.image_message(np.full((240, 320), np.nan), '32FC1', header))
        cloud.publish(messages.cloud_message(messages.cloud_points(field or markers()), header))

    spoilt = markers()
    spoilt.rest[0] = np.nan
    stamps = iter(range(1, 1000))
    wait_until(lambda: node._refused or send(next(stamps), shape=(24, 32)) or sleep(0.05),
               'the wrong size is counted')
    sleep(0.1)
    refused, lost = node._refused + 1, node._join.dropped
    send(2000, field=spoilt)
    wait_until(lambda: node._refused == refused, 'the NaN position is counted')
    for stamp in range(2001, 2010):
        mask.publish(messages.image_message(np.zeros((240, 320), np.uint8), 'mono8',
                                            messages.header_of(stamp, 'index_tip')))
        wait_until(lambda stamp=stamp: stamp in [*node._join._waiting], 'the mask is there')
    assert node._join.dropped >= lost + 5
    send(2020)
    wait_until(lambda: foreign.heard['/sorter/index/wrench'], 'a good frame still gives a wrench')
    assert node.status()[2]['refused'] == refused


def test_goal_is_drawn_and_a_wrong_one_is_not(serve, foreign, frames, options):
    from tactile_nodes.core.types import ForceEstimate
    from tests.nodes.test_messages import contact
    node, = serve([ViewNode(subscribe=False, **options)])
    goal = foreign.publisher('/sorter/index/contact/goal', 'geometry_msgs/msg/PointStamped')
    overlay = '/sorter/index/contact/overlay'
    estimate = ForceEstimate(np.zeros(6), np.ones(6), 1.0, False)

    def show(index):
        node.process(frames[0].image, contact(), markers(), estimate, frames[index].stamp_ns)

    show(0)
    foreign.hear(overlay, IMAGE)
    wait_until(lambda: goal.get_subscription_count() and node._watched(), 'both are connected')
    show(1)
    wrong = messages.point_message([np.nan, 0, 0], messages.header_of(0, ''))
    publish_until(goal, wrong, lambda: node._refused, 'the wrong goal is counted')
    show(2)
    goal.publish(messages.point_message([2e-3, -3e-3, 0], messages.header_of(0, '')))
    wait_until(lambda: node._goal is not None, 'the goal is there')
    show(3)
    show(3)      # too soon after the last: left out
    wait_until(lambda: len(foreign.heard[overlay]) == 3, 'three pictures; none unwatched')
    pictures = [messages.image_from_message(m, 'bgr8') for m in foreign.heard[overlay]]
    np.testing.assert_array_equal(pictures[0], pictures[1])
    changed = np.argwhere((pictures[2] != pictures[1]).any(axis=2))
    # the goal's place in the twofold enlarged picture, px: centre + metres / (60e-6 / 2)
    np.testing.assert_allclose(changed.mean(axis=0), [239.5 - 100, 319.5 + 66.7], atol=2)
    assert len(foreign.heard[overlay]) == 3
