# SPDX-License-Identifier: Apache-2.0
"""The device contract, on every kind of device there is."""

import threading
import time

import numpy as np
import pytest

from tactile_nodes.core.types import Elastomer, ElastomerKind, Frame
from tactile_nodes.device import usb
from tactile_nodes.device.contract import OFF, Light
from tactile_nodes.device.recording import RecordingDevice
from tactile_nodes.device.usb import UsbDevice
from tactile_nodes.device.virtual import VirtualDevice
from tactile_nodes.errors import DeviceError, FrameTimeout
from tactile_nodes.files.scenario import Indenter, Scenario, Step

from .camera_node import BLUE, GREEN, HEIGHT, PROFILE, RED, WIDTH, CameraNode, put_in_place
from .recordings import RATE, image_bag, write_folder

MARKED = Elastomer('marked', ElastomerKind.REFLECTIVE_MARKERS, 3e-3, 0.41e6, 0.48, 1.5e-3, 0.5e-3)
TOUCH = Scenario('touch', True, Indenter('sphere', 12e-3), 0.5, (0.0, 0.0, 1e-3),
                 (Step('free', 0.5), Step('press', 0.4, height=-0.3e-3),
                  Step('release', 0.4, height=1e-3)))
LIT = Light(0.6, 0.6, 0.6)
JITTER = 2e-3                   # s, of the stamps


@pytest.fixture(scope='session')
def places(tmp_path_factory):
    base = tmp_path_factory.mktemp('devices')
    return {'cache': base, 'folder': write_folder(base / 'images'),
            'bag': image_bag(base / 'bag') if _has_rosbags() else None}


def _has_rosbags():
    try:
        import rosbags  # noqa: F401
    except ImportError:
        return False
    return True


class OnANode(UsbDevice):
    """A USB device on a video node without a kernel; one as fast as asked there is not."""

    def __init__(self, *arguments, realtime=True, **options):
        if not realtime:
            pytest.skip('a camera has its own pace')
        super().__init__(*arguments, **options)

    @property
    def light(self):
        """What the LEDs were last sent."""
        values = usb.VideoNode.values
        return Light(*(values.get(number, 0) / 100 for number in (RED, GREEN, BLUE)))


@pytest.fixture(params=['virtual', 'folder', 'bag', 'usb'])
def make(request, places, monkeypatch):
    """A function that makes a device which would deliver 50 frames/s for ever."""
    monkeypatch.setenv('XDG_CACHE_HOME', str(places['cache']))
    if request.param == 'virtual':
        return lambda **options: VirtualDevice('VF-1001', MARKED, TOUCH, width=160, height=120,
                                               frame_rate=RATE, **options)
    if request.param == 'usb':
        put_in_place(monkeypatch, CameraNode(live=True))
        return lambda **options: OnANode('FT-1', PROFILE, width=WIDTH, height=HEIGHT,
                                         frame_rate=RATE, **options)
    if places[request.param] is None:
        pytest.skip('rosbags is not installed')
    return lambda **options: RecordingDevice(places[request.param], repeat=True,
                                             frame_rate=RATE, **options)


@pytest.fixture
def device(make):
    with make() as device:
        yield device


def run(device, frames, timeout=5.0):
    device.start()
    return [device.read(timeout) for _ in range(frames)]


def test_open_twice_and_close_twice(make):
    device = make()
    device.close()
    for _ in range(2):
        device.open()
        device.open()
        assert device.info.width_px > 0
        device.close()
        device.close()


def test_info_says_what_comes(device):
    frame, = run(device, 1)
    assert isinstance(frame, Frame) and frame.image.dtype == np.uint8
    assert frame.image.shape == (device.info.height_px, device.info.width_px, 3)
    assert device.info.description and device.info.serial


def test_not_open_and_not_streaming_are_errors(make):
    device = make()
    for use in (lambda: device.info, device.start, lambda: device.read(0.1),
                lambda: device.set_frame_rate(30.0)):
        with pytest.raises(DeviceError):
            use()
    with device:
        with pytest.raises(DeviceError, match='not streaming'):
            device.read(0.1)
        device.start()
        device.read(5.0)
        device.stop()
        device.stop()
        with pytest.raises(DeviceError, match='not streaming'):
            device.read(0.1)
        device.start()
        device.read(5.0)
    with pytest.raises(DeviceError):
        device.read(0.1)


def test_sequence_starts_anew_and_rises(device):
    for _ in range(2):
        frames = run(device, 5)
        numbers = [f.sequence for f in frames]
        assert numbers[0] <= 1 and all(np.diff(numbers) >= 1)
        device.stop()


