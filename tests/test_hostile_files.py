# SPDX-License-Identifier: Apache-2.0
"""Every file that is read, spoilt: what is read is right, or there is one clear message."""

import os
import shutil
from pathlib import Path

import pytest
import yaml

pytest.importorskip('hypothesis')

from hypothesis import given
from hypothesis import strategies as st

from tactile_nodes.calibration.indentations import read_indentations
from tactile_nodes.core.types import Elastomer
from tactile_nodes.errors import FileError
from tactile_nodes.files.calibration import Calibration, read_calibration
from tactile_nodes.files.device_profile import DeviceProfile, read_device_profile
from tactile_nodes.files.elastomer import read_elastomer
from tactile_nodes.files.hand import Hand, read_hand
from tactile_nodes.files.scenario import Scenario, read_scenario
from tactile_nodes.files.trial import Trial, read_trial, write_trial
from tactile_nodes.hand.resources import shipped
from tests.hostile import MARKUP, damaged, hostile, is_a_message, is_right, spoilt

CONFIG = shipped('config')
TRIAL = b"""hand: sorter
object: plum
condition: firm
state: finished
outcome: dropped
drop_at_s: 1.25
started: '2026-03-04T05:06:07.000000+00:00'
duration_s: 3.0
marks:
- {at_s: 0.5, text: lifted}
hand_file: setup/hand.yaml
fingers:
  thumb: {serial: VF-1001, elastomer: soft_marked, calibration: setup/thumb_calibration.yaml}
software: {tactile_nodes: 0.1.0, ros_distro: kilted}
"""
EXTENSION_UNIT = b"""name: by extension unit
usb: {vendor_id: 0x1d6b, product_id: 2}
formats: [MJPG, YUYV]
fixed_controls:
- {id: 0x009a0901, value: 1}
exposure: {id: 0x009a0902, step_s: 0.0001}
gain: {id: 0x00980913, step: 0.0625}
leds:
  way: extension_unit
  guid: f4a1c2d3-5e6b-4c7d-8e9f-a0b1c2d3e4f5
  selector: 1
  gamma: 2.2
  layout: {fields: [1, red, green, blue], bytes_per_level: 2, byte_order: big, range: [0, 1023]}
"""
GOOD = {
    'hand': (CONFIG / 'four_finger_hand.yaml').read_bytes(),
    'elastomer': (CONFIG / 'elastomers' / 'soft_marked.yaml').read_bytes(),
    'profile': (CONFIG / 'devices' / 'generic.yaml').read_bytes(),
    'unit': EXTENSION_UNIT,
    'calibration': (CONFIG / 'calibrations' / 'VF-1001_soft_marked.yaml').read_bytes(),
    'scenario': (CONFIG / 'scenarios' / 'pick_plum_thumb.yaml').read_bytes(),
    'trial': TRIAL,
}
READERS = {
    'hand': (read_hand, Hand), 'elastomer': (read_elastomer, Elastomer),
    'profile': (read_device_profile, DeviceProfile), 'unit': (read_device_profile, DeviceProfile),
    'calibration': (read_calibration, Calibration), 'scenario': (read_scenario, Scenario),
    'trial': (lambda path: read_trial(path.parent), Trial),
}
INDENTATIONS = b"""start_s,end_s,shape,radius_mm
1.0,2.0,sphere,3.0
2.5,3.5,flat,
4,5,sphere,6
"""


@pytest.fixture(scope='module')
def file(tmp_path_factory):
    """A file beside the shipped ones, whose name is that of a trial's."""
    folder = tmp_path_factory.mktemp('files') / 'config'
    shutil.copytree(CONFIG, folder)
    return folder / 'trial.yaml'


def written(file, data):
    file.write_bytes(data)
    return file


@pytest.mark.parametrize('kind', GOOD)
def test_as_it_is_it_can_be_read(file, kind):
    read, result = READERS[kind]
    assert isinstance(read(written(file, GOOD[kind])), result)


@pytest.mark.parametrize('kind', GOOD)
def test_other_values(file, kind):
    @hostile
    @given(spoilt(yaml.safe_load(GOOD[kind])))
    def check(data):
        read, result = READERS[kind]
        assert is_right(read, written(file, data), result)

    check()


@pytest.mark.parametrize('kind', GOOD)
def test_damaged_files(file, kind):
    @hostile
    @given(st.one_of(damaged(GOOD[kind]), st.binary(max_size=200),
                     MARKUP.map(str.encode)))
    def check(data):
        read, result = READERS[kind]
        assert is_right(read, written(file, data), result)

    check()


