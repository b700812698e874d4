# SPDX-License-Identifier: Apache-2.0
import json
import subprocess
import sys

import pytest

from tactile_nodes.device.usb_discovery import (
    attached_cameras,
    find_camera,
    holders,
    host_controllers,
    udev_rule,
)
from tactile_nodes.device.usb_streams import running_streams
from tactile_nodes.errors import DeviceError, DeviceLost
from tests.device.emulated import descriptors


def plug(sysfs, number, port, serial, *, bus=1, speed='480'):
    """Folders as the kernel lays them (Documentation/ABI/stable/sysfs-bus-usb)."""
    device = sysfs / f'devices/pci0000:00/0000:00:14.0/usb{bus}/{port}'
    interface = device / f'{port}:1.0'
    values = {'idVendor': 'f00d', 'idProduct': '7ac7', 'busnum': str(bus), 'devnum': str(number),
              'speed': speed, 'product': 'fingertip'}
    for name, node, index in (('capture', f'video{2 * number}', '0'),
                              ('metadata', f'video{2 * number + 1}', '1')):
        folder = interface / 'video4linux' / node
        folder.mkdir(parents=True)
        (folder / 'index').write_text(index + '\n')
        (folder / 'name').write_text(name)
        (folder / 'device').symlink_to(interface)
        link = sysfs / 'class/video4linux' / node
        link.parent.mkdir(parents=True, exist_ok=True)
        link.symlink_to(folder)
    if serial:
        values['serial'] = serial
    for name, value in values.items():
        (device / name).write_text(value + '\n')
    return device


@pytest.fixture
def sysfs(tmp_path):
    plug(tmp_path, 1, '1-2', 'FT-2')
    plug(tmp_path, 2, '1-10', 'FT-10')
    plug(tmp_path, 3, '2-1.4', '', bus=2, speed='12')
    platform = tmp_path / 'devices/platform/camera/video4linux/video9'
    platform.mkdir(parents=True)
    (platform / 'index').write_text('0')
    (platform / 'device').symlink_to(tmp_path / 'devices/platform/camera')
    (tmp_path / 'class/video4linux/video9').symlink_to(platform)
    return tmp_path


def test_lists_capture_nodes_of_usb_cameras_by_port(sysfs):
    found = attached_cameras(sysfs)
    assert [(c.serial, c.port, c.node) for c in found] == [
        ('FT-2', '1-2', '/dev/video2'), ('FT-10', '1-10', '/dev/video4'),
        ('', '2-1.4', '/dev/video6')]
    assert (found[0].vendor_id, found[0].product_id, found[0].speed) == (0xF00D, 0x7AC7, 480.0)
    assert found[2].bus == 2 and found[2].controller == '0000:00:14.0'
    assert found[0].usbfs == '/dev/bus/usb/001/001'


def test_nothing_attached(tmp_path):
    assert attached_cameras(tmp_path) == []
    with pytest.raises(DeviceLost, match='no USB camera'):
        find_camera('FT-2', sysfs=tmp_path)


def test_found_by_serial_or_port(sysfs):
    assert find_camera('FT-10', sysfs=sysfs).port == '1-10'
    assert find_camera('', '2-1.4', sysfs=sysfs).bus == 2
    with pytest.raises(DeviceError, match="another device.*'FT-10', expected FT-2 on port 1-10"):
        find_camera('FT-2', '1-10', sysfs=sysfs)
    with pytest.raises(DeviceError, match='without a serial'):
        find_camera('FT-2', '2-1.4', sysfs=sysfs)
    with pytest.raises(DeviceLost, match=r'FT-2 on port 1-2, FT-10 .*\(no serial\) on port 2-1.4'):
        find_camera('FT-3', sysfs=sysfs)
    plug(sysfs, 5, '1-3', 'FT-2')
    with pytest.raises(DeviceError, match='several.*port 1-2, port 1-3'):
        find_camera('FT-2', sysfs=sysfs)
    assert find_camera('FT-2', '1-3', sysfs=sysfs).address == 5


def test_without_serial_numbers_of_their_own_the_port_tells(sysfs):
    def found(port):
        return find_camera('left-1', port, unique_serial=False, sysfs=sysfs)

    plug(sysfs, 5, '1-3', 'FT-2')
    assert [found(port).address for port in ('2-1.4', '1-2', '1-3')] == [3, 1, 5]
    with pytest.raises(DeviceLost, match='fingertip left-1: no such.*expected any on port 1-4'):
        found('1-4')
    with pytest.raises(DeviceError, match='left-1: its port is not named.*`port` in the hand'):
        found('')


