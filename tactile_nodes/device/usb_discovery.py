# SPDX-License-Identifier: Apache-2.0
"""Which USB cameras are attached, read from sysfs: no permission needed, nothing opened.

Layout: the Linux kernel's Documentation/ABI (sysfs-bus-usb) and /sys/class/video4linux. A camera
is known by its serial number or by the port it is plugged into, never by /dev/videoN, whose
numbers change with the order of plugging.
"""

import os
import re
from dataclasses import dataclass
from pathlib import Path

from tactile_nodes.device.usb_bandwidth import HIGH_SPEED, setting_bytes
from tactile_nodes.errors import DeviceError, DeviceLost, escaped
from tactile_nodes.files.device_profile import NUMBER_YOURSELF

SYSFS = Path('/sys')


@dataclass(frozen=True)
class AttachedCamera:
    """A USB camera as the kernel sees it.

    Attributes
    ----------
    serial : str
        '' if the device has none.
    port : str
        Path of ports from the bus, such as '1-2.3'; stays with the socket.
    node : str
        Its capture node, such as '/dev/video2'.
    vendor_id, product_id : int
    product : str
        The device's own description.
    speed : float
        Signalling rate, Mbit/s (12, 480, 5000).
    bus, address : int
        Numbers of the bus and of the device on it.
    controller : str
        The host controller that the bus hangs on.
    folder : Path
        The device's folder in sysfs.
    """

    serial: str
    port: str
    node: str
    vendor_id: int
    product_id: int
    product: str
    speed: float
    bus: int
    address: int
    controller: str
    folder: Path

    @property
    def usbfs(self):
        """The node that vendor requests go through."""
        return f'/dev/bus/usb/{self.bus:03d}/{self.address:03d}'

    def descriptors(self):
        """The device's and its configurations' descriptors, raw."""
        return (self.folder / 'descriptors').read_bytes()

    def reserved_bytes(self):
        """Bytes per microframe that its isochronous stream reserves now; 0 without one."""
        try:
            return sum(setting_bytes(self.descriptors(),
                                     int(_text(interface / 'bInterfaceNumber'), 16),
                                     int(_text(interface / 'bAlternateSetting')))
                       for interface in self.folder.glob(f'{self.port}:*'))
        except OSError:             # unplugged
            return 0


def attached_cameras(sysfs=SYSFS):
    """All USB cameras now attached, by port.

    Returns
    -------
    list of AttachedCamera
        A device that goes away while it is looked at is left out.
    """
    found = []
    for entry in sorted((Path(sysfs) / 'class/video4linux').glob('video*')):
        try:
            camera = _camera(entry)
        except OSError:             # unplugged between the listing and the look
            continue
        if camera is not None:
            found.append(camera)
    return sorted(found, key=lambda camera: [int(n) for n in re.findall(r'\d+', camera.port)])


def host_controllers(sysfs=SYSFS):
    """{bus: host controller} of the high-speed buses of this computer."""
    hubs = (Path(sysfs) / 'bus/usb/devices').glob('usb*')
    return {int(_text(hub / 'busnum')): Path(os.path.realpath(hub)).parent.name for hub in hubs
            if float(_text(hub / 'speed')) == HIGH_SPEED}


def _camera(entry):
    # the function's first node captures; a second one carries metadata
    if _text(entry / 'index') != '0':
        return None
    interface = Path(os.path.realpath(entry / 'device'))
    folder = interface.parent
    if not (folder / 'idVendor').exists():
        return None                 # not on USB
    bus = int(_text(folder / 'busnum'))
    root = next(parent for parent in (folder, *folder.parents) if parent.name == f'usb{bus}')
    return AttachedCamera(
        serial=escaped(_text(folder / 'serial', '')), port=folder.name, node=f'/dev/{entry.name}',
        vendor_id=int(_text(folder / 'idVendor'), 16),
        product_id=int(_text(folder / 'idProduct'), 16),
        product=escaped(_text(folder / 'product', '')), speed=float(_text(folder / 'speed')),
        bus=bus, address=int(_text(folder / 'devnum')), controller=root.parent.name,
        folder=folder)


def _text(path, default=None):
    try:
        return path.read_text(encoding='utf-8', errors='replace').strip()
    except FileNotFoundError:
        if default is None:
            raise
        return default


def find_camera(serial, port='', *, unique_serial=True, sysfs=SYSFS):
    """The camera with this serial number, or with a `port` the one plugged in there.

    Without `unique_serial` the cameras are not told apart by serial numbers: `serial` is only a
    name for messages, and the port finds it.

    Raises
    ------
    DeviceLost
        It is not attached (lists those present), several have the serial, or another serial is
        on the port.
    DeviceError
        The port is not named though it must be.
    """
    cameras = attached_cameras(sysfs)
    where = f'fingertip {serial or port}'
    if not unique_serial and not port:
        raise DeviceError('its port is not named', where=where, expected='a port, because devices '
                          'of this profile are not told apart by serial numbers',
                          fix='Name the `port` in the hand file; `tactile devices` lists them.')
    wanted = serial if unique_serial else ''
    if port:
        matches = [camera for camera in cameras if camera.port == port]
        if matches and wanted and matches[0].serial != wanted:
            raise DeviceLost('another device is plugged into its port', where=where,
                             found=matches[0].serial or 'a device without a serial number',
                             expected=f'{serial} on port {port}',
                             fix='Plug each finger into its own port, or name the port where '
                                 'this one is now.'
                                 + ('' if matches[0].serial else f' {NUMBER_YOURSELF}'))
    else:
        matches = [camera for camera in cameras if camera.serial == wanted]
    if not matches:
        present = ', '.join(f'{c.serial or "(no serial)"} on port {c.port}' for c in cameras)
        raise DeviceLost('no such USB camera', where=where, found=present or 'no USB camera',
                          expected=f'{wanted or "any"} on port {port}' if port
                          else f'serial {serial}',
                          fix='Check plug, cable and power; `tactile devices` lists all.'
                              + (f' {NUMBER_YOURSELF}' if wanted and not all(
                                  camera.serial for camera in cameras) else ''))
    if len(matches) > 1:
        raise DeviceLost('several devices have this serial number', where=where,
                         found=', '.join(f'port {camera.port}' for camera in matches),
                         expected='one',
                         fix=f'Unplug those that are not of the hand. {NUMBER_YOURSELF}')
    return matches[0]


def holders(node, proc=Path('/proc')):
    """Processes that hold `node` open, as 'name (pid)'; those of other users may not show."""
    found = []
    for process in proc.glob('[0-9]*'):
        try:
            if any(os.readlink(fd) == node for fd in (process / 'fd').iterdir()):
                found.append(f'{(process / "comm").read_text().strip()} ({process.name})')
        except OSError:             # ended meanwhile, or not ours to look into
            continue
    return found


def udev_rule(camera):
    """The udev rule that lets the plugdev group and the seat's user open this kind of device."""
    return (f'SUBSYSTEM=="usb", ATTR{{idVendor}}=="{camera.vendor_id:04x}", '
            f'ATTR{{idProduct}}=="{camera.product_id:04x}", MODE="0660", GROUP="plugdev", '
            'TAG+="uaccess"\n'
            f'SUBSYSTEM=="video4linux", ATTRS{{idVendor}}=="{camera.vendor_id:04x}", '
            f'ATTRS{{idProduct}}=="{camera.product_id:04x}", MODE="0660", GROUP="video", '
            'TAG+="uaccess"')
