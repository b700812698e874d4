# SPDX-License-Identifier: Apache-2.0
"""What streams on a USB bus at this moment, whoever reads it."""

from tactile_nodes.device.usb_bandwidth import HIGH_SPEED, Other, reserved_us
from tactile_nodes.device.usb_discovery import SYSFS, attached_cameras, holders
from tactile_nodes.device.v4l2 import VideoNode
from tactile_nodes.errors import DeviceError


def running_streams(bus, sysfs=SYSFS):
    """The isochronous streams of all cameras on a high-speed bus, with what the kernel reserves.

    Returns
    -------
    list of Other
        Format and rate are in their names where this user may ask the camera.
    """
    found = []
    for camera in attached_cameras(sysfs):
        size = camera.reserved_bytes() if camera.bus == bus else 0
        if size and camera.speed == HIGH_SPEED:
            name = f'{camera.serial or camera.product} on port {camera.port} streams'
            held = ', '.join(holders(camera.node))
            found.append(Other(name + _mode(camera) + (f' ({held})' if held else ''), bus,
                               reserved_us(size), camera.port))
    return found


def _mode(camera):
    try:
        node = VideoNode(camera.node)
    except DeviceError:
        return ''
    try:
        return ' {} {}x{} at {:g}/s'.format(*node.mode())
    except OSError:
        return ''
    finally:
        node.close()
