# SPDX-License-Identifier: Apache-2.0
"""`tactile devices` and `tactile check` against what sysfs and the kernel say."""

import grp
import io
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
from contextlib import contextmanager
from pathlib import Path

import pytest
import yaml

from tactile_nodes.cli import main as cli
from tactile_nodes.cli.check import check_hand
from tactile_nodes.device.contract import Light
from tactile_nodes.device.usb_discovery import attached_cameras, host_controllers, udev_rule
from tactile_nodes.device.usb_streams import running_streams
from tactile_nodes.errors import DeviceError
from tactile_nodes.files.device_profile import Layout, Leds
from tactile_nodes.files.hand import read_hand
from tests.device.in_guest.bench import (
    ELASTOMER,
    ROOT,
    SIZE,
    camera_of,
    fingertip,
    load,
    plugged,
)

NOBODY = 65534
VENDOR_LEDS = Leds('vendor_request', request=0x51, value=0, index=0,
                   layout=Layout(('red', 'green', 'blue'), 1, False, 0, 255))


@pytest.fixture(scope='module', autouse=True)
def _kernel():
    load('uvcvideo', 'vhci-hcd')
    # Python loads modules when they are first used; `nobody` may not be able to read them
    with plugged('EF-0001'), fingertip('EF-0001', leds=VENDOR_LEDS):
        cli.main(['devices'])


@pytest.fixture(autouse=True)
def _a_busy_guest_is_slow(monkeypatch):
    monkeypatch.setattr('tactile_nodes.cli.check._MIN_RATE', 0.3)
    monkeypatch.setattr('tactile_nodes.cli.check._FRAMES', 4)


@pytest.fixture
def tactile(capsys, monkeypatch):
    """Run the command; returns exit code and output."""
    monkeypatch.setenv('COLUMNS', '160')
    monkeypatch.setattr(sys, 'stdin', io.StringIO())      # no terminal: nobody is asked

    def run(*arguments):
        capsys.readouterr()
        code = cli.main([str(a) for a in arguments])
        captured = capsys.readouterr()
        with capsys.disabled():
            print(f'\n$ tactile {" ".join(map(str, arguments))}   -> {code}\n'
                  f'{captured.out[:1200]}{captured.err}')
        return code, captured.out + captured.err
    return run


@pytest.fixture
def hand_file():
    """Make a hand file; in a folder that everybody may read."""
    folder = Path(tempfile.mkdtemp(dir='/dev/shm'))
    folder.chmod(0o755)

    def write(serials, size=SIZE, rate=15.0, **changes):
        profile = yaml.safe_load((ROOT / 'config/devices/emulated_fingertip.yaml').read_text())
        (folder / 'profile.yaml').write_text(yaml.safe_dump({**profile,
                                                             **changes.pop('profile', {})}))
        fingers = {name: {
            'serial': serial, 'elastomer': str(ELASTOMER),
            'device': {'kind': 'usb', 'profile': str(folder / 'profile.yaml'),
                       **changes.pop(f'{name}_device', {})}} for name, serial in serials.items()}
        path = folder / 'hand.yaml'
        path.write_text(yaml.safe_dump({
            'hand': 'bench', 'base_frame': 'base',
            'image': {'width': size[0], 'height': size[1]}, 'frame_rate': rate,
            'exposure_ms': 8, 'fingers': fingers, **changes}, sort_keys=False))
        return path
    yield write
    shutil.rmtree(folder)


@contextmanager
def nobody(*groups):
    """Run as a user without rights, member of `groups` only."""
    os.setgroups([grp.getgrnam(name).gr_gid for name in groups])
    os.setegid(NOBODY)
    os.seteuid(NOBODY)
    try:
        yield
    finally:
        os.seteuid(0)
        os.setegid(0)
        os.setgroups([0])


# tactile devices

