# SPDX-License-Identifier: Apache-2.0
"""Pictures for emulated fingertips: the virtual skin being pressed, all LEDs full."""

import numpy as np

from tactile_nodes.device.contract import Light
from tactile_nodes.device.virtual import VirtualDevice
from tactile_nodes.files.elastomer import read_elastomer
from tactile_nodes.hand.resources import shipped


def press_pictures(count=48, width=160, height=120):
    """(count, height, width, 3) uint8 from the shipped plum scenario: contact comes and goes."""
    elastomer = read_elastomer(shipped('config/elastomers/soft_marked.yaml'))
    scenario = shipped('config/scenarios/pick_plum_finger.yaml')
    device = VirtualDevice('EF-0001', elastomer, scenario, width=width, height=height,
                           frame_rate=10.0, realtime=False)
    with device:
        device.set_light(Light(1.0, 1.0, 1.0))
        device.start()
        return np.stack([device.read(1.0).image for _ in range(count)])
