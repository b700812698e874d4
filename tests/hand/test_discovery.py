# SPDX-License-Identifier: Apache-2.0
"""Nobody on the network finds a hand unless the user has said so."""

import os
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
def test_fast_dds_takes_the_profile(profile):
    code = ('import tactile_nodes.nodes, rclpy; rclpy.init(); rclpy.create_node("probe"); '
            'rclpy.shutdown()')
    env = os.environ | {profile_variable(): str(shipped(f'config/{profile}.xml'))}
    said = subprocess.run([sys.executable, '-c', code], env=env, capture_output=True, text=True,
                          check=True)
    assert (said.stdout, said.stderr) == ('', '')


@pytest.mark.parametrize(('said', 'is_used'), [
    ({}, 'LOCALHOST'), ({'ROS_AUTOMATIC_DISCOVERY_RANGE': 'SUBNET'}, 'SUBNET'),
    ({'ROS_STATIC_PEERS': '192.0.2.1'}, 'None')])
def test_every_node_asks_for_it(said, is_used):
    env = {name: value for name, value in os.environ.items() if name not in DECIDED_BY} | said
    code = ('import os, tactile_nodes.nodes; '
            'print(os.environ.get("ROS_AUTOMATIC_DISCOVERY_RANGE"))')
    assert subprocess.run([sys.executable, '-c', code], env=env, capture_output=True, text=True,
                          check=True).stdout.strip() == is_used
