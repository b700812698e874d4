# SPDX-License-Identifier: Apache-2.0
"""The viewer's configuration fits what the shipped hand publishes.

Display classes and what they subscribe to: plugins_description.xml of ros2/rviz; compatible
quality of service: the ROS 2 documentation, About Quality of Service settings.
"""

from pathlib import Path

import pytest
import yaml

from tactile_nodes.files.hand import read_hand
from tactile_nodes.hand.plan import plan_hand
from tactile_nodes.hand.resources import shipped
from tactile_nodes.interface import FINGER_TOPICS, HAND_TOPICS

WANTS = {
    'rviz_default_plugins/Image': 'sensor_msgs/msg/Image',
    'rviz_default_plugins/Wrench': 'geometry_msgs/msg/WrenchStamped',
    'rviz_default_plugins/MarkerArray': 'visualization_msgs/msg/MarkerArray',
}
WITHOUT_TOPIC = {'rviz_default_plugins/Grid', 'rviz_default_plugins/TF'}
FINGER_DISPLAYS = {'wrench', 'visualization'}


@pytest.fixture(scope='module')
def manager():
    path = Path(shipped('config/four_finger_hand.rviz'))
    return yaml.safe_load(path.read_text(encoding='utf-8'))['Visualization Manager']


@pytest.fixture(scope='module')
def hand():
    return read_hand(shipped('config/four_finger_hand.yaml'))


@pytest.fixture(scope='module')
def published(hand):
    """{absolute name: Topic} of the shipped hand."""
    topics = {f'/{hand.name}/{finger.name}/{topic.name}': topic
              for finger in hand.fingers for topic in FINGER_TOPICS}
    return topics | {topic.name if topic.name.startswith('/') else f'/{hand.name}/{topic.name}':
                     topic for topic in HAND_TOPICS}


def with_topic(manager):
    return [display for display in manager['Displays'] if display['Class'] not in WITHOUT_TOPIC]


def test_every_topic_is_published_with_the_type_that_the_display_takes(manager, published):
    for display in with_topic(manager):
        topic = published[display['Topic']['Value']]
        assert topic.type == WANTS[display['Class']], display['Name']


def test_every_finger_has_its_displays_and_the_hand_its_mosaic(manager, hand):
    shown = {display['Topic']['Value'] for display in with_topic(manager)}
    assert shown == {f'/{hand.name}/{finger.name}/{topic}' for finger in hand.fingers
                     for topic in FINGER_DISPLAYS} | {f'/{hand.name}/overlay'}


def test_displays_are_on_and_have_names_of_their_own(manager):
    assert all(display['Enabled'] and display['Value'] for display in manager['Displays'])
    names = [display['Name'] for display in manager['Displays']]
    assert len(set(names)) == len(names)


def test_quality_of_service_is_compatible(manager, published):
    """Our publishers are reliable; a volatile one never satisfies a transient local reader."""
    for display in with_topic(manager):
        asked = display['Topic']
        assert asked['Reliability Policy'] in ('Best Effort', 'Reliable')
        assert asked['History Policy'] == 'Keep Last'
        assert asked['Durability Policy'] == 'Volatile' or (
            asked['Durability Policy'] == 'Transient Local'
            and published[asked['Value']].latched), display['Name']


def test_frames_are_joined_by_the_plans_transforms(manager, hand):
    """Every tip frame hangs on the fixed frame, also without a robot description."""
    joined = {}
    for process in plan_hand(hand).processes:
        if process.executable == 'static_transform_publisher':
            words = dict(zip(process.arguments[::2], process.arguments[1::2], strict=True))
            joined[words['--child-frame-id']] = words['--frame-id']
    fixed = manager['Global Options']['Fixed Frame']
    assert fixed == hand.base_frame
    assert joined == {finger.frame: fixed for finger in hand.fingers}


def test_arrows_of_small_forces_are_visible(manager):
    """The viewer hides arrows shorter than their width (wrench_visual.cpp of ros2/rviz)."""
    for display in with_topic(manager):
        if display['Class'] == 'rviz_default_plugins/Wrench':
            assert display['Arrow Width'] / display['Force Arrow Scale'] <= 0.5        # N
            assert display['Arrow Width'] / display['Torque Arrow Scale'] <= 2e-3      # N*m
            assert 5.0 * display['Force Arrow Scale'] <= 0.15      # m: not beyond the hand