def test_devices_lists_what_sysfs_says(tactile):
    with plugged('EF-0001', 'EF-0002'):
        code, text = tactile('devices', '--json')
        listed = json.loads(text)
        assert code == 0 and [row['serial'] for row in listed] == ['EF-0001', 'EF-0002']
        for row in listed:
            folder = Path('/sys/bus/usb/devices') / row['port']

            def said(name, folder=folder):
                return (folder / name).read_text().strip()

            assert row['serial'] == said('serial') and row['product'] == said('product')
            assert row['usb_id'] == f'{said("idVendor")}:{said("idProduct")}'
            assert str(row['bus']) == said('busnum')
            assert row['speed_mbit_s'] == float(said('speed'))
            assert row['port'] == f'{said("busnum")}-{said("devpath")}'
            nodes = sorted(path.name for path in folder.glob('*:1.0/video4linux/video*'))
            assert row['node'] == f'/dev/{nodes[0]}' and len(nodes) == 2
            assert Path(os.path.realpath(folder)).parent.parent.name == row['controller']
            assert row['profile'] == 'emulated_fingertip' and row['transfer'] == 'bulk'
            assert row['may_open'] is True and row['problem'] == ''
            assert [(m['format'], m['width'], m['height']) for m in row['modes']] == [
                ('YUYV', 160, 120), ('YUYV', 320, 240), ('MJPG', 160, 120), ('MJPG', 320, 240)]
            assert row['modes'][0]['rates'] == pytest.approx([5, 10, 15, 30], rel=1e-3)
        code, table = tactile('devices')
        first, second = table.split('EF-0001')[1].split('EF-0002')
        for row, text in zip(listed, (first, second), strict=True):
            for word in (row['profile'], row['port'], row['node'], '480 Mbit/s', 'vhci_hcd.0',
                         'YUYV 160x120, 320x240', 'at 5, 10, 15, 30', 'yes'):
                assert word in text, word


def test_a_camera_without_profile_is_listed_with_its_id(tactile, tmp_path):
    with plugged('EF-0001'):
        code, table = tactile('devices', '--profiles', tmp_path)
        assert code == 0 and 'none for f00d:7ac7' in table


def test_no_permission_names_the_rule_that_gives_it(tactile):
    with plugged('EF-0001'):
        camera = camera_of('EF-0001')
        rule = udev_rule(camera)
        with nobody():
            code, table = tactile('devices')
            assert code == 0 and rule in table
            assert f'{camera.node}: cannot be opened (Permission denied)' in table
            row, = json.loads(tactile('devices', '--json')[1])
            assert row['may_open'] is False and 'Permission denied' in row['problem']
            with pytest.raises(DeviceError, match='no permission to open') as caught:
                fingertip('EF-0001').open()
            assert rule in str(caught.value)
        os.chmod(camera.node, 0o666)
        with nobody(), pytest.raises(DeviceError, match='no permission to send vendor') as caught:
            fingertip('EF-0001', leds=VENDOR_LEDS).open()
        assert rule in str(caught.value) and camera.usbfs in str(caught.value)
        print(caught.value)


def test_the_rule_gives_permission(tactile):
    rules = Path('/etc/udev/rules.d/70-fingertips.rules')
    with plugged('EF-0001'):
        code, text = tactile('devices', '--udev')
        assert code == 0 and text.strip() == udev_rule(camera_of('EF-0001'))
        rules.write_text(text)
    subprocess.run(['udevadm', 'control', '--reload'], check=True)
    try:
        with plugged('EF-0001') as ((emulated, _),):
            subprocess.run(['udevadm', 'settle'], check=True)
            emulated.led_way = 'vendor'
            with nobody('video', 'plugdev'):
                row, = json.loads(tactile('devices', '--json')[1])
                assert row['may_open'] is True
                with fingertip('EF-0001', leds=VENDOR_LEDS) as device:
                    device.set_light(Light(1, 0, 0))
                    assert emulated.leds() == (1, 0, 0)
    finally:
        rules.unlink()
        subprocess.run(['udevadm', 'control', '--reload'], check=True)


# tactile check

