# SPDX-License-Identifier: Apache-2.0
"""A recorded session is a bag that others' readers read, and its truth belongs to its pictures."""

import numpy as np
import pytest
from rosbags.rosbag2 import Reader
from rosbags.typesys import Stores, get_typestore

from tests.accuracy import sessions
from tests.accuracy.session import Recorder, lamp_levels


@pytest.fixture(scope='module')
def recorded(tmp_path_factory):
    folder = tmp_path_factory.mktemp('session')
    session = sessions.other('ball', 2, count=1)
    session = type(session)(**{**session.__dict__, 'plans': session.plans[:1],
                               'idle_first': 0.4, 'rate': 10.0})
    Recorder(session, folder).record()
    messages = {}
    store = get_typestore(Stores.ROS2_JAZZY)
    with Reader(folder / 'bag') as reader:
        for connection, _, raw in reader.messages():
            messages.setdefault(connection.topic, []).append(
                store.deserialize_cdr(raw, connection.msgtype))
    return session, messages, np.load(folder / 'truth.npz')


def stamps(messages):
    return np.array([m.header.stamp.sec + m.header.stamp.nanosec * 1e-9 for m in messages])


def test_every_picture_has_a_truth(recorded):
    session, messages, truth = recorded
    pictures = messages['/probe/camera/image']
    assert len(pictures) == len(truth['t'])
    assert stamps(pictures) - truth['first_stamp'] == pytest.approx(truth['t'], abs=1e-6)
    assert {(m.height, m.width, m.encoding) for m in pictures} == {(240, 320, 'rgb8')}


def test_reference_sensor_is_late_noisy_and_offset(recorded):
    session, messages, truth = recorded
    sensor = session.fingertip.sensor
    readings = messages['/load_cell/wrench']
    late = stamps(readings) - truth['first_stamp'] - truth['dense'][:, 0]
    assert late == pytest.approx(np.full(len(late), sensor.late), abs=1e-6)
    fz = np.array([m.wrench.force.z for m in readings])
    error = fz - truth['dense'][:, 3]
    assert error.mean() == pytest.approx(sensor.zero[2], abs=1e-3)
    assert error.std() == pytest.approx(sensor.force_noise, rel=0.1)


def test_contact_points_are_the_centroid(recorded):
    _, messages, truth = recorded
    points = np.array([(m.point.x, m.point.y) for m in messages['/stage/contact_point']])
    known = truth['centroid'][np.isfinite(truth['centroid'][:, 0])]
    assert points == pytest.approx(known, abs=1.2e-4)


def test_depth_map_is_as_deep_as_the_press(recorded):
    _, _, truth = recorded
    assert truth['map_depth'].shape == (1, 240, 320)
    assert truth['map_depth'][0].max() == pytest.approx(truth['press_depth'][0], rel=0.05)


def test_drift_is_what_the_session_says():
    session = sessions.idle_drift(1)
    levels = np.array([lamp_levels(session, t) for t in np.arange(0, 240, 0.5)])
    assert 0.03 < np.abs(levels - 1).max() <= 0.05


def test_same_seed_same_recording_other_seed_other_fingertip():
    one, again, other = (sessions.make_fingertip(s) for s in (1, 1, 2))
    assert one.lamps == again.lamps
    assert one.layer == again.layer
    assert other.lamps != one.lamps
    assert other.layer != one.layer
