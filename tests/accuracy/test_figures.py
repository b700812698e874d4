# SPDX-License-Identifier: Apache-2.0
"""Figures of merit say what they say: small tables with errors that are known."""

import numpy as np
import pytest

from tests.accuracy import figures

FPS = 50.0


def made(tmp_path, change=lambda rows: None, **truth):
    """A Result from a table that repeats the truth, after `change` was made to its columns."""
    n = 200
    time = np.arange(n) / FPS
    wrench = np.zeros((n, 6))
    wrench[50:150, 2] = -2.0
    known = {'first_stamp': 1e9, 't': time, 'wrench': wrench, 'contact': wrench[:, 2] < 0,
             'centroid': np.where(wrench[:, 2:3] < 0, [1e-3, -2e-3], np.nan),
             'stick': np.ones(n), 'slipping': np.zeros(n, bool),
             'press_start': np.array([1.0]), 'press_end': np.array([3.0]),
             'onset': np.array([2.0]), 'onset_press': np.array([0]),
             'onset_phase': np.array(['slide']), **truth}
    rows = {'t': 1e9 + time, **dict(zip(figures._AXES, wrench.T.copy(), strict=True)),
            'cx': known['centroid'][:, 0].copy(), 'cy': known['centroid'][:, 1].copy(),
            'area': np.zeros(n), 'contact': known['contact'].astype(float),
            'stick_ratio': np.ones(n), 'slip': np.zeros(n),
            **{f'sd_{a}': np.full(n, 0.1) for a in figures._AXES}}
    change(rows)
    lines = [','.join(rows)] + [
        ','.join('' if np.isnan(v) else f'{v:.9f}' for v in line)
        for line in zip(*rows.values(), strict=True)]
    (tmp_path / 'wrench.csv').write_text('\n'.join(lines) + '\n', encoding='ascii')
    return figures.Result(tmp_path / 'wrench.csv', known)


def test_truth_itself_meets_every_target(tmp_path):
    def announce(rows):
        rows['slip'][95:110] = 1

    result = made(tmp_path, announce, stick=np.where(np.arange(200) > 80, 0.5, 1.0))
    found = [*figures.wrench_figures(result, ''), *figures.place_figures(result, '')[:1],
             *figures.touch_figures(result, ''), *figures.idle_figures(result, ''),
             *figures.slip_figures(result, '')]
    assert all(f.met for f in found), found


def test_errors_are_per_cent_of_full_scale_under_load(tmp_path):
    def change(rows):
        rows['fz'] += np.where(np.arange(200) < 50, 5.0, 0.4)          # before contact: no matter
        rows['fx'] += 0.08
        rows['tz'] += 1e-3

    normal, shear, torsion = figures.wrench_figures(made(tmp_path, change), '')
    assert normal.value == pytest.approx(100 * 0.4 / 8)
    assert shear.value == pytest.approx(100 * 0.08 / np.sqrt(2) / 4)
    assert torsion.value == pytest.approx(100 * 1e-3 / 20e-3)
    assert not normal.met


def test_position_is_a_distance_in_the_plane(tmp_path):
    def change(rows):
        rows['cx'] += 3e-4
        rows['cy'] += 4e-4

    assert figures.place_figures(made(tmp_path, change), '')[0].value == pytest.approx(0.5)


def test_contacts_without_a_press_and_presses_without_contact_are_counted(tmp_path):
    def change(rows):
        rows['contact'][:] = 0
        rows['contact'][10:15] = 1

    result = made(tmp_path, change)
    seen, real = figures.touch_figures(result, '')
    assert (seen.value, real.value) == (0, 0)
    assert figures.idle_figures(result, '')[0].value == 5


def test_a_slip_told_late_and_an_alarm_while_all_sticks(tmp_path):
    def change(rows):
        rows['slip'][60] = 1          # all sticks
        rows['slip'][99:105] = 1

    result = made(tmp_path, change, press_start=np.array([1.5]))
    announced, lead = figures.slip_figures(result, '')
    assert lead.value == pytest.approx(20)
    assert not announced.met
    told, seconds = figures.early_alarms(result)
    assert [stick for stick, _ in told] == [1, 1] and seconds == pytest.approx(100 / FPS)
    alarms = figures.alarm_figure([(told, seconds), ([], 118.0)], '')
    assert alarms.value == pytest.approx(10) and not alarms.met


def test_coverage_of_a_true_standard_deviation(tmp_path):
    def change(rows):
        for axis in figures._AXES:
            rows[axis] += np.random.default_rng(1).normal(0, 0.1, 200)

    found = figures.coverage_figures([made(tmp_path, change)], '')
    assert all(f.met for f in found)


def test_two_crests_half_a_millimetre_apart_are_resolved_and_one_is_not():
    scale, truth = 6e-5, {'metres_per_px': 6e-5, 'map_frame': [7], 'map_press': [0],
                          'centroid': np.full((8, 2), 1e-3), 'press_turn': [0.4]}
    y, x = (np.mgrid[:240, :320] - np.array([119.5, 159.5])[:, None, None]) * scale - 1e-3
    across = np.cos(0.4) * x + np.sin(0.4) * y
    two = 3e-4 * sum(np.exp(-((across - s) / 1.2e-4) ** 2) for s in (-2.5e-4, 2.5e-4))
    one = 3e-4 * np.exp(-(across / 3e-4) ** 2)
    for found, share in ((two, 100), (one, 0)):
        cells = figures._coarse(found, (120, 160))
        figure, = figures.ridge_figures({7: cells}, {**truth, 'map_depth': [two]}, '')
        assert figure.value == share
