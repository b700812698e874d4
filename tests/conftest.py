# SPDX-License-Identifier: Apache-2.0
"""Keeps the ROS traffic of the tests on this machine and away from a robot's."""

import os

import tactile_nodes  # noqa: F401 - before NumPy, for which it sets the threads

os.environ['ROS_AUTOMATIC_DISCOVERY_RANGE'] = 'LOCALHOST'
os.environ.setdefault('ROS_DOMAIN_ID', str(1 + os.getpid() % 100))
os.environ.setdefault('MPLBACKEND', 'Agg')
