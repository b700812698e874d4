# SPDX-License-Identifier: Apache-2.0
"""The USB device against the genuine uvcvideo, V4L2, sysfs, usbfs and an emulated fingertip."""

import threading
import time
from collections import Counter
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tactile_nodes.device.contract import Light
from tactile_nodes.device.usb import UsbDevice
from tactile_nodes.device.usb_bandwidth import streaming_transport
from tactile_nodes.device.usb_discovery import attached_cameras, find_camera
from tactile_nodes.device.v4l2 import VideoNode
from tactile_nodes.errors import DeviceError, DeviceLost, FrameTimeout
from tactile_nodes.files.device_profile import Layout, Leds, ScaledControl
from tests.device.emulated import descriptors
from tests.device.in_guest.bench import (
    PROFILE,
    SIZE,
    camera_of,
    fingertip,
    load,
    newest,
    plugged,
    wait_for,
)

NODROP = Path('/sys/module/uvcvideo/parameters/nodrop')
BYTES = Layout(('red', 'green', 'blue'), 1, False, 0, 255)
LED_WAYS = {
    'extension': PROFILE.leds,
    'control': Leds('v4l2_control', controls={'all': 0x0098091C}),
    'vendor': Leds('vendor_request', request=0x51, value=0, index=0, layout=BYTES),
}


@pytest.fixture(scope='module', autouse=True)
def _kernel():
    load('uvcvideo', 'vhci-hcd')
    yield
    NODROP.write_text('0')


@pytest.fixture
def one():
    with plugged('EF-0001') as ((device, connection),):
        yield device, connection


def test_sysfs_tells_who_is_there():
    with plugged('EF-0001', 'EF-0002') as pairs:
        cameras = {c.serial: c for c in attached_cameras()}
        print({s: (c.port, c.node, c.speed, c.controller) for s, c in cameras.items()})
        assert set(cameras) == {'EF-0001', 'EF-0002'}
        for camera in cameras.values():
            assert (camera.vendor_id, camera.product_id) == (descriptors.VENDOR,
                                                             descriptors.PRODUCT)
            assert camera.speed == 480 and 'vhci' in camera.controller
            assert camera.descriptors().endswith(pairs[0][0].configuration)
        assert find_camera('EF-0002') == find_camera('EF-0002', cameras['EF-0002'].port)


def test_wrong_devices_are_named():
    with plugged('EF-0001', 'EF-0002'):
        port = camera_of('EF-0001').port
        with pytest.raises(DeviceError, match='EF-0001 on port .*EF-0002 on port'):
            find_camera('EF-0009')
        with pytest.raises(DeviceError, match='another device .*EF-0001'):
            find_camera('EF-0002', port)
        other = replace(PROFILE, vendor_id=1, product_id=2)
        with pytest.raises(DeviceError, match='profile is for another kind'):
            UsbDevice('EF-0001', other).open()
    with plugged('EF-0001', 'EF-0001'), pytest.raises(DeviceError, match='several devices'):
        find_camera('EF-0001')


@pytest.mark.parametrize('image_format', ['MJPG', 'YUYV'])
def test_streams(one, image_format):
    emulated, _ = one
    with fingertip('EF-0001', formats=(image_format,)) as device:
        assert image_format in device.info.description and device.notes == {}
        device.set_exposure(0.008)
        device.set_gain(1.0)
        device.set_light(Light(0.5, 0.5, 0.5))
        device.start()
        newest(device)
        before = time.time_ns()
        frames = [device.read(2.0) for _ in range(30)]
        stamps = np.array([f.stamp_ns for f in frames])
        sequence = np.array([f.sequence for f in frames])
        rate = (sequence[-1] - sequence[0]) / np.ptp(stamps) * 1e9
        age = (time.time_ns() - stamps[-1]) * 1e-6
        print(f'{image_format}: {rate:.2f} frames/s by kernel stamps, newest {age:.1f} ms old, '
              f'dropped {dict(device.dropped)}')
        assert np.all(np.diff(sequence) >= 1) and np.all(np.diff(stamps) > 0)
        assert 13 < rate < 17 and 0 < age < 500
        assert stamps[0] > before - 2e9
        assert frames[0].image.shape == (SIZE[1], SIZE[0], 3)
        assert (frames[0].jpeg is not None) == (image_format == 'MJPG')
        sent = emulated.picture(*SIZE).astype(float)
        error = np.abs(frames[-1].image - sent).mean()
        print(f'mean difference to the picture sent {error:.2f} grey levels')
        assert error < 12
    assert emulated.leds() == (0, 0, 0)


