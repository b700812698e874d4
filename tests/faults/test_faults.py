# SPDX-License-Identifier: Apache-2.0
"""The harness itself: what it spoils is spoilt, what it demands is judged, and soak's figures."""

import os
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip('rclpy', reason='ROS is not installed')
pytest.importorskip('rosbags')

from tactile_nodes.device.virtual import VirtualDevice
from tactile_nodes.errors import DeviceLost, FrameTimeout
from tactile_nodes.files.elastomer import read_elastomer
from tactile_nodes.hand.resources import shipped
from tests import soak
from tests.faults import judge as judging
from tests.faults.__main__ import markdown
from tests.faults.clock import Clock
from tests.faults.faults import all_faults, camera_faults
from tests.faults.judge import Judge
from tests.faults.rig import Rig
from tests.faults.worker import MODES, SpoiltDevice


@pytest.fixture
def spoilt(tmp_path):
    """A device that is spoilt by calling it with a mode."""
    device = SpoiltDevice(
        VirtualDevice('VF-1001', read_elastomer(shipped('config/elastomers/soft_marked.yaml')),
                      shipped('config/scenarios/pick_plum_finger.yaml'), realtime=False),
        tmp_path / 'thumb')
    with device:
        device.start()

        def spoil(mode):
            assert mode in MODES
            (tmp_path / 'thumb').write_text(mode)
            return device

        yield spoil


def pictures(device, count=20):
    return [device.read(1.0).image for _ in range(count)]


def test_cameras_are_spoilt_as_asked(spoilt):
    well = pictures(spoilt('well'))
    assert not any(np.array_equal(a, b) for a, b in zip(well, well[1:], strict=False))
    repeated = pictures(spoilt('repeating'))
    assert all(np.array_equal(image, well[-1]) for image in repeated)
    assert not any(image.any() for image in pictures(spoilt('black')))
    device = spoilt('damaged')
    pictures(device)
    assert device.dropped['corrupt image'] > 5
    garbled = [np.abs(image.astype(int) - well[0]).mean() > 5
               for image in pictures(spoilt('garbled'), 40)]
    assert 10 < sum(garbled) < 40
    with pytest.raises(FrameTimeout):
        spoilt('stalled').read(0.05)
    for use in (lambda: device.read(0.1), device.start, device.open,
                lambda: device.set_gain(1.0)):
        spoilt('unplugged')
        with pytest.raises(DeviceLost):
            use()
    assert pictures(spoilt('well'), 1)


CLOCK = """
import sys, time
from pathlib import Path
from tests.faults.clock import Clock, live_by
live_by(Clock(Path(sys.argv[1])))
from rclpy.clock import Clock as RosClock, ClockType
from tactile_nodes.trials.recorder import utc_now
print(time.time(), time.time_ns() / 1e9, utc_now().timestamp(),
      RosClock(clock_type=ClockType.ROS_TIME).now().nanoseconds / 1e9)
print(time.monotonic(), RosClock(clock_type=ClockType.STEADY_TIME).now().nanoseconds / 1e9)
"""


def test_every_way_to_ask_for_the_time_is_answered_by_the_clock_that_is_set(tmp_path):
    Clock(tmp_path / 'clock').turn(-7200.0)
    env = {k: v for k, v in os.environ.items() if k != '_ROS_WHEELS_BOOTSTRAP_COMPLETE'}
    said = subprocess.run([sys.executable, '-c', CLOCK, tmp_path / 'clock'], env=env, text=True,
                          cwd=Path(__file__).parents[2], check=True, capture_output=True).stdout
    shifted, steady = ([float(word) for word in line.split()] for line in said.splitlines())
    assert shifted == pytest.approx([time.time() - 7200.0] * 4, abs=60.0)
    assert steady == pytest.approx([time.monotonic()] * 2, abs=60.0)


def test_a_hand_whose_camera_is_unplugged(tmp_path, monkeypatch):
    """One fault through everything; whether it is quick enough is for `make faults` to say."""
    for name, seconds in (('_BEFORE', 1.0), ('_AFTER', 0.2), ('_SETTLE', 5.0)):
        monkeypatch.setattr(judging, name, seconds)
    with Rig(tmp_path, fingers=('thumb',), record=False, split=None, own_disk=False) as rig:
        assert rig.wait_ready() is not None, rig.observer.reports
        fault = replace(next(camera_faults('thumb')), lasts=5.0)
        found = Judge(rig).try_out(fault)
    checks = {check.about: check for check in found[fault.name]}
    assert checks['reported'].measured != 'never'
    assert checks['back'].measured.endswith(' s') and 'not' not in checks['back'].measured
    assert checks['others'].met
    assert checks['files'].met
    assert not rig.supervisor.restarts
    *_, row = markdown(found.items())
    assert row.startswith('| camera unplugged | ') and row.count('|') == 7


def test_every_fault_can_be_named_and_combined(tmp_path):
    rig = Rig(tmp_path)
    faults = list(all_faults(rig))
    assert len({fault.name for fault in faults}) == len(faults) > 30
    assert all(fault.part for fault in faults)
    assert {finger for fault in faults for finger in fault.hits} < set(rig.fingers)


def test_a_warning_of_numbers_is_told_from_one_of_the_rate():
    rate = '3 of 14 frames lost: lower the frame rate; 11 instead of 20 frames a second: check'
    assert not judging.warns_of_numbers(rate)
    assert judging.warns_of_numbers('the camera sends the same picture again and again; ' + rate)


def test_growth_is_the_slope_of_most():
    seconds = np.arange(0, 600, 2.0)
    values = 100 + 12 * seconds / 3600 + np.random.default_rng(1).normal(0, 0.1, len(seconds))
    values[::25] += 30                               # a trial that was being finished
    assert soak.growth(seconds, values) == pytest.approx(12, abs=1.0)


def test_a_process_is_watched():
    watch, begin = soak.Watch(), time.monotonic()
    watch.look(os.getpid())
    (at, megabytes, handles, threads), = watch.since(begin)
    assert at >= begin and 10 < megabytes < 1e5 and handles > 2 and threads >= 1
    assert soak.thirds(0.0, 9.0) == ((0.0, 3.0), (6.0, 9.0))
