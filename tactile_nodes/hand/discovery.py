# SPDX-License-Identifier: Apache-2.0
"""How a hand's processes reach each other: on this machine and soon, or as the user has said."""

from importlib.metadata import PackageNotFoundError, version

from tactile_nodes.hand.resources import shipped

PROFILES = ('FASTDDS_DEFAULT_PROFILES_FILE', 'FASTRTPS_DEFAULT_PROFILES_FILE')
"""Variables that name a file with settings of Fast DDS: for Kilted, and for ROS before it."""

DECIDED_BY = ('ROS_AUTOMATIC_DISCOVERY_RANGE', 'ROS_STATIC_PEERS', 'ROS_LOCALHOST_ONLY',
              'ROS_DISCOVERY_SERVER', 'CYCLONEDDS_URI', *PROFILES)
"""Variables with which a user says who may find the hand."""

TRANSPORTS = 'FASTDDS_BUILTIN_TRANSPORTS'
"""Variable with which a user says how Fast DDS carries messages; a profile would overrule it."""

_RCLPY_OF_KILTED = 9


def discovery_settings(environment):
    """Return {variable: value} to add to an environment; nothing that the user has decided."""
    added = {}
    if not any(environment.get(name) for name in DECIDED_BY):
        added['ROS_AUTOMATIC_DISCOVERY_RANGE'] = 'LOCALHOST'
    if not any(environment.get(name) for name in (*PROFILES, TRANSPORTS)):
        added[profile_variable()] = str(shipped('config/fast_dds.xml'))
    return added


def profile_variable():
    """The one of `PROFILES` that the installed ROS reads without complaint."""
    try:
        return PROFILES[int(version('rclpy').split('.')[0]) < _RCLPY_OF_KILTED]
    except PackageNotFoundError:
        return PROFILES[0]
