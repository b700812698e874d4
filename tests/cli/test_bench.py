# SPDX-License-Identifier: Apache-2.0
"""The benchmark: its sums, its report, and short real runs of both halves."""

import os

import numpy as np
import pytest

from tactile_nodes.cli import bench, bench_stages
from tactile_nodes.cli.bench_page import write_page
from tactile_nodes.files.calibration import read_calibration
from tactile_nodes.files.hand import read_hand
from tactile_nodes.hand.resources import shipped

RUN = {'rate_hz': 59.9, 'dropped': 0.002, 'cores': 0.7, 'source_cores': 0.15, 'memory_mb': 150.0,
       'latency_ms': {'p50': 6.0, 'p99': 7.5, 'p99.9': 12.0}}
NUMBERS = {
    'software_version': '0', 'began': '2026-01-02T03:04:05', 'budgets': [],
    'machine': {'processor': 'a <plain> one', 'cores': 2, 'python': '3.11'},
    'stages': {'contact': (1.0, 0.9, 1.1), bench_stages.WHOLE: (2.4, 2.2, 2.7),
               bench_stages.FARNEBACK: (12.0, 11.0, 13.0)},
    'by_size': {'160x120': 1.0, '320x240': 2.4}, 'by_markers': {'50': 2.0, '120': 2.4},
    'hand': [{'fingers': 1, 'rate': 60, 'layout': 'split', **RUN},
             {'fingers': 4, 'rate': 60, 'layout': 'composed', **RUN}]}


@pytest.fixture(scope='module')
def shot():
    hand = read_hand(shipped('config/four_finger_hand.yaml'))
    finger = hand.fingers[1]
    return bench_stages.footage(hand, finger, read_calibration(finger.calibration_file), frames=8)


@pytest.mark.filterwarnings('ignore')      # of other methods' libraries, where installed
def test_every_stage_and_other_method_is_timed_on_every_frame(shot):
    found = bench_stages.compare(shot)
    assert {'decode (JPEG)', 'overlay', *bench_stages.STAGES, bench_stages.WHOLE,
            bench_stages.FARNEBACK} <= set(found)
    assert all(0 < low <= middle <= high for middle, low, high in found.values())
    parts = sum(found[stage][0] for stage in bench_stages.STAGES)
    assert found[bench_stages.WHOLE][0] == pytest.approx(parts, rel=0.5)


def test_marker_count_follows_the_pitch(shot):
    hand = read_hand(shipped('config/four_finger_hand.yaml'))
    fine = bench_stages.footage(hand, hand.fingers[1], shot.calibration, frames=2, pitch=1e-3)
    few, many = bench_stages.growth(shot)[1], bench_stages.growth(fine)[1]
    ratio = (shot.elastomer.marker_pitch / 1e-3) ** 2
    assert many / few == pytest.approx(ratio, rel=0.2)


def test_stopwatch_counts_processor_time():
    watch = bench_stages.Stopwatch()
    assert watch.run('sum', np.sum, np.ones((500, 500))) == 250_000
    watch.run('sum', np.sum, np.ones((500, 500)))
    middle, low, high = watch.spread()['sum']
    assert 0 < low <= middle <= high


def test_budgets_are_told_from_the_numbers():
    found = bench.budgets(NUMBERS)
    assert [budget['holds'] for budget in found] == [True, True, True, True]
    assert [budget['found'] for budget in found] == [2.4, 0.2, 0.55, 7.5]
    slow = {**NUMBERS, 'stages': {**NUMBERS['stages'], bench_stages.WHOLE: (3.6, 3.0, 4.0)}}
    assert [budget['holds'] for budget in bench.budgets(slow)] == [False, False, True, True]


def test_report_says_what_was_measured(tmp_path):
    numbers = {**NUMBERS, 'budgets': bench.budgets(NUMBERS)}
    text = '\n'.join(bench.lines(numbers))
    assert '4 x 60 composed' in text and '0.200' in text and 'EXCEEDED' not in text
    write_page(tmp_path / 'index.html', numbers)
    page = (tmp_path / 'index.html').read_text(encoding='utf-8')
    assert page.count('<svg') == 3 and 'a &lt;plain&gt; one' in page


@pytest.mark.parametrize('text', ['0', 'nan', '1e9', 'long'])
def test_a_wrong_time_is_refused(text, capsys):
    from tactile_nodes.cli import main as cli
    with pytest.raises(SystemExit) as ended:
        cli.main(['bench', '--seconds', text])
    assert ended.value.code == 2
    assert 'seconds' in capsys.readouterr().err


def test_a_running_hand_is_measured_from_outside(shot, tmp_path, monkeypatch):
    pytest.importorskip('rclpy', reason='ROS is not installed')
    from tactile_nodes.cli.bench_hand import measure, recorded_hand

    monkeypatch.setenv('ROS_AUTOMATIC_DISCOVERY_RANGE', 'LOCALHOST')
    monkeypatch.setenv('ROS_DOMAIN_ID', str(1 + os.getpid() % 100))
    for i, jpeg in enumerate(shot.jpegs):
        (tmp_path / f'{i}.jpg').write_bytes(jpeg.tobytes())
    hand = recorded_hand(read_hand(shipped('config/four_finger_hand.yaml')), tmp_path, 1, 20.0)
    found = measure(hand, 2.0)
    assert 5 < found['rate_hz'] < 21 and 0 <= found['dropped'] < 1
    assert 0 < found['latency_ms']['p50'] <= found['latency_ms']['p99.9']
    assert 0.01 < found['cores'] < 2 and 50 < found['memory_mb'] < 1000
