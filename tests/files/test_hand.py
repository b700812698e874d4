# SPDX-License-Identifier: Apache-2.0
import math
import shutil

import pytest
import yaml

from tactile_nodes.errors import FileError
from tactile_nodes.files.hand import read_hand
from tactile_nodes.hand.resources import shipped

THUMB = {'serial': 'VF-1001', 'elastomer': 'elastomers/soft_marked.yaml',
         'device': {'kind': 'virtual', 'scenario': 'scenarios/pick_plum_thumb.yaml'}}
CONTENT = {'hand': 'sorter', 'base_frame': 'sorter_base', 'image': {'width': 320, 'height': 240},
           'fingers': {'thumb': THUMB}}


@pytest.fixture
def config(tmp_path):
    """Give a copy of the shipped configuration that a test may spoil."""
    return shutil.copytree(shipped('config'), tmp_path / 'config')


@pytest.fixture
def read(config):
    def write_and_read(content):
        path = config / 'hand.yaml'
        path.write_text(yaml.safe_dump(content, sort_keys=False), encoding='utf-8')
        return read_hand(path)
    return write_and_read


def thumb(**changes):
    return {**CONTENT, 'fingers': {'thumb': {**THUMB, **changes}}}


def test_the_shipped_hand(config):
    hand = read_hand(config / 'four_finger_hand.yaml')
    assert (hand.name, hand.base_frame, hand.width, hand.height) == \
        ('sorter', 'sorter_base', 320, 240)
    assert [(f.name, f.serial, f.frame) for f in hand.fingers] == [
        ('thumb', 'VF-1001', 'thumb_tip'), ('index', 'VF-1002', 'index_tip'),
        ('middle', 'VF-1003', 'middle_tip'), ('ring', 'VF-1004', 'ring_tip')]
    for finger in hand.fingers:
        assert finger.elastomer.name == 'soft_marked'
        assert finger.calibration_file.name == f'{finger.serial}_soft_marked.yaml'
        assert finger.device.kind == 'virtual'
        assert finger.frame_rate == 60.0
        assert finger.exposure == pytest.approx(0.008)
        assert finger.leds == {'red': 0.6, 'green': 0.6, 'blue': 0.6}


def test_the_example_of_usb_fingertips(config):
    hand = read_hand(config / 'usb_hand.yaml')
    assert [(f.serial, f.device.kind, f.device.port) for f in hand.fingers] == [
        ('SN-0001', 'usb', ''), ('SN-0002', 'usb', '1-2.3')]


def test_every_tip_of_the_shipped_hand_points_at_the_plum(config):
    """The tip's z axis, the third column of Rz(yaw) Ry(pitch) Rx(roll), leads to the origin."""
    for finger in read_hand(config / 'four_finger_hand.yaml').fingers:
        (x, y, z), (roll, pitch, yaw) = finger.mount.xyz, finger.mount.rpy
        axis = (math.cos(yaw) * math.sin(pitch) * math.cos(roll) + math.sin(yaw) * math.sin(roll),
                math.sin(yaw) * math.sin(pitch) * math.cos(roll) - math.cos(yaw) * math.sin(roll),
                math.cos(pitch) * math.cos(roll))
        distance = math.hypot(x, y, z)
        assert distance == pytest.approx(0.0225, abs=1e-4)
        assert axis == pytest.approx((-x / distance, -y / distance, -z / distance), abs=1e-9)


def test_what_is_not_said_is_as_in_the_parameter_table(read):
    finger, = read(CONTENT).fingers
    assert (finger.frame_rate, finger.gain) == (60.0, 1.0)
    assert finger.exposure == pytest.approx(0.008)
    assert finger.mount is None and finger.calibration_file is None
    assert finger.device.start == 0.0


def test_a_finger_overrides_the_hand_value_by_value(read):
    content = {**thumb(frame_rate=30, leds={'red': 0.1}), 'frame_rate': 90, 'exposure_ms': 5,
               'leds': {'blue': 0.9}}
    finger, = read(content).fingers
    assert finger.frame_rate == 30.0
    assert finger.exposure == pytest.approx(0.005)
    assert finger.leds == {'red': 0.1, 'green': 0.6, 'blue': 0.9}


