# SPDX-License-Identifier: Apache-2.0
"""The parts of the nodes that know nothing of ROS: join, camera settings, health, capture."""

import time
from dataclasses import replace
from threading import Event, Thread
from types import SimpleNamespace

import numpy as np
import pytest

from tactile_nodes.core.types import Frame
from tactile_nodes.device.contract import OFF, DeviceInfo, Light
from tactile_nodes.errors import DataError, DeviceError, DeviceLost
from tactile_nodes.nodes.camera_health import CameraHealth, judge_image
from tactile_nodes.nodes.capture import Capture, ReferenceTaker
from tactile_nodes.nodes.join import Join
from tactile_nodes.nodes.settings import CameraSettings
from tests.nodes.foreign import wait_until
from tests.nodes.replay import ReplayDevice

SETTINGS = CameraSettings(60.0, 0.008, 1.0, Light(0.5, 0.5, 0.5))
INFO = DeviceInfo('S1', 'probe', 64, 48, (1.0, 100.0), (1e-4, 0.02), (0.5, 8.0), True)


def message(stamp_ns):
    stamp = SimpleNamespace(sec=stamp_ns // 10**9, nanosec=stamp_ns % 10**9)
    return SimpleNamespace(header=SimpleNamespace(stamp=stamp))


def test_join_brings_equal_stamps_together_in_any_order():
    got = []
    join = Join(('a', 'b'), lambda stamp, parts: got.append((stamp, sorted(parts))))
    a, b = join.taker('a'), join.taker('b')
    for take, stamp in ((a, 1), (a, 2), (b, 2), (b, 1)):
        take(message(stamp))
    assert got == [(2, ['a', 'b']), (1, ['a', 'b'])]
    assert join.dropped == 0


def test_join_drops_the_oldest_incomplete_frame():
    got = []
    join = Join(('a', 'b'), lambda stamp, parts: got.append(stamp))
    for stamp in range(10):
        join.taker('a')(message(stamp))
    for stamp in (0, 9):
        join.taker('b')(message(stamp))
    assert got == [9]
    assert join.dropped == 7       # 4 may wait; the late part of frame 0 pushed one more out


def test_join_goes_on_after_stamps_from_the_future():
    """As when the clock was set back, or after garbage on one of the topics."""
    got = []
    join = Join(('a', 'b'), lambda stamp, parts: got.append(stamp))
    for stamp in range(10**18, 10**18 + 9):
        join.taker('a')(message(stamp))
    for stamp in range(5):
        join.taker('a')(message(stamp))
        join.taker('b')(message(stamp))
    assert got == [0, 1, 2, 3, 4]


@pytest.mark.parametrize(('change', 'reason'), [
    ({'frame_rate': 150.0}, 'frame rate out of range, found 150.0, expected 1 to 100 Hz'),
    ({'gain': 9.0}, 'gain out of range'), ({'exposure': 0.02}, 'longer than the frame period'),
])
def test_settings_that_the_device_cannot_do_are_refused(change, reason):
    with pytest.raises(DeviceError, match=reason):
        SETTINGS.changed(change).check(INFO, SETTINGS)


def test_settings_that_a_device_does_not_have():
    bare = replace(INFO, frame_rate_range=None, exposure_range=None, gain_range=None,
                   has_light=False)
    SETTINGS.check(bare, SETTINGS)
    for change in ({'frame_rate': 30.0}, {'exposure': 0.01}, {'gain': 2.0}, {'led.red': 0.1}):
        with pytest.raises(DeviceError, match='cannot be set'):
            SETTINGS.changed(change).check(bare, SETTINGS)


def test_rate_and_exposure_change_together():
    wanted = SETTINGS.changed({'frame_rate': 10.0, 'exposure': 0.02})
    wanted.check(INFO, SETTINGS)
    assert wanted.parameters()['frame_rate'] == 10.0
    assert SETTINGS.changed({'frame_rate': 30.0}).seen_differently(SETTINGS) is False
    assert SETTINGS.changed({'led.green': 0.4}).seen_differently(SETTINGS) is True


def frame(level=120, stamp=0, noise=0, seed=0):
    rng = np.random.default_rng(seed)
    image = np.clip(rng.normal(level, noise, (48, 64, 3)), 0, 255)
    return Frame(image.astype(np.uint8), stamp, 0)


@pytest.mark.parametrize(('level', 'word'), [(120, ''), (3, 'dark'), (255, 'saturated')])
def test_brightness(level, word):
    problem, values = judge_image(frame(level).image)
    assert word in problem and bool(problem) == bool(word)
    assert set(values) == {'mean level', 'dark', 'saturated'}


def test_health_of_the_last_second():
    health = CameraHealth()
    assert health.judge({}, 60.0, 0)[0] == ''
    for i in range(1000):
        health.note(frame(stamp=0, noise=2, seed=i % 2))
    problem, values = health.judge({}, 60.0, 5_000_000)
    assert (problem, values['frame age']) == ('', '5.0 ms')
    health.note(frame())
    assert '3 of 4 frames lost' in health.judge({'corrupt image': 3}, None, 0)[0]
    health._since -= 1.0
    health.note(frame())
    problem, values = health.judge({'corrupt image': 3}, 60.0, 0)
    assert 'instead of 60 frames a second' in problem
    assert values['dropped: corrupt image'] == 3


def test_darkness_is_told_even_when_the_rate_is_low():
    health = CameraHealth()
    health._since -= 1.0
    health.note(frame(3))
    problem, _ = health.judge({}, 60.0, 0)
    assert 'dark' in problem and 'instead of 60 frames' in problem


def test_a_camera_that_repeats_one_picture_is_stuck():
    health = CameraHealth()
    for i in range(9):
        health.note(frame(noise=2, seed=i))
    for _ in range(9):
        health.note(frame(noise=2, seed=8))
    assert not health.stuck and 'same picture' not in health.judge({}, None, 0)[0]
    health.note(frame(noise=2, seed=8))
    assert health.stuck and 'same picture' in health.judge({}, None, 0)[0]
    health.note(frame(noise=2, seed=9))
    assert not health.stuck


def test_a_dark_camera_is_not_stuck():
    health = CameraHealth()
    for _ in range(30):
        health.note(frame(3))
    assert not health.stuck and 'same picture' not in health.judge({}, None, 0)[0]


def fill(taker, levels=(120,) * 6, touched=()):
    for seed, level in enumerate(levels):
        taker.add(frame(level, noise=2, seed=seed).image, seed in touched)


def test_reference_is_made_of_the_newest_frames():
    taker = ReferenceTaker((48, 64), 6)
    with pytest.raises(DataError, match='not enough frames, found .none., expected 6'):
        taker.take()
    fill(taker, (60,) * 5)
    with pytest.raises(DataError, match="found '5, the last 0.0 s ago', expected 6"):
        taker.take()
    fill(taker)
    reference = taker.take()
    assert reference.frames == 6 and abs(reference.mean.mean() - 120) < 1
    assert taker.take() is not reference


def test_no_reference_of_a_moving_scene_or_of_old_frames(monkeypatch):
    taker = ReferenceTaker((48, 64), 6)
    fill(taker, range(100, 220, 20))
    with pytest.raises(DataError, match='moved'):
        taker.take()
    fill(taker)
    monkeypatch.setattr('tactile_nodes.nodes.capture._SILENT', -1)
    with pytest.raises(DataError, match='not enough frames'):
        taker.take()


def test_no_reference_while_something_touches_or_just_has():
    taker = ReferenceTaker((48, 64), 6)
    fill(taker, touched=(4, 5))
    with pytest.raises(DataError, match='something touches.*Lift it off'):
        taker.take()
    fill(taker, (120,) * 5)
    with pytest.raises(DataError, match='has just touched.*Wait'):
        taker.take()
    fill(taker, (120,) * 6)
    assert taker.take().frames == 6


def test_frames_in_another_light_do_not_mix():
    taker = ReferenceTaker((48, 64), 6)
    fill(taker, (60,) * 5)
    taker.restart()
    fill(taker, (120,) * 5)
    with pytest.raises(DataError, match='5 since the light changed'):
        taker.take()
    fill(taker)
    assert abs(taker.take().mean.mean() - 120) < 1


def test_contact_that_only_the_new_light_makes_is_not_believed():
    taker = ReferenceTaker((48, 64), 6)
    fill(taker)
    taker.restart()
    fill(taker, (120,) * 20, touched=range(2, 20))
    assert taker.take().frames == 6
    fill(taker)                                   # now rest is seen as rest
    fill(taker, touched=range(6))
    with pytest.raises(DataError, match='something touches'):
        taker.take()


def test_contact_from_before_the_light_changed_is_believed():
    taker = ReferenceTaker((48, 64), 6)
    fill(taker, touched=range(6))
    taker.restart()
    fill(taker, (120,) * 40, touched=range(40))
    with pytest.raises(DataError, match='something touches'):
        taker.take()


def test_a_touch_after_the_light_has_changed_is_believed():
    taker = ReferenceTaker((48, 64), 6)
    fill(taker)
    taker.restart()
    fill(taker, (120,) * 30)
    fill(taker, touched=range(6))
    with pytest.raises(DataError, match='something touches'):
        taker.take()


def test_lost_device_is_opened_again(monkeypatch):
    monkeypatch.setattr('tactile_nodes.nodes.capture._REOPEN_PERIOD', 0.05)
    device = ReplayDevice([frame(), None, frame()], lost=DeviceLost)
    device.open()
    got, prepared, told = [], [], []
    capture = Capture(device, lambda: prepared.append(device.opened), got.append,
                      rate=lambda: 60.0, report=lambda: told.append(capture.problem))
    capture.start()
    device.release(3)
    wait_until(lambda: len(got) == 2, 'the frame after the loss')
    assert prepared == [1, 2] and capture.problem == ''
    assert len(told) == 2 and told[0] and not told[1]
    capture.stop()
    capture.stop()


def test_lights_go_off_at_once_while_a_frame_is_worked_through():
    device, got, working, go_on = ReplayDevice([frame()]), [], Event(), Event()
    device.open()

    def deliver(image):
        got.append(image)
        working.set()
        go_on.wait(5.0)

    capture = Capture(device, device.open, deliver, rate=lambda: 60.0, report=list)
    capture.start()
    device.set_light(SETTINGS.light)
    device.release(2)
    assert working.wait(5.0)
    stopping = Thread(target=capture.stop)
    stopping.start()
    wait_until(lambda: device.light == OFF, 'lights off')
    assert stopping.is_alive()
    go_on.set()
    stopping.join()
    assert len(got) == 1                 # the next one may have been taken in the dark


@pytest.mark.parametrize(('rate', 'told'), [(60.0, [True, False]), (1.0, [])])
def test_a_silent_device_is_announced_at_once_and_so_is_its_return(monkeypatch, rate, told):
    monkeypatch.setattr('tactile_nodes.nodes.capture._READ_TIMEOUT', 0.05)
    device, got, said = ReplayDevice([frame()]), [], []
    device.open()
    capture = Capture(device, device.open, got.append, rate=lambda: rate,
                      report=lambda: said.append(capture.silent))
    capture.start()
    device.release()
    wait_until(lambda: got, 'the first frame')
    if told:
        wait_until(lambda: said == [True], 'the silence is announced')
    else:
        time.sleep(0.8)                  # not overdue yet
    device.release()
    wait_until(lambda: len(got) == 2 and said == told, 'the next frame')
    capture.stop()