def test_what_to_do_about_missing_and_equal_serial_numbers_is_said(sysfs):
    plug(sysfs, 5, '1-3', 'FT-2')
    advice = 'unique_serial: false` in the device profile'
    for serial, port in (('FT-2', ''), ('left-1', ''), ('left-1', '2-1.4')):
        with pytest.raises(DeviceError, match=advice):
            find_camera(serial, port, sysfs=sysfs)
    with pytest.raises(DeviceError) as caught:
        find_camera('FT-2', '1-10', sysfs=sysfs)       # plugged into the wrong port: no such hint
    assert advice not in str(caught.value)


def test_the_host_controllers_of_high_speed_buses(sysfs):
    for bus, speed in ((1, '480'), (2, '12'), (3, '5000')):
        hub = sysfs / f'devices/pci0000:00/0000:00:1{bus}.0/usb{bus}'
        hub.mkdir(parents=True)
        (hub / 'busnum').write_text(f'{bus}\n')
        (hub / 'speed').write_text(f'{speed}\n')
        link = sysfs / f'bus/usb/devices/usb{bus}'
        link.parent.mkdir(parents=True, exist_ok=True)
        link.symlink_to(hub)
    assert host_controllers(sysfs) == {1: '0000:00:11.0'}


def set_alternate(device, alternate, bulk=False):
    """The setting in use of the streaming interface, as the kernel shows it (sysfs-bus-usb)."""
    raw = descriptors.device() + descriptors.configuration(bulk=bulk)
    (device / 'descriptors').write_bytes(raw)
    for number, setting in ((0, 0), (1, alternate)):
        interface = device / f'{device.name}:1.{number}'
        interface.mkdir(exist_ok=True)
        (interface / 'bInterfaceNumber').write_text(f'{number:02x}\n')
        (interface / 'bAlternateSetting').write_text(f'{setting:2d}\n')


def test_what_streams_on_a_bus_is_read_from_the_settings_in_use(sysfs):
    sizes = descriptors.ISO_SIZES
    ports = sysfs / 'devices/pci0000:00/0000:00:14.0/usb1'
    set_alternate(ports / '1-2', sizes.index(3072) + 1)
    set_alternate(ports / '1-10', 0)                    # not streaming
    set_alternate(plug(sysfs, 5, '1-3', ''), 0, bulk=True)
    plug(sysfs, 7, '1-5', '')                           # going away
    set_alternate(plug(sysfs, 6, '1-4', 'FT-4', bus=3), sizes.index(800) + 1)
    running, = running_streams(1, sysfs)
    assert (running.port, running.bus, running.time_us) == ('1-2', 1, 61.0)
    assert str(running).startswith('FT-2 on port 1-2 streams')
    assert [r.time_us for r in running_streams(3, sysfs)] == [17.0]


def test_a_device_that_goes_away_under_the_look_is_left_out(sysfs):
    (sysfs / 'devices/pci0000:00/0000:00:14.0/usb1/1-2/busnum').unlink()
    assert [c.serial for c in attached_cameras(sysfs)] == ['FT-10', '']


def test_names_the_process_that_holds_a_file(tmp_path):
    path = tmp_path / 'node'
    path.touch()
    with subprocess.Popen([sys.executable, '-c', 'import sys; f = open(sys.argv[1]); print(1, '
                           'flush=True); sys.stdin.read()', path], stdin=subprocess.PIPE,
                          stdout=subprocess.PIPE) as process:
        process.stdout.readline()
        assert [text.split()[-1] for text in holders(str(path))] == [f'({process.pid})']
        process.stdin.close()
    assert holders(str(path)) == []


def test_udev_rule_names_the_kind_of_device(sysfs):
    rule = udev_rule(attached_cameras(sysfs)[0])
    assert rule.count('"f00d"') == rule.count('"7ac7"') == 2
    assert 'SUBSYSTEM=="usb"' in rule and 'SUBSYSTEM=="video4linux"' in rule


def test_the_command_says_when_nothing_is_attached():
    """On a machine without USB cameras; elsewhere the same command lists them."""
    ran = subprocess.run([sys.executable, '-m', 'tactile_nodes.cli.main', 'devices', '--json'],
                         capture_output=True, text=True, check=True)
    assert isinstance(json.loads(ran.stdout), list)
