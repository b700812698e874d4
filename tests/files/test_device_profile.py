# SPDX-License-Identifier: Apache-2.0
import re
from pathlib import Path

import pytest

from tactile_nodes.errors import FileError
from tactile_nodes.files.device_profile import Layout, find_profile, read_device_profile
from tactile_nodes.hand.resources import shipped

BASE = '''
name: mine
usb: {vendor_id: 0x1234, product_id: 0x5678}
formats: [YUYV]
exposure: {id: 0x009a0902, step_s: 0.0001}
leds:
'''
UNIT = '''  way: extension_unit
  unit: 4
  selector: 1
  layout: {fields: [1, red, green, blue], bytes_per_level: 2, byte_order: big, range: [0, 1023]}
'''


@pytest.fixture
def write(tmp_path):
    def write(text):
        path = tmp_path / 'profile.yaml'
        path.write_text(text)
        return path
    return write


@pytest.mark.parametrize('name', ['generic', 'emulated_fingertip'])
def test_shipped_profiles_are_right(name):
    assert read_device_profile(shipped(f'config/devices/{name}.yaml')).name == name


def test_reads_every_key(write):
    profile = read_device_profile(write(BASE + UNIT))
    assert (profile.vendor_id, profile.product_id, profile.formats) == (0x1234, 0x5678, ('YUYV',))
    assert profile.leds.layout == Layout((1, 'red', 'green', 'blue'), 2, True, 0, 1023)
    assert profile.leds.layout.size == 7 and profile.gain is None


def test_commented_ways_of_the_generic_profile_are_right(write):
    """What a user gets by removing the comment signs is accepted."""
    text = Path(shipped('config/devices/generic.yaml')).read_text()
    plain, ways = text.split('  way: none\n')
    for block in re.sub('^  # ', '  ', ways, flags=re.MULTILINE).split('  #\n'):
        assert read_device_profile(write(plain + block)).leds.way != 'none'


@pytest.mark.parametrize(('leds', 'message'), [
    ('  way: magic\n', 'leds.way.*v4l2_control, extension_unit'),
    ('  way: none\n  gamma: 2\n', 'unknown key.*gamma'),
    ('  way: v4l2_control\n  controls: {red: 1}\n', 'red, green and blue, or all'),
    (UNIT.replace('unit: 4', 'unit: 4\n  guid: 00'), 'either unit or guid'),
    (UNIT.replace('unit: 4', 'guid: 12-34'), '32 hexadecimal digits'),
    (UNIT.replace('green', 'red'), 'red, green and blue each once'),
    (UNIT.replace('[1,', '[300,'), 'constant bytes'),
    (UNIT.replace('[0, 1023]', '[5, 5]'), 'two different numbers'),
    (UNIT.replace('[0, 1023]', '[0, 70000]'), 'to 65535'),
])
def test_wrong_leds_are_refused(write, leds, message):
    with pytest.raises(FileError, match=message):
        read_device_profile(write(BASE + leds))


@pytest.mark.parametrize(('old', 'new', 'message'), [
    ('[YUYV]', '[PNG]', 'MJPG, YUYV'), ('[YUYV]', '[]', 'MJPG, YUYV'),
    ('[YUYV]', 'YUYV', 'a list'), ('0x1234', '70000', 'to 65535'),
    ('step_s: 0.0001', 'step_s: 0', 'above 0'),
])
def test_wrong_values_are_refused(write, old, new, message):
    with pytest.raises(FileError, match=message):
        read_device_profile(write(BASE.replace(old, new) + '  way: none\n'))


def test_a_profile_is_found_for_a_camera(tmp_path, write):
    write(BASE + UNIT)
    (tmp_path / 'any.yaml').write_text('name: any\nformats: [MJPG]\nleds: {way: none}\n')
    camera = type('Camera', (), {'vendor_id': 0x1234, 'product_id': 0x5678})
    assert find_profile(camera, tmp_path).name == 'mine'
    camera.product_id = 1
    assert find_profile(camera, tmp_path) is None
    assert read_device_profile(tmp_path / 'any.yaml').matches(camera)
