# SPDX-License-Identifier: Apache-2.0
"""`tactile check` on virtual fingertips; on USB ones: tests/device/in_guest/commands.py."""

import io
import os
import sys
from dataclasses import replace

import numpy as np
import pytest
import yaml

from tactile_nodes.cli import main as cli
from tactile_nodes.cli.check import check_hand
from tactile_nodes.device.virtual import VirtualDevice
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
        fingers['index'] = {key: v for key, v in fingers['index'].items() if v is not None}
        path = tmp_path / 'hand.yaml'
        path.write_text(yaml.safe_dump({**shipped_hand, **changes, 'fingers': fingers},
                                       sort_keys=False))
        return path
    return write


def test_a_hand_that_is_well(hand_file, capsys):
    assert cli.main(['check', str(hand_file())]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert '2 fingers, elastomer and calibration files match' in lines[0]
    assert sum(line.startswith('ok   ') for line in lines) == 9 and lines[-1] == 'all well'
    assert 'ok   thumb: darkness: LEDs off: ' in '\n'.join(lines)
    assert 'ok   thumb: LEDs: red +' in '\n'.join(lines)
    assert 'hand: all together: thumb ' in lines[-2]


@pytest.mark.parametrize(('changes', 'message'), [
    ({'leds': dict.fromkeys(('red', 'green', 'blue'), 0.0)}, 'images: the image is dark: raise'),
    ({'gain': 8}, 'images: the image is saturated: lower'),
])
def test_says_what_to_do(hand_file, capsys, changes, message):
    assert cli.main(['check', str(hand_file(index=changes))]) == 1
    out = capsys.readouterr().out
    assert f'FAIL index: {message}' in out and 'FAIL thumb' not in out
    assert out.splitlines()[-1] == '1 to mend'


@pytest.fixture
def spoil(monkeypatch):
    """Change the LED levels that every fingertip is sent, or the images that it sends."""
    def spoil(light=lambda light: light, image=lambda image: image):
        class Spoilt(VirtualDevice):
            def set_light(self, levels):
                super().set_light(light(levels))

            def read(self, timeout):
                frame = super().read(timeout)
                return replace(frame, image=image(frame.image))
        monkeypatch.setattr('tactile_nodes.device.virtual.VirtualDevice', Spoilt)
    return spoil


def leaking(image):
    """The light of the room comes in at the left."""
    image = image.copy()
    image[:, :20] = np.maximum(image[:, :20], 40)
    return image


@pytest.mark.parametrize(('spoilt', 'message'), [
    ({'light': lambda light: replace(light, green=0.0)},
     'LEDs: green alone at level 0.6 does not light the green of the image (red '),
    ({'light': lambda light: replace(light, red=light.blue, blue=light.red)},
     'LEDs: red alone at level 0.6 does not light the red of the image (red +'),
    ({'image': leaking}, 'darkness: with the LEDs off 6 % of the image is lit'),
], ids=['dead', 'exchanged', 'leak'])
def test_looks_at_every_led_and_for_light_from_outside(hand_file, capsys, spoil, spoilt, message):
    spoil(**spoilt)
    assert cli.main(['check', str(hand_file())]) == 1
    out = capsys.readouterr().out
    assert f'FAIL thumb: {message}' in out and f'FAIL index: {message}' in out
    assert 'ok   thumb: images' in out and out.splitlines()[-1] == '2 to mend'


def test_a_clear_skin_may_have_a_dark_channel_and_see_the_room(hand_file, capsys, spoil,
                                                               tmp_path):
    leds = {'red': 0.0, 'green': 0.6, 'blue': 0.6}
    assert cli.main(['check', str(hand_file(index={'leds': leds}))]) == 1
    assert 'FAIL index: LEDs: red alone at level 0 does not light the red of the image' \
        in capsys.readouterr().out
    clear = yaml.safe_load(shipped('config/elastomers/soft_marked.yaml').read_text())
    (tmp_path / 'clear.yaml').write_text(yaml.safe_dump({**clear, 'kind': 'clear_markers'}))
    spoil(image=leaking)
    cli.main(['check', str(hand_file(index={
        'leds': leds, 'elastomer': 'clear.yaml', 'calibration': None}))])
    out = capsys.readouterr().out
    assert 'ok   index: LEDs: green +' in out and 'FAIL index' not in out
    assert 'FAIL thumb: darkness' in out


@pytest.fixture
def typed(monkeypatch):
    """Let a terminal be the standard input, with something typed ahead."""
    master, slave = os.openpty()
    terminal = os.fdopen(slave)
    monkeypatch.setattr(sys, 'stdin', terminal)
    yield lambda keys: os.write(master, keys)
    terminal.close()
    os.close(master)


def test_at_a_terminal_each_finger_is_asked_for(hand_file, capsys, typed):
    typed(b'\nn\n')
    assert cli.main(['check', str(hand_file())]) == 1
    out = capsys.readouterr().out
    assert 'Is it thumb (VF-1001) whose LEDs are lit? [Y/n]' in out
    assert 'FAIL index: place: VF-1002 is not on index' in out and 'FAIL thumb' not in out


def test_no_answer_confirms_nothing(hand_file, capsys, typed):
    typed(b'\x04yes\n')                    # Ctrl-D
    assert cli.main(['check', str(hand_file())]) == 1
    out = capsys.readouterr().out
    assert 'FAIL thumb: place: nobody has confirmed it' in out and '--no-lights' in out
    assert out.splitlines()[-1] == '1 to mend'


def test_no_lights_asks_nobody(hand_file, capsys, typed):
    assert cli.main(['check', str(hand_file()), '--no-lights']) == 0
    assert 'Is it' not in capsys.readouterr().out


def test_a_person_confirms_each_finger(hand_file):
    asked = []
    findings = list(check_hand(read_hand(hand_file()), lambda text: asked.append(text) or True))
    assert all(finding.ok for finding in findings)
    assert ['thumb' in asked[0], 'index' in asked[1], len(asked)] == [True, True, 2]
    wrong, _ = [f for f in check_hand(read_hand(hand_file()), lambda text: False) if not f.ok]
    assert wrong.concern == 'place' and 'exchange the serial numbers' in wrong.text


def test_the_example_of_usb_fingertips_without_them(capsys):
    assert cli.main(['check', str(shipped('config/usb_hand.yaml'))]) == 1
    lines = capsys.readouterr().out.splitlines()
    assert 'FAIL thumb: device: fingertip SN-0001: no such USB camera' in lines[1]
    assert 'FAIL index: device: ' in lines[2] and lines[-1] == '2 to mend'


def test_a_calibration_of_another_fingertip_is_refused(hand_file, capsys):
    assert cli.main(['check', str(hand_file(index={'serial': 'VF-1003'}))]) == 2
    captured = capsys.readouterr()
    assert captured.out == '' and 'VF-1003' in captured.err