def test_every_setting_is_read_back_and_what_was_rounded_is_said(one):
    emulated, _ = one
    fixed = (*PROFILE.fixed, (0x009A0901, 2), (0x00980900, 999), (0x00980999, 1))
    with fingertip('EF-0001', fixed=fixed) as device:
        print(device.notes)
        assert device.notes['Auto Exposure'].startswith('2 refused')
        assert device.notes['Brightness'] == 'asked for 999, took 255'
        assert device.notes['control 0x00980999'] == 'does not exist'
        assert device.set_exposure(0.01234) == pytest.approx(0.0123)
        assert device.set_frame_rate(14.0) == pytest.approx(15.0, rel=0.01)
        assert device.notes['frame rate'] == 'asked for 14, took 15'
        device.set_frame_rate(15.0)
        assert 'frame rate' not in device.notes
        emulated.trouble = {'refuse control'}
        with pytest.raises(DeviceError, match='refused the gain'):
            device.set_gain(2.0)
        with pytest.raises(DeviceError, match='LED'):
            device.set_light(Light(0, 0, 0))
        emulated.trouble = set()
    assert emulated.controls[descriptors.CAMERA, 2].current == 1
    assert emulated.controls[descriptors.PROCESSING, 0x0B].current == 0


def test_levels_that_the_unit_rounds_without_a_word_are_said(one):
    emulated, _ = one
    emulated.controls[descriptors.EXTENSION, 1].kept = 0xF0F0F0
    with fingertip('EF-0001') as device:
        device.set_light(Light(0.6, 0.6, 0.6))
        print(device.notes)
        assert device.notes == {'LED levels': 'asked for 99 99 99, took 90 90 90'}
        device.set_light(Light(0, 0, 0))
        assert device.notes == {}


def test_another_rate_is_set_while_a_thread_reads(one):
    with fingertip('EF-0001') as device:
        device.start()
        frames, failures, done = [], [], threading.Event()

        def read():
            try:
                while not done.is_set():
                    with suppress(FrameTimeout):
                        frames.append(device.read(0.05))
                    time.sleep(0.005)           # for what is done with a frame
            except DeviceError as error:
                failures.append(error)

        reader = threading.Thread(target=read)
        reader.start()
        try:
            for rate in (30, 15) * 10:
                device.set_frame_rate(rate)
                time.sleep(0.01)
            wait_for(lambda: failures or frames, 5, 'a frame')
            time.sleep(0.5)                     # the last pause is over
            before = frames[-1].sequence
            device.set_frame_rate(15)           # as it is: the stream goes on
            wait_for(lambda: failures or frames[-1].sequence > before + 1, 5, 'more frames')
        finally:
            done.set()
            reader.join()
        print(f'{len(frames)} frames beside 20 changes of the rate, {failures}')
        assert not failures


@pytest.mark.parametrize('way', LED_WAYS)
def test_leds_change_the_brightness_while_streaming(one, way):
    emulated, _ = one
    emulated.led_way = way
    with fingertip('EF-0001', leds=LED_WAYS[way]) as device:
        device.set_exposure(0.008)
        device.set_gain(1.0)
        device.start()
        seen = {}
        for level in (0.0, 0.25, 0.5):
            device.set_light(Light(level, level, level))
            seen[level] = newest(device).image.mean()
        if way != 'control':
            device.set_light(Light(0.5, 0.0, 0.0))
            blue, green, red = newest(device).image.mean(axis=(0, 1))
            print(f'{way}: red LED alone gives b {blue:.0f} g {green:.0f} r {red:.0f}')
            assert red > 4 * blue and red > 4 * green
        print(f'{way}: mean grey by level {({k: round(v, 1) for k, v in seen.items()})}')
        assert seen[0.0] < 8 and seen[0.25] > 3 * seen[0.0]
        assert seen[0.5] == pytest.approx(2 * seen[0.25], rel=0.15)
    assert emulated.leds() == (0, 0, 0)


def test_lights_go_off_when_a_killed_process_comes_back(one):
    emulated, _ = one
    device = fingertip('EF-0001')
    device.open()
    device.set_light(Light(1, 1, 1))
    device._node.close()                    # what the kernel does when the process is killed
    assert emulated.leds() == (1, 1, 1)
    with fingertip('EF-0001'):
        assert emulated.leds() == (0, 0, 0)


def test_led_controls_that_are_not_there(one):
    wrong = {
        'no unit with that GUID': Leds('extension_unit', guid=bytes(16), selector=1, layout=BYTES),
        'no answer': Leds('extension_unit', unit=9, selector=1, layout=BYTES),
        '2 bytes': Leds('extension_unit', unit=4, selector=2, layout=BYTES),
        'no such LED control': Leds('v4l2_control', controls={'all': 0x00980999}),
        'refused the LED setting': replace(LED_WAYS['vendor'], request=0x52),
    }
    for message, leds in wrong.items():
        with pytest.raises(DeviceError, match=message) as caught:
            fingertip('EF-0001', leds=leds).open()
        print(caught.value)


def test_a_control_transfer_that_is_never_answered_ends(one):
    emulated, _ = one
    device = fingertip('EF-0001')
    device.open()
    device.set_light(Light(1, 1, 1))
    emulated.trouble = {'nak'}
    for use, bound in ((lambda: device.set_light(Light(0, 0, 0)), 8), (device.close, 1),
                       (device.open, 8)):
        began = time.monotonic()
        with suppress(DeviceLost) if use == device.close else pytest.raises(DeviceLost):
            use()
        took = time.monotonic() - began
        print(f'gave up after {took:.1f} s')
        assert took < bound
    emulated.trouble = set()
    with device:
        assert emulated.leds() == (0, 0, 0)


