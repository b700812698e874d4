# SPDX-License-Identifier: Apache-2.0
"""What is read from a bag is what was put there; expected values by hand."""

import numpy as np
import pytest

pytest.importorskip('mcap')
pytest.importorskip('rosbags')

from tactile_nodes.core.types import AXES
from tactile_nodes.errors import FileError
from tactile_nodes.trials.run import BagReader
from tests.trials import recorded

THUMB, ROWS = '/sorter/thumb', 50


def truth(row):
    """Contact from row 10 on, slipping from row 30 to 39."""
    return np.array([0.1, -0.2, -2.0, 1e-3, 2e-3, 3e-3]) * (row if row >= 10 else 0)


@pytest.fixture(scope='module')
def bag(tmp_path_factory):
    folder = tmp_path_factory.mktemp('run') / 'bag'
    error = np.array([0.3, -0.4, 0.5, 0, 1e-3, 0])
    sd = np.array([0.1, 0.1, 0.2, np.inf, 1e-3, 1e-3])
    recorded.write_bag(folder, {
        'wrench': [(i, recorded.wrench(i, truth(i) + error)) for i in range(ROWS)],
        'wrench/stddev': [(i, recorded.wrench(i, sd)) for i in range(ROWS)],
        'truth/wrench': [(i, recorded.wrench(i, truth(i))) for i in range(ROWS) if i != 20],
        'contact/slipping': [(i, recorded.data('Bool', 30 <= i < 40)) for i in range(ROWS)],
        'contact/stick_ratio': [(i, recorded.data('Float32', i / 64)) for i in range(ROWS)],
    })
    return folder


@pytest.fixture(scope='module')
def run(bag):
    with BagReader(bag) as reader:
        return reader.finger(THUMB)


def test_rows_are_frames(run):
    assert run.stamp_ns.tolist() == [recorded.stamp_of(i) for i in range(ROWS)]
    assert run.wrench.shape == run.sd.shape == run.truth.shape == (ROWS, 6)
    assert run.wrench[30, 2] == pytest.approx(-60 + 0.5)
    assert run.stick_ratio.tolist() == [i / 64 for i in range(ROWS)]
    assert np.flatnonzero(run.slipping).tolist() == list(range(30, 40))


def test_truth_is_joined_by_stamp(run):
    assert np.isnan(run.truth[20]).all()
    assert np.allclose(run.truth[21], truth(21))


def test_error_is_that_of_the_measured_axes(run):
    rmse = run.rmse()
    assert rmse['tx'] is None                                       # sd is inf
    expected = {'fx': 0.3, 'fy': 0.4, 'fz': 0.5, 'ty': 1e-3, 'tz': 0.0}
    assert {axis: rmse[axis] for axis in expected} == pytest.approx(expected, abs=1e-12)
    assert list(rmse) == list(AXES)


def test_contact_is_where_the_truth_is_not_zero(run):
    assert np.flatnonzero(run.in_contact).tolist() == [i for i in range(10, ROWS) if i != 20]
    assert run.rmse(run.in_contact)['fz'] == pytest.approx(0.5)
    assert run.rmse(np.zeros(ROWS, bool))['fz'] is None


def test_part_of_a_run(run):
    part = run.between(recorded.stamp_of(5), recorded.stamp_of(9))
    assert len(part.stamp_ns) == 5
    assert part.wrench.shape == (5, 6)
    assert part.slipping.shape == (5,)


def test_moments_are_the_extremes_and_the_first_slip(run):
    moments = run.moments()
    assert moments[30] == 'first slip warning'
    assert 49 in moments and list(moments) == sorted(moments)
    assert run.between(0, 1).moments() == {}


def test_a_finger_without_messages_is_empty(bag):
    with BagReader(bag) as reader:
        run = reader.finger('/sorter/ring')
    assert run.wrench.shape == (0, 6) and run.rmse()['fz'] is None


def test_what_is_no_bag_is_named(tmp_path):
    with pytest.raises(FileError, match='not a readable bag'):
        BagReader(tmp_path)


def test_a_frame_is_what_the_nodes_published(tmp_path):
    pixels = np.full((*recorded.SHAPE, 3), 90, np.uint8)
    markers = [(1e-3, 2e-3, 0, 1e-4, 2e-4, 0, 7), (0, 0, 0, np.nan, np.nan, np.nan, 8)]
    forces = np.array([0.5, 0.2, -2.0, 0, 0, 1e-3])
    recorded.write_bag(tmp_path / 'bag', {
        'wrench': [(0, recorded.wrench(0, forces)), (1, recorded.wrench(1, forces))],
        'wrench/stddev': [(0, recorded.wrench(0, np.full(6, 0.25)))],
        'image_raw/compressed': [(0, recorded.jpeg(0, pixels))],
        'markers/displacement': [(0, recorded.cloud(0, markers))],
    })
    with BagReader(tmp_path / 'bag') as reader:
        run = reader.finger(THUMB)
        image, field, estimate = reader.frame(THUMB, run, 0)
        assert reader.frame(THUMB, run, 1) is None                       # no image of that frame
    assert np.abs(image.astype(int) - pixels).max() <= 2                 # JPEG of a flat grey
    assert field.ids.tolist() == [7, 8] and field.valid.tolist() == [True, False]
    assert np.allclose(field.rest[0], [1e-3, 2e-3])
    assert np.allclose(field.displacement[0], [1e-4, 2e-4])
    assert np.allclose(estimate.wrench, forces) and np.allclose(estimate.sd, 0.25)
    assert estimate.stick_ratio == 1.0 and not estimate.slipping
