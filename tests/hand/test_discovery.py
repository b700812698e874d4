# SPDX-License-Identifier: Apache-2.0
"""Nobody on the network finds a hand unless the user has said so."""

import ast
import os
import re
import subprocess
import sys

import pytest

from tactile_nodes.hand.discovery import (
    DECIDED_BY,
    PROFILES,
    TRANSPORTS,
    discovery_settings,
    profile_variable,
)
from tactile_nodes.hand.resources import shipped

LOCAL = {'ROS_AUTOMATIC_DISCOVERY_RANGE': 'LOCALHOST'}
PROFILE = {profile_variable(): str(shipped('config/fast_dds.xml'))}


def test_discovery_stays_here_with_our_profile_unless_the_user_has_decided():
    assert discovery_settings({}) == LOCAL | PROFILE
    assert discovery_settings({'ROS_STATIC_PEERS': ''}) == LOCAL | PROFILE
    assert discovery_settings({TRANSPORTS: 'UDPv4'}) == LOCAL
    for name in DECIDED_BY:
        assert discovery_settings({name: 'SUBNET'}) == ({} if name in PROFILES else PROFILE)


@pytest.mark.parametrize('profile', ['fast_dds', 'this_machine'])
def test_fast_dds_takes_the_profile_and_its_threads_interrupt_nobody(profile):
    code = ('import os, pathlib, tactile_nodes.nodes, rclpy; rclpy.init(); '
            'node = rclpy.create_node("probe"); '
            'print([((task / "comm").read_text(), os.sched_getscheduler(int(task.name))) '
            'for task in pathlib.Path("/proc/self/task").iterdir()]); rclpy.shutdown()')
    env = os.environ | {profile_variable(): str(shipped(f'config/{profile}.xml'))}
    said = subprocess.run([sys.executable, '-c', code], env=env, capture_output=True, text=True,
                          check=True)
    assert said.stderr == ''
    for start in (r'dds\.ev', r'dds\.shm\.\d'):
        found = [policy for name, policy in ast.literal_eval(said.stdout) if re.match(start, name)]
        assert found and set(found) == {os.SCHED_BATCH}


@pytest.mark.parametrize(('said', 'is_used'), [
    ({}, 'LOCALHOST'), ({'ROS_AUTOMATIC_DISCOVERY_RANGE': 'SUBNET'}, 'SUBNET'),
    ({'ROS_STATIC_PEERS': '192.0.2.1'}, 'None')])
def test_every_node_asks_for_it(said, is_used):
    env = {name: value for name, value in os.environ.items() if name not in DECIDED_BY} | said
    code = ('import os, tactile_nodes.nodes; '
            'print(os.environ.get("ROS_AUTOMATIC_DISCOVERY_RANGE"))')
    assert subprocess.run([sys.executable, '-c', code], env=env, capture_output=True, text=True,
                          check=True).stdout.strip() == is_used
