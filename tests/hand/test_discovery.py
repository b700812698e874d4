# SPDX-License-Identifier: Apache-2.0
"""Nobody on the network finds a hand unless the user has said so."""

import os
import subprocess
import sys

import pytest

from tactile_nodes.hand.discovery import DECIDED_BY, local_discovery

LOCAL = {'ROS_AUTOMATIC_DISCOVERY_RANGE': 'LOCALHOST'}


def test_discovery_stays_here_unless_the_user_has_decided():
    assert local_discovery({}) == local_discovery({'ROS_STATIC_PEERS': ''}) == LOCAL
    for name in DECIDED_BY:
        assert local_discovery({name: 'SUBNET'}) == {}


@pytest.mark.parametrize(('said', 'is_used'), [
    ({}, 'LOCALHOST'), ({'ROS_AUTOMATIC_DISCOVERY_RANGE': 'SUBNET'}, 'SUBNET'),
    ({'ROS_STATIC_PEERS': '192.0.2.1'}, 'None')])
def test_every_node_asks_for_it(said, is_used):
    env = {name: value for name, value in os.environ.items() if name not in DECIDED_BY} | said
    code = ('import os, tactile_nodes.nodes; '
            'print(os.environ.get("ROS_AUTOMATIC_DISCOVERY_RANGE"))')
    assert subprocess.run([sys.executable, '-c', code], env=env, capture_output=True, text=True,
                          check=True).stdout.strip() == is_used
