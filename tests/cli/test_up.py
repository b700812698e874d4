# SPDX-License-Identifier: Apache-2.0
import os
import shutil
import signal
import subprocess
import sys
import time
from contextlib import suppress

import psutil
import pytest

from tactile_nodes.cli import main, up
from tactile_nodes.hand.resources import shipped

# Stands for rclpy-based nodes: each prints its start and its end.
FAKE_NODE = '''
import signal, sys, time
from contextlib import suppress
signal.signal(signal.SIGTERM, signal.SIG_IGN)
try:
    print('up', *sys.argv, flush=True)
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


def start(folder, *arguments, stdout=subprocess.PIPE):
    env = {**os.environ, 'PYTHONPATH': os.pathsep.join([str(folder), *sys.path])}
    return subprocess.Popen([sys.executable, folder / 'up.py', *map(str, arguments)], env=env,
                            text=True, stdout=stdout, stderr=subprocess.PIPE)


def read_until(process, words):
    """Lines of the process's output up to the one where the last of the words came."""
    lines, missing = [], set(words)
    while missing:
        line = process.stdout.readline()
        assert line, lines + process.stderr.readlines()
        lines.append(line.rstrip())
        missing = {word for word in missing if word not in line}
    return lines


def kill(process, name):
    child, = (p for p in psutil.Process(process.pid).children() if p.cmdline()[-1:] == [name])
    child.kill()


def ring(process):
    """Process id of the finger ring, waited for."""
    while True:
        for child in psutil.Process(process.pid).children():
            with suppress(psutil.NoSuchProcess):
                if child.cmdline()[-1:] == ['ring']:
                    return child.pid
        time.sleep(0.05)


@pytest.mark.parametrize('number', [signal.SIGINT, signal.SIGTERM])
def test_a_signal_stops_the_hand_in_order(fake_nodes, number):
    names = ['thumb', 'index', 'middle', 'ring', 'hand']
    with start(fake_nodes, shipped('config/four_finger_hand.yaml')) as process:
        lines = read_until(process, [f'[{name}] up' for name in names])
        process.send_signal(number)
        process.send_signal(number)              # a second Ctrl-C does no harm
        rest, errors = process.communicate(timeout=60)
    assert process.returncode == 0, errors
    assert errors == ''
    assert lines[0] == '/sorter: thumb, index, middle, ring; Ctrl-C stops the hand'
    assert any('[thumb.transform] *** tf2_ros' in line and 'left out' in line for line in lines)
    for name in names:
        assert f'[{name}] lights off' in rest


def test_a_finger_that_dies_is_reported_on_one_line_and_comes_back(fake_nodes, config):
    with start(fake_nodes, config / 'four_finger_hand.yaml', '--fingers',
               'ring,index') as process:
        lines = read_until(process, ['[index] up', '[ring] up', '[hand] up'])
        assert not any('thumb' in line for line in lines[1:])
        kill(process, 'ring')
        lines = read_until(process, ['[ring] up'])
        assert len(lines) == 2
        assert lines[0].startswith('[ring] *** killed by SIGKILL after')
        assert lines[0].endswith('s; starting again in 0.25 s')
        process.terminate()
        process.communicate(timeout=60)
    assert process.returncode == 0


def test_a_closed_output_stops_the_hand(fake_nodes, config):
    with start(fake_nodes, config / 'four_finger_hand.yaml', '--fingers', 'ring') as process:
        read_until(process, ['[ring] up'])
        process.stdout.close()
        # makes it print, unless it has printed since and is stopping already
        with suppress(ValueError, psutil.NoSuchProcess):
            kill(process, 'ring')
        assert process.wait(timeout=60) == 0
        assert process.stderr.read() == ''


def test_a_log_on_a_full_disk_does_not_stop_the_hand(fake_nodes, config):
    with open('/dev/full', 'w') as full, start(
            fake_nodes, config / 'four_finger_hand.yaml', '--fingers', 'ring',
            stdout=full) as process:
        first = ring(process)
        os.kill(first, signal.SIGKILL)
        while ring(process) == first:
            time.sleep(0.05)
        process.terminate()
        assert process.wait(timeout=60) == 0 and process.stderr.read() == ''


@pytest.fixture
def refused(monkeypatch, capsys):
    """Check that a command line is refused with one message before anything is started."""
    def check(words, *arguments):
        monkeypatch.setattr('tactile_nodes.hand.supervisor.Supervisor.start',
                            lambda self: pytest.fail('something was started'))
        assert main.main(['up', *map(str, arguments)]) == 2
        captured = capsys.readouterr()
        assert captured.out == ''
        assert captured.err.startswith('tactile: ') and len(captured.err.splitlines()) == 1
        for word in words:
            assert word in captured.err
    return check


@pytest.mark.parametrize(('old', 'new', 'words'), [
    ('frame_rate: 60 ', 'frame_rate: 0', ['frame_rate', 'found 0', 'from 1 to 240']),
    ('red: 0.6', 'red: 1.2', ['leds.red', 'found 1.2']),
    ('VF-1002', 'VF-1001', ['fingers.index.serial', 'VF-1001']),
    ('gain:', 'gian:', ['gian', 'unknown key']),
    ('elastomers/soft_marked.yaml', 'elastomers/lost.yaml', ['thumb.elastomer', 'lost.yaml']),
])
def test_a_bad_hand_file(refused, config, old, new, words):
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
def test_a_bad_option(refused, config, monkeypatch, options, words):
    monkeypatch.setattr(up, 'find_spec', lambda name: True)
    refused(words, config / 'four_finger_hand.yaml', *options)


def test_a_python_without_ros(refused, config, monkeypatch):
    monkeypatch.setattr(up, 'find_spec', lambda name: None)
    refused(['rclpy', 'ros-kilted'], config / 'four_finger_hand.yaml')


def test_bad_input_as_the_shell_sees_it(tmp_path):
    done = subprocess.run([sys.executable, '-m', 'tactile_nodes.cli.main', 'up',
                           str(tmp_path / 'gone.yaml')], capture_output=True, text=True,
                          check=False)
    assert (done.returncode, done.stdout) == (2, '')
    assert done.stderr == (f'tactile: {tmp_path / "gone.yaml"}: no such file. '
                           'Check the path.\n')