@pytest.mark.parametrize(('image_format', 'trouble', 'nodrop', 'reason'), [
    ('MJPG', 'truncate', 0, 'broken JPEG'),
    ('MJPG', 'corrupt jpeg', 0, 'broken JPEG'),
    ('MJPG', 'lost payload', 0, 'broken JPEG'),
    ('MJPG', 'error flag', 1, 'error flag'),
    # the kernel's driver itself drops short and flagged frames unless told otherwise
    ('YUYV', 'truncate', 1, 'short payload'),
    ('YUYV', 'error flag', 0, 'sequence gap'),
    ('YUYV', 'error flag', 1, 'error flag'),
])
def test_damaged_frames_are_dropped_and_counted(image_format, trouble, nodrop, reason):
    NODROP.write_text(str(nodrop))
    with plugged('EF-0001') as ((emulated, _),), \
            fingertip('EF-0001', formats=(image_format,)) as device:
        device.set_light(Light(0.5, 0.5, 0.5))
        device.start()
        newest(device)
        emulated.trouble = {trouble}
        time.sleep(0.3)
        # where the driver drops every frame itself, it looks like a stall
        with pytest.raises((FrameTimeout, DeviceLost)):
            while True:
                device.read(1.0)
        emulated.trouble = set()
        good = newest(device)
        counted = +device.dropped - Counter(overtaken=device.dropped['overtaken'])
        print(f'{image_format} {trouble}, nodrop={nodrop}: {counted}')
        # the one that was under way when the trouble ended may still have been of the other kind
        assert counted[reason] >= 8 and sum(counted.values()) - counted[reason] <= 2
        assert good.image.mean() > 20


def test_a_camera_that_stalls_or_repeats_is_noticed(one):
    emulated, _ = one
    with fingertip('EF-0001') as device:
        device.set_light(Light(0.5, 0.5, 0.5))
        device.start()
        newest(device)
        emulated.trouble = {'stall'}
        began = time.monotonic()
        with pytest.raises(DeviceLost, match='stalled'):
            while True:
                with suppress(FrameTimeout):
                    device.read(0.2)
        print(f'stall noticed after {time.monotonic() - began:.1f} s')
        assert time.monotonic() - began < 3
        emulated.trouble = {'repeat'}
        began = time.monotonic()
        with pytest.raises(DeviceLost, match='same picture'):
            while True:
                device.read(2.0)
        print(f'repeated pictures noticed after {time.monotonic() - began:.1f} s')


def test_unplug_and_return(one):
    emulated, connection = one
    device = fingertip('EF-0001')
    device.open()
    device.start()
    newest(device)
    connection.unplug()
    began = time.monotonic()
    with pytest.raises(DeviceLost):
        while True:
            device.read(0.2)
    print(f'unplugged: noticed after {(time.monotonic() - began) * 1e3:.0f} ms')
    assert time.monotonic() - began < 1.0
    device.close()
    with pytest.raises(DeviceError):
        device.open()
    wait_for(lambda: not attached_cameras(), 10, 'gone')
    with plugged('EF-0001') as ((again, _),), device:
        device.start()
        assert newest(device).sequence < 10
        assert again.leds() == (0, 0, 0)


def test_a_size_that_the_camera_lacks(one):
    with pytest.raises(DeviceError, match='MJPG 160x120.*YUYV 320x240.*MJPG or YUYV 200x100'):
        UsbDevice('EF-0001', PROFILE, width=200, height=100).open()


def test_the_metadata_node_is_refused(one):
    number = int(camera_of('EF-0001').node[len('/dev/video'):])
    with pytest.raises(DeviceError, match='metadata'):
        VideoNode(f'/dev/video{number + 1}')


def test_isochronous_fingertip_streams_and_tells_its_packet_sizes():
    with plugged('EF-0001', bulk=False) as ((emulated, _),):
        transport = streaming_transport(camera_of('EF-0001').descriptors())
        assert transport.isochronous
        assert transport.packet_sizes == tuple(sorted(descriptors.ISO_SIZES))
        with fingertip('EF-0001', formats=('YUYV',), rate=5.0) as device:
            device.start()
            newest(device)
            print(f'alternate setting that uvcvideo chose: {emulated.alternate}, '
                  f'{descriptors.ISO_SIZES[emulated.alternate - 1]} bytes per microframe')
            needed = SIZE[0] * SIZE[1] * 2 * 5 / 8000 + 12
            chosen = descriptors.ISO_SIZES[emulated.alternate - 1]
            assert chosen == min(s for s in descriptors.ISO_SIZES if s >= needed)


def test_exposure_and_gain_have_ranges(one):
    with fingertip('EF-0001', gain=None) as device:
        assert device.info.exposure_range == pytest.approx((0.0001, 0.1))
        assert device.info.gain_range is None
        with pytest.raises(DeviceError, match='out of range'):
            device.set_exposure(5.0)
    with fingertip('EF-0001', gain=ScaledControl(0x00980999, 0.1)) as device:
        assert device.info.gain_range is None
