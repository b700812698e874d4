# SPDX-License-Identifier: Apache-2.0
"""What the tests in the guest share: the kernel's modules, pictures, plugging in and out."""

import os
import subprocess
import time
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import numpy as np

from tactile_nodes.device.usb import UsbDevice
from tactile_nodes.device.usb_discovery import attached_cameras
from tactile_nodes.files.device_profile import read_device_profile
from tests.device.emulated.fingertip import EmulatedFingertip
from tests.device.emulated.usbip import Connection

ROOT = Path(__file__).resolve().parent.parent.parent.parent
ELASTOMER = ROOT / 'config/elastomers/soft_marked.yaml'
PROFILE = read_device_profile(ROOT / 'config/devices/emulated_fingertip.yaml')
SIZE = (160, 120)


def load(*modules):
    """Load kernel modules, and start the daemon through which libusb hears of new devices."""
    for module in modules:
        subprocess.run(['modprobe', module], check=True)
    if not Path('/run/udev/control').exists():
        subprocess.run(['/lib/systemd/systemd-udevd', '--daemon'], check=True)


def pictures():
    """(N, 120, 160, 3) uint8: rendered pictures of a press, the first third without contact."""
    return np.load(os.environ['PICTURES'])


def wait_for(condition, seconds, what):
    """Wait until `condition()` is true; returns (its value, s that it took)."""
    began = time.monotonic()
    while time.monotonic() - began < seconds:
        value = condition()
        if value:
            return value, time.monotonic() - began
        time.sleep(0.02)
    raise AssertionError(f'{what}: not within {seconds} s')


def camera_of(serial):
    return next((c for c in attached_cameras() if c.serial == serial), None)


@contextmanager
def plugged(*serials, **options):
    """Fingertips plugged into the kernel's virtual host controller, known to its video driver.

    Yields a list of (EmulatedFingertip, Connection).
    """
    images = pictures()
    pairs = []
    try:
        for serial in serials:
            device = EmulatedFingertip(serial, images, **options)
            pairs.append((device, Connection(device)))
            wait_for(lambda: len(attached_cameras()) == len(pairs), 20, f'{serial} attached')
        yield pairs
    finally:
        for _, connection in pairs:
            connection.unplug()
        wait_for(lambda: not attached_cameras(), 20, 'all unplugged')


def fingertip(serial, *, rate=15.0, **changes):
    """UsbDevice of the emulated profile; `changes` replace fields of the profile."""
    return UsbDevice(serial, replace(PROFILE, **changes), width=SIZE[0], height=SIZE[1],
                     frame_rate=rate)


def newest(device, count=4):
    """The last of some frames, so that a new setting shows."""
    return [device.read(5.0) for _ in range(count)][-1]
