# SPDX-License-Identifier: Apache-2.0
"""Keeps a hand's discovery on this machine, unless the user has said who may find it."""

DECIDED_BY = ('ROS_AUTOMATIC_DISCOVERY_RANGE', 'ROS_STATIC_PEERS', 'ROS_LOCALHOST_ONLY',
              'ROS_DISCOVERY_SERVER', 'FASTDDS_DEFAULT_PROFILES_FILE',
              'FASTRTPS_DEFAULT_PROFILES_FILE', 'CYCLONEDDS_URI')
"""Variables with which a user says it."""


def local_discovery(environment):
    """Return {variable: value} to add to an environment; empty where the user has decided."""
    if any(environment.get(name) for name in DECIDED_BY):
        return {}
    return {'ROS_AUTOMATIC_DISCOVERY_RANGE': 'LOCALHOST'}