def test_a_mount_is_read_into_metres_and_radians(read):
    finger, = read(thumb(mount={'xyz_mm': [1, -2, 3], 'rpy_deg': [180, 0, -90]})).fingers
    assert finger.mount.xyz == pytest.approx((0.001, -0.002, 0.003))
    assert finger.mount.rpy == pytest.approx((math.pi, 0, -math.pi / 2))


def test_a_usb_fingertip_as_device(read, config):
    device = {'kind': 'usb', 'profile': 'devices/generic.yaml', 'port': '1-2.3'}
    finger, = read(thumb(device=device)).fingers
    assert finger.device.profile == config / 'devices' / 'generic.yaml'
    assert finger.device.port == '1-2.3'


@pytest.fixture
def unnumbered(config):
    """Give a device profile of cameras without serial numbers of their own."""
    (config / 'unnumbered.yaml').write_text(
        'name: unnumbered\nusb: {vendor_id: 1, product_id: 2, unique_serial: false}\n'
        'formats: [MJPG]\nleds: {way: none}\n')
    return {'kind': 'usb', 'profile': 'unnumbered.yaml'}


def test_ports_tell_cameras_without_serial_numbers_apart(read, unnumbered):
    """The hand file's serial is then a name for the records, and guards the calibration."""
    left = {**THUMB, 'device': {**unnumbered, 'port': '1-2'},
            'calibration': 'calibrations/VF-1001_soft_marked.yaml'}
    right = {**THUMB, 'serial': 'right-7', 'device': {**unnumbered, 'port': '1-3'}}
    content = {**CONTENT, 'fingers': {'left': left, 'right': right}}
    assert [(f.serial, f.device.port) for f in read(content).fingers] == [
        ('VF-1001', '1-2'), ('right-7', '1-3')]
    right['calibration'] = left['calibration']
    with pytest.raises(FileError, match="calibration of another serial.*'VF-1001'.*right-7"):
        read(content)


def test_without_serial_numbers_a_finger_needs_a_port_of_its_own(read, unnumbered):
    with pytest.raises(FileError, match='thumb.device.port: .*the port .*`tactile devices`'):
        read(thumb(device=unnumbered))
    device = {**unnumbered, 'port': '1-2'}
    fingers = {name: {**THUMB, 'serial': name, 'device': device} for name in ('left', 'right')}
    with pytest.raises(FileError, match="right.device.port.*'1-2'.*no other finger.*left has it"):
        read({**CONTENT, 'fingers': fingers})


def test_of_one_serial_on_two_usb_fingers_it_says_what_to_do(read, unnumbered):
    fingers = {name: {**THUMB, 'device': {**unnumbered, 'port': port}}
               for name, port in (('left', '1-2'), ('right', '1-3'))}
    with pytest.raises(FileError, match='right.serial.*left has it.*unique_serial: false.*`port`'):
        read({**CONTENT, 'fingers': fingers})


def test_a_recording_as_device(read, config):
    (config / 'grasp').mkdir()
    device = {'kind': 'recording', 'path': 'grasp', 'topic': '/sorter/thumb/image_raw',
              'repeat': True}
    finger, = read(thumb(device=device)).fingers
    assert finger.device.recording == config / 'grasp'
    assert finger.device.topic == '/sorter/thumb/image_raw'
    assert finger.device.repeat is True


