# SPDX-License-Identifier: Apache-2.0
import os
import shutil
import signal
import subprocess
import sys

import psutil
import pytest

from tactile_nodes.hand.resources import shipped

# Stands for rclpy-based nodes: each prints its start and its end.
FAKE_NODE = '''
import signal, sys, time
signal.signal(signal.SIGTERM, signal.SIG_IGN)
print('up', *sys.argv, flush=True)
try:
    time.sleep(600)
except KeyboardInterrupt:
    print('lights off', flush=True)
'''


@pytest.fixture
def config(tmp_path):
    return shutil.copytree(shipped('config'), tmp_path / 'config')


@pytest.fixture
def fake_nodes(tmp_path, monkeypatch):
    """Put modules before the real nodes, so that `up` starts these instead; ROS is not needed."""
    folder = tmp_path / 'fake'
    folder.mkdir()
    (folder / 'rclpy.py').touch()
    (folder / 'node.py').write_text(FAKE_NODE)
    (folder / 'up.py').write_text(f'''
import sys
from tactile_nodes.cli.main import main
from tactile_nodes.hand import supervisor
def command_line(process, folder):
    return [sys.executable, {str(folder / 'node.py')!r}, process.name] if process.own else None
supervisor.Supervisor.__init__.__kwdefaults__['command'] = command_line
sys.exit(main(['up', *sys.argv[1:]]))
''')
    return folder


def start(program, *arguments, **options):
    env = {**os.environ, 'PYTHONPATH': os.pathsep.join([os.path.dirname(program), *sys.path])}
    return subprocess.Popen([sys.executable, program, *map(str, arguments)], env=env, text=True,
                            stdout=subprocess.PIPE, stderr=subprocess.PIPE, **options)


def read_until(process, words):
    """Lines of the process's output up to the one where the last of the words came."""
    lines, missing = [], set(words)
    while missing:
        line = process.stdout.readline()
        assert line, lines + process.stderr.readlines()
        lines.append(line.rstrip())
        missing = {word for word in missing if word not in line}
    return lines


def kill(up, name):
    child, = (p for p in psutil.Process(up.pid).children() if p.cmdline()[-1] == name)
    child.kill()


@pytest.mark.parametrize('number', [signal.SIGINT, signal.SIGTERM])
def test_a_signal_stops_the_hand_in_order(fake_nodes, number):
    names = ['thumb', 'index', 'middle', 'ring', 'hand']
    with start(fake_nodes / 'up.py', shipped('config/four_finger_hand.yaml')) as up:
        lines = read_until(up, [f'[{name}] up' for name in names])
        up.send_signal(number)
        up.send_signal(number)              # a second Ctrl-C does no harm
        rest, errors = up.communicate(timeout=60)
    assert up.returncode == 0, errors
    assert errors == ''
    assert lines[0] == '/sorter: thumb, index, middle, ring; Ctrl-C stops the hand'
    assert any('[thumb.transform] *** tf2_ros' in line and 'left out' in line for line in lines)
    for name in names:
        assert f'[{name}] lights off' in rest


def test_a_finger_that_dies_is_reported_on_one_line_and_comes_back(fake_nodes, config):
    with start(fake_nodes / 'up.py', config / 'four_finger_hand.yaml', '--fingers',
               'ring,index') as up:
        lines = read_until(up, ['[index] up', '[ring] up', '[hand] up'])
        assert not any('thumb' in line for line in lines[1:])
        kill(up, 'ring')
        lines = read_until(up, ['[ring] up'])
        assert len(lines) == 2
        assert lines[0].startswith('[ring] *** killed by SIGKILL after')
        assert lines[0].endswith('s; starting again in 0.5 s')
        up.terminate()
        up.communicate(timeout=60)
    assert up.returncode == 0


def test_a_closed_output_stops_the_hand(fake_nodes, config):
    with start(fake_nodes / 'up.py', config / 'four_finger_hand.yaml', '--fingers', 'ring') as up:
        read_until(up, ['[ring] up'])
        up.stdout.close()
        kill(up, 'ring')                    # makes it print
        assert up.wait(timeout=60) == 0
        assert up.stderr.read() == ''


@pytest.mark.parametrize(('old', 'new', 'words'), [
    ('frame_rate: 60 ', 'frame_rate: 0', ['frame_rate', 'found 0', 'from 1 to 240']),
    ('red: 0.6', 'red: 1.2', ['leds.red', 'found 1.2']),
    ('VF-1002', 'VF-1001', ['fingers.index.serial', 'VF-1001']),
    ('gain:', 'gian:', ['gian', 'unknown key']),
    ('elastomers/soft_marked.yaml', 'elastomers/lost.yaml', ['thumb.elastomer', 'lost.yaml']),
])
def test_a_bad_hand_file_is_one_message_exit_code_2_and_nothing_started(config, old, new, words):
    path = config / 'four_finger_hand.yaml'
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new, 1))
    refused(words, path)


@pytest.mark.parametrize(('options', 'words'), [
    (['--fingers', 'pinky'], ['unknown finger', 'pinky', 'thumb, index, middle, ring']),
    (['--fingers', ''], ['unknown finger']),
    (['--record', '/proc/none'], ['/proc/none', 'cannot record there']),
])
def test_a_bad_option_is_one_message_exit_code_2_and_nothing_started(config, options, words):
    pytest.importorskip('rclpy')
    refused(words, config / 'four_finger_hand.yaml', *options)


def test_a_missing_hand_file(tmp_path):
    refused(['gone.yaml', 'no such file'], tmp_path / 'gone.yaml')


def test_a_python_without_ros_says_what_to_do(config, monkeypatch, capsys):
    from tactile_nodes.cli import main, up
    monkeypatch.setattr(up, 'find_spec', lambda name: None)
    assert main.main(['up', str(config / 'four_finger_hand.yaml')]) == 2
    assert 'ros-kilted' in capsys.readouterr().err


def refused(words, *arguments):
    done = subprocess.run([sys.executable, '-m', 'tactile_nodes.cli.main', 'up',
                           *map(str, arguments)], capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert done.stdout == '', 'nothing started'
    assert done.stderr.startswith('tactile: ') and len(done.stderr.splitlines()) == 1
    for word in words:
        assert word in done.stderr
