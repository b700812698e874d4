# SPDX-License-Identifier: Apache-2.0
"""A finger seen from outside, composed and split: topics, types, frames, stamps, numbers."""

import numpy as np
import pytest

from tactile_nodes.core.pipeline import FingerPipeline
from tactile_nodes.core.reference import ReferenceBuilder
from tactile_nodes.files.calibration import read_calibration
from tactile_nodes.interface import FINGER_TOPICS
from tactile_nodes.nodes.contact_node import ContactNode
from tactile_nodes.nodes.device_node import DeviceNode
from tactile_nodes.nodes.fingertip import compose
from tactile_nodes.nodes.flow_node import FlowNode
from tactile_nodes.nodes.force_node import ForceNode
from tactile_nodes.nodes.messages import (
    image_from_message,
    markers_from_cloud,
    stamp_of,
    wrench_from_message,
)
from tactile_nodes.nodes.view_node import ViewNode
from tests.nodes.foreign import wait_until
from tests.nodes.replay import REFERENCE_FRAMES, ReplayDevice

TOPICS = {f'/sorter/index/{topic.name}': topic for topic in FINGER_TOPICS}
PER_FRAME = [name for name, topic in TOPICS.items() if not topic.latched
             and topic.name not in ('contact/centroid', 'truth/centroid', 'contact/overlay',
                                    'visualization')]


def split(*, device, **options):
    return [DeviceNode(device=device, **options), ContactNode(**options), FlowNode(**options),
            ForceNode(**options), ViewNode(**options)]


@pytest.fixture(params=[compose, split], ids=['composed', 'split'])
def finger(request, serve, foreign, frames, options):
    """A finger that has gone through all frames in step, and the foreign node that heard it."""
    device = ReplayDevice(frames)
    nodes = request.param(device=device, **options)
    for name, topic in TOPICS.items():
        foreign.hear(name, topic.type, latched=topic.latched)
    serve(nodes)
    nodes[0].begin()
    wait_until(lambda: all(foreign.node.count_publishers(name) for name in TOPICS)
               and all(foreign.found_by(nodes[0], name) for name in TOPICS),
               'everybody has found everybody')
    view = nodes[-1]
    wait_until(lambda: view._watched() and (view._inputs or request.param is compose),
               'the view node works')
    device.release(REFERENCE_FRAMES)
    wait_until(lambda: not (nodes[1].problem or nodes[2].problem), 'the reference is in use')
    wrenches = foreign.heard['/sorter/index/wrench']
    for count in range(1, 1 + len(frames) - REFERENCE_FRAMES):
        device.release()
        wait_until(lambda count=count: len(wrenches) == count, f'wrench {count}')
    for name in PER_FRAME:
        wait_until(lambda name=name: stamp_of_last(foreign, name) >= frames[-1].stamp_ns, name)
    return foreign, frames


def stamp_of_last(foreign, name):
    heard = foreign.heard[name]
    if heard and not hasattr(heard[-1], 'header'):
        return np.inf
    return stamp_of(heard[-1]) if heard else 0


@pytest.fixture(scope='session')
def offline(frames, calibration):
    """Stamp to contact, markers and force, straight from the core."""
    known = read_calibration(calibration)
    pipeline = FingerPipeline(known.geometry, known.elastomer, known.shading, known.force)
    builder = ReferenceBuilder(known.geometry.shape)
    for frame in frames[:REFERENCE_FRAMES]:
        builder.add(frame.image)
    pipeline.set_reference(builder.finish())
    return {frame.stamp_ns: pipeline.process(frame.image, frame.stamp_ns)
            for frame in frames[REFERENCE_FRAMES:]}


def by_stamp(foreign, name, since):
    return {stamp_of(message): message for message in foreign.heard[f'/sorter/index/{name}']
            if stamp_of(message) >= since}


def test_topics_types_frames_stamps_and_numbers(finger, offline):
    foreign, frames = finger
    types = dict(foreign.node.get_topic_names_and_types())
    assert all(types[name] == [topic.type] for name, topic in TOPICS.items())

    first = frames[REFERENCE_FRAMES].stamp_ns
    stamps = {frame.stamp_ns for frame in frames}
    for name in TOPICS:
        assert foreign.heard[name], f'nothing on {name}'
        for message in foreign.heard[name]:
            headers = [message.header] if hasattr(message, 'header') else \
                [marker.header for marker in getattr(message, 'markers', [])]
            assert all(header.frame_id == 'index_tip' for header in headers)
            if hasattr(message, 'header'):
                assert stamp_of(message) in stamps, name

    masks, depths, clouds, wrenches, sds = (by_stamp(foreign, name, first) for name in (
        'contact/mask', 'contact/depth', 'markers/displacement', 'wrench', 'wrench/stddev'))
    assert any(contact.in_contact for contact, _, _ in offline.values())
    for stamp, (contact, field, estimate) in offline.items():
        np.testing.assert_array_equal(image_from_message(masks[stamp], 'mono8')[::2, ::2] > 0,
                                      contact.mask)
        np.testing.assert_array_equal(image_from_message(depths[stamp], '32FC1')[::2, ::2],
                                      contact.depth)
        heard = markers_from_cloud(clouds[stamp])
        np.testing.assert_array_equal(heard.ids, field.ids)
        np.testing.assert_array_equal(heard.rest, field.rest)
        np.testing.assert_array_equal(heard.displacement, field.displacement)
        np.testing.assert_array_equal(wrench_from_message(wrenches[stamp]), estimate.wrench)
        np.testing.assert_array_equal(wrench_from_message(sds[stamp], finite=False), estimate.sd)

    centroids, truths, images, true_wrenches = (by_stamp(foreign, name, first) for name in (
        'contact/centroid', 'truth/centroid', 'image_raw', 'truth/wrench'))
    assert set(centroids) == {s for s, (contact, _, _) in offline.items() if contact.in_contact}
    for frame in frames[REFERENCE_FRAMES:]:
        assert (frame.stamp_ns in truths) == frame.truth.in_contact
        np.testing.assert_array_equal(wrench_from_message(true_wrenches[frame.stamp_ns]),
                                      frame.truth.wrench)
        np.testing.assert_array_equal(image_from_message(images[frame.stamp_ns], 'bgr8'),
                                      frame.image)
    reference = foreign.heard['/sorter/index/reference/image']
    assert [stamp_of(message) for message in reference] == [frames[REFERENCE_FRAMES - 1].stamp_ns]
    shown = foreign.heard['/sorter/index/visualization']
    assert {marker.action for message in shown for marker in message.markers} == {0, 2}
