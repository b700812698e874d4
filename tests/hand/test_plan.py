# SPDX-License-Identifier: Apache-2.0
import math
import shutil
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
import yaml

from tactile_nodes.errors import DeviceError, TactileError
from tactile_nodes.files.hand import read_hand
from tactile_nodes.hand.plan import (
    arguments_of,
    load_plan,
    plan_hand,
    record_folder,
    write_parameters,
)
from tactile_nodes.hand.resources import shipped
from tactile_nodes.interface import PARAMETERS

FINGERS = ('thumb', 'index', 'middle', 'ring')


@pytest.fixture(scope='module')
def hand():
    return read_hand(shipped('config/four_finger_hand.yaml'))


def by_name(plan):
    processes = {process.name: process for process in plan.processes}
    assert len(processes) == len(plan.processes), 'names are unique'
    return processes


def test_the_viewer_shows_whatever_the_hand_is_called(hand, tmp_path):
    shown = yaml.safe_load(shipped('config/four_finger_hand.rviz').read_text(encoding='utf-8'))
    rviz = by_name(plan_hand(hand, rviz=True))['rviz']
    dash, path = arguments_of(rviz, tmp_path)
    assert dash == '-d' and yaml.safe_load(Path(path).read_text(encoding='utf-8')) == shown
    fingers = [replace(finger, name=f'f{i}') for i, finger in enumerate(hand.fingers * 2)]
    other = replace(hand, name='gripper', base_frame='palm', fingers=tuple(fingers))
    text = by_name(plan_hand(other, rviz=True, fingers=['f1', 'f4', 'f7']))['rviz'].file
    manager = yaml.safe_load(text)['Visualization Manager']
    assert manager['Global Options']['Fixed Frame'] == 'palm' and 'sorter' not in text
    topics = [d['Topic']['Value'] for d in manager['Displays'] if 'Value' in d.get('Topic', {})]
    assert topics == ['/gripper/overlay'] + [
        f'/gripper/{name}/{topic}' for name in ('f1', 'f4', 'f7')
        for topic in ('wrench', 'visualization')]


def test_composed_is_one_process_per_finger(hand):
    plan = plan_hand(hand)
    assert plan.namespace == '/sorter' and plan.fingers == FINGERS
    own = [process for process in plan.processes if process.own]
    assert [(p.name, p.executable, p.namespace, p.node) for p in own] == [
        *((name, 'fingertip', f'/sorter/{name}', None) for name in FINGERS),
        ('hand', 'hand_node', '/sorter', 'hand')]
    assert all(process.respawn for process in own)


def test_split_is_one_process_per_node(hand):
    own = [process for process in plan_hand(hand, layout='split').processes if process.own]
    stages = ('device', 'contact', 'flow', 'force', 'view')
    assert [(p.name, p.executable, p.namespace, p.node) for p in own] == [
        *((f'{name}.{stage}', f'{stage}_node', f'/sorter/{name}', stage)
          for name in FINGERS for stage in stages),
        ('hand', 'hand_node', '/sorter', 'hand')]


@pytest.mark.parametrize('layout', ['composed', 'split'])
def test_parameters_are_those_of_the_table_in_its_types(hand, layout):
    """A node refuses a whole number for a float parameter, so the type counts."""
    for process in plan_hand(hand, layout=layout, record='x').processes:
        if not process.own:
            continue
        nodes = [process.node] if process.node else ['device', 'contact', 'flow', 'force', 'view']
        table = {p.name: p for node in nodes for p in PARAMETERS[node]}
        assert process.parameters
        for name, value in process.parameters.items():
            assert type(value) is type(table[name].default), name


def test_parameters_say_what_the_hand_file_says(hand):
    index = by_name(plan_hand(hand))['index'].parameters
    finger = hand.fingers[1]
    assert index['finger'] == 'index' and index['serial'] == 'VF-1002'
    assert index['elastomer_file'] == str(finger.elastomer_file)
    assert index['device'] == 'virtual'
    assert index['scenario_file'] == str(finger.device.scenario)
    assert (index['width'], index['height']) == (320, 240)
    assert index['frame_rate'] == 60.0 and index['exposure'] == pytest.approx(0.008)
    assert index['led.red'] == index['led.green'] == index['led.blue'] == 0.6
    assert index['calibration_file'] == str(finger.calibration_file)
    for name in ('elastomer_file', 'calibration_file', 'scenario_file'):
        assert index[name].startswith('/'), 'a node may run in another folder'


