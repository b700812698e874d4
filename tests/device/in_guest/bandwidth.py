# SPDX-License-Identifier: Apache-2.0
"""The bandwidth planner against the admission of the kernel's own EHCI driver.

The fingertips hang on the host controller that QEMU emulates (`emulated/redirection.py`). What the
driver has reserved stands in its `bandwidth` file in debugfs: us per microframe.
"""

import re
import subprocess
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path

import pytest

from tactile_nodes.device.usb import UsbDevice
from tactile_nodes.device.usb_bandwidth import (
    PERIODIC_BUDGET_US,
    Stream,
    plan,
    streaming_transport,
    used_us,
)
from tactile_nodes.device.usb_discovery import attached_cameras
from tactile_nodes.errors import DeviceError
from tests.device.in_guest.bench import PROFILE, load, wait_for

COUNT = 4
UNCOMPRESSED = replace(PROFILE, formats=('YUYV',))
DEBUG = Path('/sys/kernel/debug')
# rates of 320x240 YUYV streams that are started one after the other
SETS = [(30, 30, 30, 30), (120, 120), (120, 90), (120, 45, 45, 30), (90, 90, 30), (90, 90, 45),
        (60, 60, 60, 30), (45, 45, 90, 30)]


@pytest.fixture(scope='module', autouse=True)
def _controller():
    load('uvcvideo', 'ehci-pci')
    if not (DEBUG / 'usb').exists():
        subprocess.run(['mount', '-t', 'debugfs', 'none', DEBUG], check=True)
    wait_for(lambda: len(attached_cameras()) == COUNT, 60, f'{COUNT} fingertips on EHCI')
    yield
    subprocess.run(['modprobe', '-r', 'ehci-pci'], check=True)


def reserved_us():
    """What the kernel has reserved in its busiest microframe, us."""
    text, = (path.read_text() for path in (DEBUG / 'usb/ehci').glob('*/bandwidth'))
    table = re.findall(r'^ *\d+:((?: +\d+)+)$', text.split('HS bandwidth')[1], re.MULTILINE)
    return max(int(number) for row in table for number in row.split())


@pytest.mark.parametrize('rates', SETS)
def test_planner_and_kernel_reserve_and_refuse_the_same(rates):
    streams = []
    with ExitStack() as opened:
        for camera, rate in zip(attached_cameras(), rates, strict=False):
            device = opened.enter_context(UsbDevice(
                camera.serial, UNCOMPRESSED, width=320, height=240, frame_rate=rate))
            streams.append(Stream(camera.serial, camera.bus,
                                  streaming_transport(camera.descriptors()), 'YUYV', 320, 240,
                                  rate))
            planned, = used_us(streams).values()
            if plan(streams):
                with pytest.raises(DeviceError, match='no bandwidth left on USB bus') as caught:
                    device.start()
                print(f'{rate}/s more would make it {planned:.0f} us of '
                      f'{PERIODIC_BUDGET_US:.0f}: refused. {caught.value}')
                for other in streams[:-1]:
                    assert f'{other.finger} on port' in str(caught.value)
                break
            device.start()
            print(f'{rate}/s: {planned:.0f} us planned, {reserved_us()} us reserved; ', end='')
            assert reserved_us() == planned
        else:
            print('all of them fit')
    assert reserved_us() == 0
