# SPDX-License-Identifier: Apache-2.0
"""Thin ROS 2 nodes around the numeric core; the only layer that imports rclpy.

ROS reads who may discover its nodes when it is initialised.
"""

import os

from tactile_nodes.hand.discovery import discovery_settings

os.environ.update(discovery_settings(os.environ))