def test_check_of_a_hand_that_is_well(tactile, hand_file):
    with plugged('EF-0001', 'EF-0002'):
        path = hand_file({'thumb': 'EF-0001', 'index': 'EF-0002'})
        code, text = tactile('check', path)
        assert code == 0 and text.splitlines()[-1] == 'all well'
        assert '2 fingers, elastomer and calibration files match' in text
        assert len(re.findall(r'^ok   (?:thumb|index): images: \d+\.\d frames/s', text,
                              re.MULTILINE)) == 2
        assert text.count('darkness: LEDs off: mean level') == 2
        assert len(re.findall(r'LEDs: red \+\d+, green \+\d+, blue \+\d+ grey levels', text)) == 2
        assert 'ok   hand: all together: thumb ' in text


def test_check_finds_fingers_without_serial_numbers_of_their_own_by_their_ports(hand_file):
    with plugged('SAME', 'SAME', '') as pairs:
        cameras = attached_cameras()
        print([(camera.serial, camera.port) for camera in cameras])
        assert [camera.serial for camera in cameras] == ['SAME', 'SAME', '']
        ports = [camera.port for camera in cameras]
        kind = yaml.safe_load((ROOT / 'config/devices/emulated_fingertip.yaml').read_text())['usb']

        def check(names, **changes):
            path = hand_file({name: f'{name}-7' for name in names},
                             profile={'usb': {**kind, 'unique_serial': False, **changes}},
                             **{f'{name}_device': {'port': port}
                                for name, port in zip(names, ports, strict=True)})
            asked = []

            def ask(question):
                asked.append((question, [device.leds() != (0, 0, 0) for device, _ in pairs]))
                return True
            return list(check_hand(read_hand(path), ask)), asked

        findings, asked = check(('ring', 'thumb', 'index'))
        print(asked)
        assert [lit.index(True) for _, lit in asked] == [0, 1, 2]
        assert all('ring-7' in text or 'thumb-7' in text or 'index-7' in text for text, _ in asked)
        assert all(finding.ok for finding in findings)
        findings, asked = check(('ring', 'thumb', 'index'), product_id=0x7AC8)
        assert not asked and sum('another kind of device' in f.text for f in findings) == 3


def test_check_finds_what_is_missing_or_in_the_wrong_place(tactile, hand_file):
    with plugged('EF-0001', 'EF-0002', 'EF-0002'):
        path = hand_file({'thumb': 'EF-0001', 'index': 'EF-0002', 'ring': 'EF-0004'},
                         thumb_device={'port': camera_of('EF-0002').port})
        code, text = tactile('check', path)
        assert code == 1 and text.splitlines()[-1] == '3 to mend'
        assert 'FAIL thumb: device: fingertip EF-0001: another device is plugged into its port' \
            in text
        assert 'FAIL index: device: fingertip EF-0002: several devices have this serial' in text
        assert 'FAIL ring: device: fingertip EF-0004: no such USB camera' in text
        assert 'EF-0001 on port' in text and '`tactile devices` lists all' in text


@pytest.mark.parametrize(('changes', 'message'), [
    ({'size': (200, 100)}, r'FAIL thumb: device: .*MJPG 320x240.*expected MJPG or YUYV 200x100'),
    ({'rate': 60.0}, r'FAIL thumb: device: .*frame rate out of range, found 60.*5 to 30 Hz'),
    ({'rate': 13.0}, r'FAIL thumb: settings: frame rate: asked for 13, took 15'),
    ({'exposure_ms': 0.2}, r'FAIL thumb: images: the image is dark: raise LED levels'),
    ({'gain': 6.0}, r'FAIL thumb: images: the image is saturated: lower LED levels'),
    ({'exposure_ms': 80.0, 'rate': 15.0},
     r'FAIL thumb: images: exposure longer than the frame period'),
    ({'profile': {'usb': {'vendor_id': 1, 'product_id': 2}}},
     r'FAIL thumb: device: .*profile is for another kind of device'),
    ({'profile': {'leds': {'way': 'v4l2_control', 'controls': {'all': 0x00980999}}}},
     r'FAIL thumb: device: .*no such LED control'),
], ids=lambda value: next(iter(value)) if isinstance(value, dict) else '')
def test_check_says_what_to_do(tactile, hand_file, changes, message):
    with plugged('EF-0001'):
        code, text = tactile('check', hand_file({'thumb': 'EF-0001'}, **changes))
        assert code == 1 and re.search(message, text)


