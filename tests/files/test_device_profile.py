# SPDX-License-Identifier: Apache-2.0
import re
from pathlib import Path

import pytest
import yaml

from tactile_nodes.errors import FileError
from tactile_nodes.files.device_profile import KEYS, Layout, find_profile, read_device_profile
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
    assert profile.unique_serial
    named = read_device_profile(write(BASE.replace('0x5678', '1, unique_serial: false') + UNIT))
    assert not named.unique_serial


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


LAYOUT = {'fields': ['all'], 'bytes_per_level': 1, 'byte_order': 'big', 'range': [0, 9]}
WAYS = ({'way': 'v4l2_control', 'gamma': 2.0, 'controls': {'all': 5}},
        {'way': 'v4l2_control', 'controls': {'red': 5, 'green': 6, 'blue': 7}},
        {'way': 'extension_unit', 'unit': 3, 'selector': 1, 'layout': LAYOUT},
        {'way': 'extension_unit', 'guid': '0' * 32, 'selector': 1, 'layout': LAYOUT},
        {'way': 'vendor_request', 'request': 1, 'value': 2, 'index': 3, 'layout': LAYOUT})


def full(leds):
    return {'name': 'full', 'usb': {'vendor_id': 1, 'product_id': 2, 'unique_serial': False},
            'formats': ['YUYV'], 'fixed_controls': [{'id': 1, 'value': 2}],
            'exposure': {'id': 3, 'step_s': 0.1}, 'gain': {'id': 4, 'step': 0.1}, 'leds': leds}


def paths(value, path=''):
    """All keys of nested dicts, as KEYS writes them."""
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from paths(inner, f'{path}.{key}'.lstrip('.'))
    elif isinstance(value, list) and isinstance(value[0], dict):
        yield from paths(value[0], path + '[]')
    else:
        yield path


def without(value, path):
    first, _, rest = path.partition('.')
    if first.endswith('[]'):
        return {**value, first[:-2]: [without(value[first[:-2]][0], rest)]}
    if rest:
        return {**value, first: without(value[first], rest)}
    return {key: inner for key, inner in value.items() if key != first}


def test_the_table_of_keys_is_what_the_reader_takes(write):
    """Every key of the table is read, no other is, and those that are needed are asked for."""
    seen = {path for leds in WAYS for path in paths(full(leds))}
    others = {'leds.controls.green', 'leds.controls.blue'}      # in the row of `red`
    assert {key for key, _, _ in KEYS} == seen - others
    needed = {key: when for key, when, _ in KEYS}
    for leds in WAYS:
        whole = full(leds)
        read_device_profile(write(yaml.safe_dump(whole)))
        for path in set(paths(whole)) - others:
            less = yaml.safe_dump(without(whole, path))
            if needed[path] == 'optional':
                read_device_profile(write(less))
            else:
                with pytest.raises(FileError):
                    read_device_profile(write(less))
    for key in ('usb', 'fixed_controls', 'exposure', 'gain'):
        read_device_profile(write(yaml.safe_dump(without(full(WAYS[0]), key))))
