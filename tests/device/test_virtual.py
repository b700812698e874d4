# SPDX-License-Identifier: Apache-2.0
import cv2
import numpy as np
import pytest

from tactile_nodes.device.contract import Light
from tactile_nodes.device.virtual import VirtualDevice
from tactile_nodes.errors import DeviceError

from .test_contract import MARKED, TOUCH, places  # noqa: F401

LIT = Light(0.6, 0.6, 0.6)


@pytest.fixture
def make(places, monkeypatch):  # noqa: F811
    monkeypatch.setenv('XDG_CACHE_HOME', str(places['cache']))

    def device(**options):
        return VirtualDevice('VF-1001', MARKED, TOUCH, **{'width': 160, 'height': 120,
                                                          'realtime': False, **options})
    return device


def one(device):
    return device.read(1.0).image.astype(float)


def test_exposure_gain_and_led_level_change_the_brightness(make):
    with make() as device:
        device.start()
        device.set_light(LIT)
        normal = one(device).mean()
        device.set_exposure(4e-3)
        half = one(device).mean()
        device.set_gain(2.0)
        assert one(device).mean() == pytest.approx(normal, rel=0.01)
        assert half < 0.8 * normal
        device.set_light(Light(0.6, 0.0, 0.6))
        assert one(device)[..., 1].mean() < 0.5 * normal


def test_light_is_set_per_channel(make):
    with make() as device:
        device.start()
        for i, name in enumerate(('blue', 'green', 'red')):
            device.set_light(Light(**{'red': 0, 'green': 0, 'blue': 0, name: 0.8}))
            assert one(device).mean((0, 1)).argmax() == i


def test_exposure_longer_than_the_frame_period_is_refused(make):
    with make(frame_rate=60.0) as device:
        with pytest.raises(DeviceError, match=r'exposure.*0\.02.*0\.0001 to 0\.0166'):
            device.set_exposure(0.02)
        device.set_frame_rate(40.0)
        assert device.set_exposure(0.02) == 0.02
        with pytest.raises(DeviceError, match=r'frame rate.*at most 50 Hz.*shorter exposure'):
            device.set_frame_rate(60.0)
        assert device.info.exposure_range[1] == pytest.approx(1 / 40)


def test_truth_is_in_every_frame_and_follows_the_scenario(make):
    with make(frame_rate=50.0) as device:
        device.start()
        frames = [device.read(1.0) for _ in range(60)]
    touching = [f.truth.in_contact for f in frames]
    assert not any(touching[:25]) and any(touching[25:60])
    deepest = max(frames, key=lambda f: -f.truth.wrench[2])
    assert deepest.truth.wrench[2] < -0.05 and deepest.truth.centroid[2] > 0.05e-3
    assert (np.array([f.truth.wrench for f in frames if not f.truth.in_contact]) == 0).all()


def test_the_picture_is_that_of_the_truth(make):
    with make(frame_rate=50.0) as device:
        device.start()
        device.set_light(LIT)
        frames = [device.read(1.0) for _ in range(50)]
    smooth = [cv2.blur(f.image.astype(np.float32), (9, 9)) for f in frames]
    still = np.mean(smooth[:20], axis=0)
    change = np.array([np.abs(image - still).mean() for image in smooth])
    touching = np.array([f.truth.wrench[2] < -0.1 for f in frames])
    assert touching.any() and change[touching].min() > 1.5 * change[~touching].max()


def test_scenario_start_shifts_the_scenario(make):
    with make(scenario_start=0.7) as late, make() as early:
        late.start()
        early.start()
        frame = late.read(1.0)
        while early.read(1.0).sequence < 41:              # 42 frames at 60 Hz are 0.7 s
            pass
        assert early.read(1.0).truth.wrench == pytest.approx(frame.truth.wrench, rel=1e-6)


def test_a_file_can_be_given_and_a_wrong_one_is_a_clear_error(tmp_path):
    missing = VirtualDevice('VF-1001', MARKED, tmp_path / 'none.yaml')
    with pytest.raises(DeviceError, match=r'VF-1001.*none\.yaml.*no such file'):
        missing.open()
    with pytest.raises(DeviceError, match='not open'):
        missing.start()


def test_an_unusable_image_size_is_a_clear_error(make):
    with pytest.raises(DeviceError, match='does not cover the image'):
        make(width=160, height=160).open()
