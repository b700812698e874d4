# SPDX-License-Identifier: Apache-2.0
import math
from pathlib import Path

import pytest

from tactile_nodes.errors import FileError
from tactile_nodes.files.scenario import read_scenario

SHIPPED = sorted((Path(__file__).parents[2] / 'config' / 'scenarios').glob('*.yaml'))
GOOD = """
name: test
repeat: true
friction: 0.7
indenter: {shape: sphere, radius_mm: 10}
start: {x_mm: 1, y_mm: -2, height_mm: 3}
steps:
  - {phase: free, seconds: 1.5}
  - {phase: press, seconds: 0.5, force_n: 3}
  - {phase: shear, seconds: 1, x_mm: 0.4, y_mm: -0.1, twist_deg: 5, roll_x_mm: 0.5}
  - {phase: release, seconds: 0.5, height_mm: 2}
"""


def write(tmp_path, text):
    path = tmp_path / 'scenario.yaml'
    path.write_text(text)
    return path


def test_reads_si_units(tmp_path):
    scenario = read_scenario(write(tmp_path, GOOD))
    assert scenario.name == 'test' and scenario.repeat and scenario.friction == 0.7
    assert scenario.start == pytest.approx((1e-3, -2e-3, 3e-3))
    assert scenario.indenter.shape == 'sphere' and scenario.indenter.radius == pytest.approx(0.01)
    press, shear, release = scenario.steps[1:]
    assert press.force == 3 and press.height is None
    assert shear.force is None and shear.drag == pytest.approx((4e-4, -1e-4))
    assert shear.twist == pytest.approx(math.radians(5)) and shear.roll == pytest.approx((5e-4, 0))
    assert release.height == pytest.approx(2e-3)
    assert scenario.seconds == pytest.approx(3.5)


@pytest.mark.parametrize(('old', 'new', 'message'), [
    ('shape: sphere', 'shape: cube', r'indenter\.shape.*cube.*sphere, cylinder, flat'),
    ('radius_mm: 10', 'radius_mm: -1', r'indenter\.radius_mm.*-1'),
    ('friction: 0.7', 'friction: high', r'friction.*high'),
    ('phase: press', 'phase: squash', r'steps\[1\]\.phase.*squash.*press'),
    ('force_n: 3', 'force_n: 300', r'steps\[1\]\.force_n.*300.*to 15'),
    ('force_n: 3', 'force_n: 3, height_mm: 0', r'steps\[1\]\.force_n.*only one'),
    ('x_mm: 0.4', 'z_mm: 0.4', r'unknown key.*z_mm'),
    ('seconds: 1.5', 'seconds: 0', r'steps\[0\]\.seconds.*above 0'),
    ('phase: free, seconds: 1.5', 'phase: free', r'steps\[0\]\.seconds: key is missing'),
    ('height_mm: 2}', 'height_mm: -0.2}', r'steps.*ends in contact.*release'),
    ('twist_deg: 5', 'tilt_deg: 5', r'tilt_deg.*sphere'),
    ('name: test', 'name: test\nspeed: 3', r'unknown key.*speed'),
])
def test_a_wrong_file_names_file_key_found_and_expected(tmp_path, old, new, message):
    assert old in GOOD
    path = write(tmp_path, GOOD.replace(old, new, 1))
    with pytest.raises(FileError, match=message) as caught:
        read_scenario(path)
    assert str(path) in str(caught.value)


def test_no_steps(tmp_path):
    with pytest.raises(FileError, match='at least one step'):
        read_scenario(write(tmp_path, GOOD.partition('steps:')[0] + 'steps: []\n'))


def test_a_scenario_that_does_not_repeat_may_end_in_contact(tmp_path):
    text = GOOD.replace('repeat: true', 'repeat: false').replace('height_mm: 2}', 'force_n: 1}')
    assert read_scenario(write(tmp_path, text)).steps[-1].force == 1


@pytest.mark.parametrize('path', SHIPPED, ids=lambda p: p.stem)
def test_shipped_scenarios_leave_time_for_a_reference(path):
    scenario = read_scenario(path)
    untouched = 0.0
    for step in scenario.steps:
        if step.force or (step.height is not None and step.height < 0):
            break
        untouched += step.seconds
    assert untouched >= 1.5 and scenario.repeat
    assert 8 <= scenario.seconds <= 12


def test_the_thumb_carries_what_three_fingers_press():
    thumb, finger = (read_scenario(next(p for p in SHIPPED if p.stem == f'pick_plum_{name}'))
                     for name in ('thumb', 'finger'))
    assert [s.seconds for s in thumb.steps] == [s.seconds for s in finger.steps]
    for a, b in zip(thumb.steps, finger.steps, strict=True):
        if a.force is not None:
            assert a.force == pytest.approx(3 * b.force)
