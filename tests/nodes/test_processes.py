# SPDX-License-Identifier: Apache-2.0
"""The executables as processes: end on a signal, refuse what is wrong with one message."""

import os
import signal
import subprocess
import sys

import pytest

from tests.nodes.conftest import ELASTOMER, SCENARIO
from tests.nodes.foreign import wait_until

COMMON = {'finger': 'index', 'serial': 'VF-1002', 'elastomer_file': ELASTOMER}


def start(node, **parameters):
    given = [word for name, value in (COMMON | parameters).items()
             for word in ('-p', f'{name}:={value}')]
    return subprocess.Popen(
        [sys.executable, '-c', f'from tactile_nodes.nodes.{node} import main; main()',
         '--ros-args', '-r', '__ns:=/sorter/index', *given],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=os.environ)


def end(process):
    out, err = process.communicate(timeout=60)
    return process.returncode, out + err


def test_a_finger_and_its_hand_run_until_told_to_end(foreign):
    """SIGTERM and SIGINT, as launch and Ctrl-C send them: exit code 0, no traceback."""
    foreign.hear('/sorter/index/wrench', 'geometry_msgs/msg/WrenchStamped')
    finger = start('fingertip', scenario_file=SCENARIO, reference_frames=5)
    hand = start('hand_node', fingers='[index]')
    try:
        wait_until(lambda: foreign.heard['/sorter/index/wrench'], 'the finger works', 60)
        wait_until(lambda: 'hand' in foreign.node.get_node_names(), 'the hand is there', 60)
        finger.send_signal(signal.SIGTERM)
        hand.send_signal(signal.SIGINT)
        assert end(finger) == (0, '')
        assert end(hand) == (0, '')
    finally:
        for process in (finger, hand):
            process.kill()


@pytest.mark.parametrize(('node', 'parameters', 'message'), [
    ('device_node', {'scenario_file': 'nowhere.yaml'}, 'nowhere.yaml: no such file'),
    ('contact_node', {'calibration_file': ELASTOMER}, 'soft_marked.yaml'),
    ('force_node', {'width': 321}, 'unusable image size'),
])
def test_wrong_start_is_one_message_and_exit_code_2(node, parameters, message):
    code, said = end(start(node, **parameters))
    assert code == 2
    assert message in said and 'Traceback' not in said
    assert len(said.strip().splitlines()) == 1


IDLE = """
import os, signal, threading
from tactile_nodes.nodes import process

class Node:
    def begin(self):
        print('up', flush=True)
    def destroy_node(self):
        print('ended', flush=True)

class Executor:
    add_node = spin_once = lambda *_, **__: None

def notify_all(condition, notify=threading.Condition.notify_all):
    os.kill(os.getpid(), signal.SIGTERM)        # one more, while the lock is held
    notify(condition)

threading.Condition.notify_all = notify_all
process.new_executor = Executor
process.run(lambda: [Node()])
"""


def test_a_signal_within_another_ends_a_process_all_the_same():
    """As from launch and Ctrl-C at once; a handler that waits for its own lock would hang."""
    process = subprocess.Popen([sys.executable, '-c', IDLE], stdout=subprocess.PIPE, text=True,
                               env=os.environ)
    assert process.stdout.readline() == 'up\n'
    process.send_signal(signal.SIGINT)
    try:
        out, _ = process.communicate(timeout=30)
    finally:
        process.kill()
    assert (process.returncode, out) == (0, 'ended\n')