@hostile
@given(st.data())
def test_what_is_read_of_a_trial_can_be_written_and_read_again(data):
    import tempfile
    with tempfile.TemporaryDirectory() as folder:
        file = written(Path(folder) / 'trial.yaml', data.draw(spoilt(yaml.safe_load(TRIAL))))
        try:
            trial = read_trial(folder)
        except FileError:
            return
        write_trial(trial)
        again = read_trial(file.parent)
        assert (again.hand, again.note, again.fingers, again.software) == (
            trial.hand, trial.note, trial.fingers, trial.software)


LINES = st.lists(st.one_of(
    st.sampled_from(['', ',', 'nan', 'inf', '-1', '1e999', '1e-320', '"', '"a\nb"', 'sphere', ' ',
                     '9' * 5000, '\0', '\x1b[2J']), st.text(max_size=8),
    st.floats().map(repr)), max_size=6).map(','.join)


@hostile
@given(st.one_of(damaged(INDENTATIONS), st.binary(max_size=200), st.lists(LINES, max_size=5).map(
    lambda lines: '\n'.join(['start_s,end_s,shape,radius_mm', *lines]).encode(
        errors='replace'))))
def test_tables_of_indentations(file, data):
    assert is_right(read_indentations, written(file, data), list)


def refused(file, match=None):
    for read in (*(read for read, _ in READERS.values()), read_indentations):
        with pytest.raises(FileError, match=match) as caught:
            read(file)
        assert len(str(caught.value)) < 3000


def laughs(levels=12, width=10):
    lines = ['a0: &a0 [x, x]']
    lines += [f'a{i}: &a{i} [{", ".join([f"*a{i - 1}"] * width)}]' for i in range(1, levels)]
    return '\n'.join(lines)


def merges(levels=12, width=10):
    lines = ['a0: &a0 {x: 1}']
    lines += [f'a{i}: &a{i}\n  <<: [{", ".join([f"*a{i - 1}"] * width)}]'
              for i in range(1, levels)]
    return '\n'.join(lines)


@pytest.mark.parametrize('text', [
    laughs(), merges(), 'a: &a [*a]', 'a: &a {b: *a}', '&a [*a]', '[' * 20_000, '{a: ' * 20_000,
    '- ' * 60_000, '? ' * 60_000, 'a: 0x' + 'F' * 100_000, 'a: ' + '9' * 100_000,
    'a: 1' + ':1' * 15_000, 'a: !!python/object/apply:os.system ["true"]', 'a: !!binary "%%%"',
    'a: 2026-99-99', '', '\0', '%YAML 9.9\n---\na: 1', 'a: 1\n---\na: 2', '[1, 2]', '"a"',
    '? {a: b}\n: c', 'a: "\\ud800"', 'hand: &a [*b]', 'hand: &a "\\e[2J"'],
    ids=lambda text: ascii(text[:20]))
def test_tricks_of_yaml(file, text):
    with pytest.raises(FileError) as caught:
        read_elastomer(written(file, text.encode()))
    assert is_a_message(caught.value) and len(str(caught.value)) < 3000


def test_files_that_are_none(tmp_path):
    (tmp_path / 'trial.yaml').mkdir()
    refused(tmp_path / 'trial.yaml', 'not a file|no such file')
    refused(tmp_path / 'none' / 'trial.yaml', 'no such file')
    refused(tmp_path / ('x' * 300) / 'trial.yaml', 'cannot be read')
    refused(tmp_path / 'a\0b' / 'trial.yaml', 'cannot be read')
    (tmp_path / 'pipe').mkdir()
    os.mkfifo(tmp_path / 'pipe' / 'trial.yaml')
    refused(tmp_path / 'pipe' / 'trial.yaml', 'not a file')
    (tmp_path / 'zero').mkdir()
    (tmp_path / 'zero' / 'trial.yaml').symlink_to('/dev/zero')
    refused(tmp_path / 'zero' / 'trial.yaml', 'not a file')
    (tmp_path / 'large').mkdir()
    with (tmp_path / 'large' / 'trial.yaml').open('wb') as stream:
        stream.truncate(2**40)                   # takes no room: it is all hole
    refused(tmp_path / 'large' / 'trial.yaml', 'too large')
    (tmp_path / 'latin').mkdir()
    refused(written(tmp_path / 'latin' / 'trial.yaml', b'hand: \xe4'), 'cannot be read')
