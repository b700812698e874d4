# SPDX-License-Identifier: Apache-2.0
"""Thin ROS 2 nodes around the numeric core; the only layer that imports rclpy.

A finger is one process with one busy thread: the libraries' own thread pools would only fight
over the machine's cores with the other fingers. They read these variables when they are imported.
ROS reads who may discover its nodes when it is initialised.
"""

import os

from tactile_nodes.hand.discovery import local_discovery

for _variable in ('OMP_NUM_THREADS', 'OPENBLAS_NUM_THREADS'):
    os.environ.setdefault(_variable, '1')
os.environ.update(local_discovery(os.environ))