def test_frame_rate_is_honoured_by_the_stamps(device):
    frames = run(device, 12)
    seconds = (frames[-1].stamp_ns - frames[0].stamp_ns) * 1e-9
    counted = frames[-1].sequence - frames[0].sequence
    assert seconds == pytest.approx(counted / RATE, rel=0.02, abs=JITTER)


def test_stamps_are_on_the_clock_given(make):
    ahead = 10_000 * 10 ** 9
    with make(clock=lambda: time.time_ns() + ahead) as device:
        before = time.time_ns() + ahead
        frame, = run(device, 1)
        assert before <= frame.stamp_ns <= time.time_ns() + ahead


def test_a_gap_in_the_sequence_is_counted(device):
    first, = run(device, 1)
    time.sleep(5.5 / RATE)
    later = device.read(5.0)
    lost = later.sequence - first.sequence - 1
    # a kernel keeps the first four of them: newer ones are a gap, older ones overtaken
    assert lost >= 3 and sum(device.dropped.values()) >= lost
    device.stop()
    device.start()
    assert not device.dropped


def test_no_frame_in_time_is_a_timeout(device):
    device.start()
    with pytest.raises(FrameTimeout):
        for _ in range(50):
            device.read(1e-4)
    assert device.read(5.0).image is not None       # and it goes on


def test_stop_ends_a_waiting_read(make):
    with make() as device:
        device.start()
        stopper = threading.Timer(0.1, device.stop)
        stopper.start()
        with pytest.raises(DeviceError):
            while True:
                device.read(5.0)
        stopper.join()


def test_led_level_out_of_range_is_refused():
    for level in (1.2, -0.1, float('nan')):
        with pytest.raises(DeviceError, match=r'led green.*0\.0 to 1\.0'):
            Light(0.5, level, 0.5)


def test_settings_out_of_range_are_refused_and_change_nothing(device):
    info = device.info
    for set_, limits in ((device.set_frame_rate, info.frame_rate_range),
                         (device.set_exposure, info.exposure_range),
                         (device.set_gain, info.gain_range)):
        bad = (0.0, -1.0, 1e9, float('nan')) if limits else (1.0,)
        for value in bad:
            with pytest.raises(DeviceError):
                set_(value)
    if not info.has_light:
        with pytest.raises(DeviceError, match='no LEDs'):
            device.set_light(LIT)
    test_frame_rate_is_honoured_by_the_stamps(device)


def test_settings_return_what_was_taken(device):
    info = device.info
    for set_, limits, value in ((device.set_frame_rate, info.frame_rate_range, 25.0),
                                (device.set_exposure, info.exposure_range, 5e-3),
                                (device.set_gain, info.gain_range, 2.0)):
        if limits:
            assert set_(value) == value


def test_frame_rate_can_change_while_another_thread_reads(device):
    if device.info.frame_rate_range is None:
        pytest.skip('a bag has its own frame rate')
    frames = run(device, 2)
    failures = []

    def change():
        try:
            device.set_frame_rate(20.0)
        except DeviceError as error:
            failures.append(error)

    setter = threading.Timer(0.05, change)
    setter.start()
    frames += [device.read(5.0) for _ in range(10)]
    setter.join()
    assert not failures
    tail = frames[-4:]
    seconds = (tail[-1].stamp_ns - tail[0].stamp_ns) * 1e-9
    assert seconds == pytest.approx((tail[-1].sequence - tail[0].sequence) / 20.0, rel=0.02)


def test_lights_are_off_after_open_and_after_close(make):
    device = make()
    for _ in range(2):
        with device:
            if not device.info.has_light:
                pytest.skip('a recording has no LEDs')
            assert device.light == OFF
            device.start()
            # the first ones may have been under way
            assert [device.read(1.0) for _ in range(4)][-1].image.mean() < 3
            device.set_light(LIT)
            assert device.light == LIT
            assert [device.read(1.0) for _ in range(4)][-1].image.mean() > 50
        assert device.light == OFF


def test_lights_are_off_after_a_crash_inside(make):
    device = make()

    def crash():
        with device:
            if not device.info.has_light:
                pytest.skip('a recording has no LEDs')
            device.set_light(LIT)
            raise RuntimeError('anything')

    with pytest.raises(RuntimeError, match='anything'):
        crash()
    assert device.light == OFF


def test_as_fast_as_asked(make):
    with make(realtime=False) as device:
        frames = run(device, 100, timeout=0.0)
    assert [f.sequence for f in frames] == list(range(100))
    assert np.diff([f.stamp_ns for f in frames]) == pytest.approx(1e9 / RATE, rel=1e-6)
    assert not device.dropped
