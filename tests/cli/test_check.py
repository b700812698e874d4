# SPDX-License-Identifier: Apache-2.0
"""`tactile check` on virtual fingertips; on USB ones: tests/device/in_guest/commands.py."""

import io
import sys

import pytest
import yaml

from tactile_nodes.cli import main as cli
from tactile_nodes.cli.check import check_hand
from tactile_nodes.files.hand import read_hand
from tactile_nodes.hand.resources import shipped


@pytest.fixture(autouse=True)
def _no_terminal(monkeypatch):
    monkeypatch.setattr(sys, 'stdin', io.StringIO())


@pytest.fixture
def hand_file(tmp_path):
    """Make a hand file of the shipped thumb and index, with changes."""
    config = shipped('config/four_finger_hand.yaml').parent
    shipped_hand = yaml.safe_load((config / 'four_finger_hand.yaml').read_text())

    def write(**changes):
        fingers = {name: dict(shipped_hand['fingers'][name]) for name in ('thumb', 'index')}
        for finger in fingers.values():
            finger['elastomer'] = str(config / finger['elastomer'])
            finger['calibration'] = str(config / finger['calibration'])
            finger['device'] = {**finger['device'],
                                'scenario': str(config / finger['device']['scenario'])}
        fingers['index'].update(changes.pop('index', {}))
        path = tmp_path / 'hand.yaml'
        path.write_text(yaml.safe_dump({**shipped_hand, **changes, 'fingers': fingers},
                                       sort_keys=False))
        return path
    return write


def test_a_hand_that_is_well(hand_file, capsys):
    assert cli.main(['check', str(hand_file())]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert '2 fingers, elastomer and calibration files match' in lines[0]
    assert sum(line.startswith('ok   ') for line in lines) == 5 and lines[-1] == 'all well'
    assert 'hand: all together: thumb ' in lines[-2]


@pytest.mark.parametrize(('changes', 'message'), [
    ({'leds': dict.fromkeys(('red', 'green', 'blue'), 0.0)}, 'images: the image is dark: raise'),
    ({'gain': 8}, 'images: the image is saturated: lower'),
    ({'exposure_ms': 60}, 'images: exposure longer than the frame period'),
])
def test_says_what_to_do(hand_file, capsys, changes, message):
    assert cli.main(['check', str(hand_file(index=changes))]) == 1
    out = capsys.readouterr().out
    assert f'FAIL index: {message}' in out and 'FAIL thumb' not in out
    assert out.splitlines()[-1] == '1 to mend'


def test_a_person_confirms_each_finger(hand_file):
    asked = []
    findings = list(check_hand(read_hand(hand_file()), lambda text: asked.append(text) or True))
    assert all(finding.ok for finding in findings)
    assert ['thumb' in asked[0], 'index' in asked[1], len(asked)] == [True, True, 2]
    wrong, _ = [f for f in check_hand(read_hand(hand_file()), lambda text: False) if not f.ok]
    assert wrong.concern == 'place' and 'exchange the serial numbers' in wrong.text


def test_a_calibration_of_another_fingertip_is_refused(hand_file, capsys):
    assert cli.main(['check', str(hand_file(index={'serial': 'VF-1003'}))]) == 2
    captured = capsys.readouterr()
    assert captured.out == '' and 'VF-1003' in captured.err