@pytest.mark.parametrize(('content', 'words'), [
    ({**CONTENT, 'finger': {}}, ['hand.yaml: finger', 'unknown key', 'fingers']),
    (thumb(mass_g=3), ['fingers.thumb.mass_g', 'unknown key']),
    (thumb(device={**THUMB['device'], 'path': 'x'}), ['thumb.device.path', 'unknown key']),
    (thumb(leds={'white': 0.5}), ['thumb.leds.white', 'unknown key', 'blue, green, red']),
    ({**CONTENT, 'fingers': {}}, ['fingers', 'at least one finger']),
    ({**CONTENT, 'fingers': ['thumb']}, ['fingers', 'a mapping']),
    ({**CONTENT, 'fingers': {'thumb': THUMB, 'index': THUMB}},
     ['fingers.index.serial', "'VF-1001'", 'no other finger', 'thumb']),
    (thumb(serial=1001), ['fingers.thumb.serial', 'found 1001', 'a text', 'quotes']),
    (thumb(elastomer='elastomers/gone.yaml'), ['thumb.elastomer', 'no such file', 'gone.yaml']),
    (thumb(elastomer='four_finger_hand.yaml'), ['four_finger_hand.yaml: kind', 'missing']),
    (thumb(calibration='calibrations/gone.yaml'), ['thumb.calibration', 'no such file']),
    (thumb(calibration='calibrations/VF-1002_soft_marked.yaml'),
     ['VF-1002_soft_marked.yaml: serial', "'VF-1002'", 'VF-1001']),
    (thumb(calibration='calibrations/VF-1001_soft_marked.yaml',
           elastomer='elastomers/soft_plain.yaml'),
     ['VF-1001_soft_marked.yaml: elastomer', 'soft_marked', 'soft_plain']),
    ({**thumb(calibration='calibrations/VF-1001_soft_marked.yaml'),
      'image': {'width': 640, 'height': 480}},
     ['VF-1001_soft_marked.yaml: image', "'320x240'", '640x480']),
    (thumb(device={'kind': 'virtual', 'scenario': 'gone.yaml'}),
     ['thumb.device.scenario', 'no such file']),
    (thumb(device={'kind': 'virtual', 'scenario': 'elastomers/soft_marked.yaml'}),
     ['soft_marked.yaml']),
    (thumb(device={'kind': 'usb', 'profile': 'devices/gone.yaml'}),
     ['thumb.device.profile', 'no such file']),
    (thumb(device={'kind': 'thermal'}),
     ['thumb.device.kind', "'thermal'", 'usb, virtual, recording']),
    (thumb(leds={'red': 1.2}), ['thumb.leds.red', 'found 1.2', 'from 0 to 1']),
    ({**CONTENT, 'leds': {'red': -0.1}}, ['hand.yaml: leds.red', 'found -0.1']),
    ({**CONTENT, 'frame_rate': 0}, ['frame_rate', 'found 0', 'from 1 to 240']),
    (thumb(frame_rate=0), ['fingers.thumb.frame_rate', 'found 0', 'from 1 to 240']),
    (thumb(exposure_ms=500), ['thumb.exposure_ms', 'found 500', 'to 100']),
    (thumb(exposure_ms=8, frame_rate=240), ['thumb.exposure_ms', 'found 8', 'at most', '4.167']),
    ({**CONTENT, 'fingers': {'recorder': THUMB}}, ['fingers.recorder', 'another name']),
    (thumb(mount={'xyz_mm': [0, 0]}), ['thumb.mount.xyz_mm', 'a list of 3 numbers']),
    ({**CONTENT, 'image': {'width': 321, 'height': 241}}, ['hand.yaml: image', 'multiples of 2']),
    ({**CONTENT, 'image': {'width': 320}}, ['image.height', 'missing']),
    ({**CONTENT, 'hand': 'left hand'}, ['hand.yaml: hand', "'left hand'", 'letters']),
    ({**CONTENT, 'hand': '/sorter'}, ['hand.yaml: hand', "'/sorter'"]),
    ({**CONTENT, 'base_frame': '/base'}, ['base_frame', "'/base'"]),
    ({**CONTENT, 'fingers': {'2nd': THUMB}}, ['fingers.2nd', 'a letter first']),
    ({**CONTENT, 'fingers': {7: THUMB}}, ['fingers.7', 'found 7']),
    ({**CONTENT, 'fingers': {'a__b': THUMB}}, ['fingers.a__b', 'single']),
])
def test_a_wrong_hand_names_file_key_found_and_expected(read, content, words):
    with pytest.raises(FileError) as caught:
        read(content)
    for word in words:
        assert word in str(caught.value)


def test_a_missing_hand_file(tmp_path):
    with pytest.raises(FileError, match=r'gone\.yaml: no such file'):
        read_hand(tmp_path / 'gone.yaml')
