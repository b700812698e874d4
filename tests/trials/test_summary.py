# SPDX-License-Identifier: Apache-2.0
"""Rate, drops and latency of made-up arrivals whose answers are known."""

import json
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from tactile_nodes.core.types import AXES
from tactile_nodes.trials.run import FingerRun
from tactile_nodes.trials.summary import summarise, write_summary

PERIOD = 20_000_000          # 50 Hz
START = 10**18
EMPTY = FingerRun(np.zeros(0, np.int64), *(np.zeros((0, 6)) for _ in range(3)), np.zeros(0),
                  np.zeros(0, bool))


def arrivals(rows, latency_ms=5.0):
    stamps = START + np.asarray(rows, np.int64) * PERIOD
    return np.stack([stamps + np.int64(latency_ms * 1e6), stamps], axis=1)


def summary(came, seconds=2.0):
    return summarise(came, (START, START + int(seconds * 1e9)), 50.0, EMPTY)


def test_every_frame_in_time():
    found = summary(arrivals(range(100)))
    assert (found['frames'], found['rate_hz'], found['dropped']) == (100, 50.0, 0)
    assert found['latency_ms'] == {'p50': 5.0, 'p99': 5.0}
    assert found['wrench_rmse'] == dict.fromkeys(AXES)


def test_gaps_of_the_stamps_are_drops_also_when_messages_come_in_disorder():
    rows = [i for i in range(100) if i not in (10, 11, 50)]
    rows[0], rows[1] = rows[1], rows[0]
    found = summary(arrivals(rows))
    assert (found['frames'], found['dropped']) == (97, 3)


def test_stamps_that_jitter_are_not_drops():
    came = arrivals(range(100))
    came[:, 1] += np.random.default_rng(1).integers(-4_000_000, 4_000_000, 100)
    assert summary(came)['dropped'] == 0


def test_a_finger_that_stops_early_has_a_lower_rate():
    assert summary(arrivals(range(50)))['rate_hz'] == 25.0


def test_percentiles_of_the_latency():
    came = arrivals(range(100))
    came[:, 0] = came[:, 1] + np.arange(1, 101) * 1_000_000
    assert summary(came)['latency_ms'] == {
        'p50': pytest.approx(50.5), 'p99': pytest.approx(99.01)}


def test_nothing_arrived():
    found = summary(arrivals([]))
    assert (found['frames'], found['rate_hz'], found['dropped']) == (0, 0.0, 0)
    assert found['latency_ms'] == {'p50': None, 'p99': None}


def test_file_is_json_for_any_reader(tmp_path):
    hand = SimpleNamespace(name='sorter', path=Path('hands') / 'hand.yaml')
    write_summary(tmp_path / 's.json', hand, (START, START + 2 * 10**9),
                  {'thumb': summary(arrivals(range(100)))})
    text = (tmp_path / 's.json').read_text()
    read = json.loads(text, parse_constant=lambda name: pytest.fail(f'{name} is not JSON'))
    assert read['hand'] == 'sorter' and read['seconds'] == 2.0
    assert read['began'].startswith('2001-09-09T01:46:40')               # 10^9 s, Unix time
    assert read['fingers']['thumb']['frames'] == 100