def test_a_part_of_the_hand_in_the_order_of_the_file(hand):
    plan = plan_hand(hand, fingers=['index', 'thumb'])
    assert plan.fingers == ('thumb', 'index')
    assert by_name(plan)['hand'].parameters == {'fingers': ('thumb', 'index')}
    assert not any('ring' in process.name for process in plan.processes)


def test_mounted_fingers_get_a_static_transform(hand):
    process = by_name(plan_hand(hand))['index.transform']
    assert (process.package, process.executable) == ('tf2_ros', 'static_transform_publisher')
    assert not process.own
    given = dict(zip(process.arguments[::2], process.arguments[1::2], strict=True))
    assert given.pop('--frame-id') == 'sorter_base'
    assert given.pop('--child-frame-id') == 'index_tip'
    assert {key: float(value) for key, value in given.items()} == pytest.approx({
        '--x': 0.0159, '--y': 0.0159, '--z': 0, '--roll': -math.pi / 2, '--pitch': 0,
        '--yaw': math.radians(135)})
    bare = replace(hand, fingers=tuple(replace(f, mount=None) for f in hand.fingers))
    assert all(process.own for process in plan_hand(bare).processes)


def test_recorder_and_viewer_only_when_asked_for(hand):
    assert not {'recorder', 'rviz'} & set(by_name(plan_hand(hand)))
    processes = by_name(plan_hand(hand, fingers=['ring'], record='grasps', rviz=True))
    recorder, rviz = processes['recorder'], processes['rviz']
    assert recorder.executable == 'recorder_node' and recorder.namespace == '/sorter'
    assert recorder.parameters['fingers'] == ('ring',)
    assert recorder.parameters['output'].endswith('/grasps')
    assert recorder.parameters['output'].startswith('/')
    assert recorder.parameters['autostart'] is True
    assert recorder.parameters['hand_file'].endswith('four_finger_hand.yaml')
    waiting = by_name(plan_hand(hand, trials='grasps'))['recorder'].parameters
    assert waiting['autostart'] is False and waiting['output'] == recorder.parameters['output']
    assert rviz.package == 'rviz2' and rviz.arguments == ('-d',)
    assert not rviz.respawn, 'a viewer that the user closes stays closed'


@pytest.mark.parametrize(('options', 'message'), [
    ({'fingers': ['pinky']}, "unknown finger, found 'pinky', expected one of thumb, index"),
    ({'fingers': ['']}, "unknown finger, found ''"),
    ({'record': 'a', 'trials': 'b'}, 'exclude each other'),
    ({'layout': 'mixed'}, "unknown layout, found 'mixed', expected one of composed, split"),
])
def test_what_is_not_in_the_hand_is_refused(hand, options, message):
    with pytest.raises(TactileError, match=message):
        plan_hand(hand, **options)


def test_a_recording_is_opened_before_anything_starts(tmp_path):
    folder = shutil.copytree(shipped('config'), tmp_path / 'config')
    path = folder / 'four_finger_hand.yaml'
    device = '{kind: virtual, scenario: scenarios/pick_plum_thumb.yaml}'
    text = path.read_text()
    assert device in text
    path.write_text(text.replace(device, '{kind: recording, path: grasp}'))
    (folder / 'grasp').mkdir()
    with pytest.raises(DeviceError, match='grasp'):
        load_plan(path)
    image = np.zeros((240, 320, 3), np.uint8)
    cv2.imwrite(str(folder / 'grasp' / '0.png'), image)
    thumb = by_name(load_plan(path))['thumb'].parameters
    assert thumb['device'] == 'recording'
    assert thumb['recording'] == str(folder / 'grasp')


def test_a_parameter_file_keeps_every_type(hand, tmp_path):
    process = by_name(plan_hand(hand))['thumb']
    process = replace(process, parameters={
        **process.parameters, 'serial': '12E4', 'calibration_file': '/über "all".yaml'})
    content = yaml.safe_load(write_parameters(process, tmp_path).read_text(encoding='utf-8'))
    assert content == {'/**': {'ros__parameters': process.parameters}}


def test_what_the_launch_argument_record_means():
    assert record_folder('') is None and record_folder('false') is None
    assert str(record_folder('true')) == 'recordings'
    assert str(record_folder('/data/plums')) == '/data/plums'