def test_check_sees_a_dead_led_and_light_from_outside(tactile, hand_file, monkeypatch):
    with plugged('EF-0001') as ((emulated, _),):
        path, sent = hand_file({'thumb': 'EF-0001'}), emulated.leds
        monkeypatch.setattr(emulated, 'leds', lambda: (sent()[0], 0.0, sent()[2]))
        code, text = tactile('check', path)
        assert code == 1 and 'ok   thumb: images' in text and 'ok   thumb: darkness' in text
        assert 'FAIL thumb: LEDs: green alone at level 0.6 does not light the green' in text
        monkeypatch.setattr(emulated, 'leds', lambda: tuple(max(0.2, led) for led in sent()))
        code, text = tactile('check', path)
        assert code == 1 and re.search('FAIL thumb: darkness: with the LEDs off .* is lit', text)


def test_check_names_the_process_that_holds_a_camera(tactile, hand_file):
    with plugged('EF-0001'):
        program = ('import sys; from tactile_nodes.device.v4l2 import VideoNode; '
                   'node = VideoNode(sys.argv[1]); node.start(); print(1, flush=True); '
                   'sys.stdin.read()')
        with subprocess.Popen([sys.executable, '-c', program, camera_of('EF-0001').node],
                              stdin=subprocess.PIPE, stdout=subprocess.PIPE) as holder:
            holder.stdout.readline()
            code, text = tactile('check', hand_file({'thumb': 'EF-0001'}))
            holder.stdin.close()
        assert code == 1
        assert re.search(rf"the camera is in use, found '\S+ \({holder.pid}\)'", text)


def test_check_reckons_the_bus_and_plans(tactile, hand_file, monkeypatch):
    monkeypatch.setattr('tests.device.emulated.descriptors.ISO_SIZES', (3072,))
    with plugged('EF-0001', 'EF-0002', bulk=False):
        bus = attached_cameras()[0].bus
        other, name = next(item for item in sorted(host_controllers().items()) if item[0] != bus)
        code, text = tactile('check', hand_file({'thumb': 'EF-0001', 'index': 'EF-0002'}))
        assert code == 1
        assert f'FAIL hand: USB bandwidth: bus {bus}: thumb MJPG 160x120 at 15/s takes 61 us, ' \
            'index MJPG 160x120 at 15/s takes 61 us; together 122 us of 100 us' in text
        assert f'Move index to a port of another host controller ({name}, bus {other}, has room ' \
            'for index), or choose a smaller image.' in text


def test_check_reckons_with_the_rate_taken_and_with_what_others_stream(tactile, hand_file):
    with plugged('EF-0001', 'EF-0002', 'EF-0003', bulk=False), \
            fingertip('EF-0002', rate=15.0) as other, fingertip('EF-0003'):
        other.start()                                       # EF-0003 is open, but does not stream
        path = hand_file({'thumb': 'EF-0001'}, rate=13.0)
        code, text = tactile('check', path)
        # compressed, so as the kernel was seen to reserve: 192 bytes
        assert code == 1 and 'thumb MJPG 160x120 at 15/s takes 5 us, EF-0002 on port ' in text
        wanted = rf'streams MJPG 160x120 at 15/s \(\S+ \({os.getpid()}\)\), takes 5 us; together'
        assert re.search(wanted, text) and 'EF-0003' not in text
        assert running_streams(other.camera.bus)
        other.stop()
        assert not running_streams(other.camera.bus)


def test_check_of_a_wrong_file_starts_nothing(tactile, hand_file):
    with plugged('EF-0001') as ((emulated, _),):
        code, text = tactile('check', hand_file({'thumb': 'EF-0001'}, exposure_ms='long'))
        assert code == 2 and 'exposure_ms' in text
        assert emulated.committed is None
