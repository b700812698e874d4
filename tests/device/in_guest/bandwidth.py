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
from tactile_nodes.device.usb_discovery import attached_cameras, host_controllers
from tactile_nodes.device.usb_streams import running_streams
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
    load('uvcvideo', 'ehci-pci', 'vhci-hcd')
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
                                  streaming_transport(camera.descriptors()), device.format, 320,
                                  240, device.set_frame_rate(rate), device.rates, camera.speed,
                                  camera.port))
            planned, = used_us(streams).values()
            others = running_streams(camera.bus)
            assert {o.port: o.time_us for o in others} == {s.port: s.time_us
                                                           for s in streams[:-1]}
            # as one hand, or as somebody else's streams and one finger: the same
            advice = plan(streams, controllers=host_controllers())
            assert bool(advice) == bool(plan(streams[-1:], others))
            if advice:
                with pytest.raises(DeviceError, match='no bandwidth left on USB bus') as caught:
                    device.start()
                print(f'{rate}/s more would make it {planned:.0f} us of '
                      f'{PERIODIC_BUDGET_US:.0f}: refused. {caught.value}\n{advice[0]}')
                for other in streams[:-1]:
                    assert f'{other.finger} on port {other.port} streams YUYV 320x240 at ' \
                        f'{other.rate:g}/s' in str(caught.value)
                assert f'expected room for YUYV 320x240 at {rate}/s' in str(caught.value)
                assert 'has room for' in advice[0] and 'vhci_hcd.0, bus' in advice[0]
                lower = re.search(r'run them at (\S+) frames', advice[0])[1]
                assert lower in [f'{listed:g}' for listed in device.rates['YUYV']]
                break
            device.start()
            print(f'{rate}/s: {planned:.0f} us planned, {reserved_us()} us reserved; ', end='')
            assert reserved_us() == planned
        else:
            print('all of them fit')
    assert reserved_us() == 0
