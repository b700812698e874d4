# SPDX-License-Identifier: Apache-2.0
"""What a trial's bag says, by hand; drops from touch on scripted contacts."""

from types import SimpleNamespace

import numpy as np
import pytest

pytest.importorskip('mcap')
pytest.importorskip('rosbags')

from tactile_nodes.errors import DataError, FileError
from tactile_nodes.files.trial import read_trial
from tactile_nodes.trials.compare import conditions, difference, proposals, same_hand
from tactile_nodes.trials.drops import grasps, propose_drop, stretches
from tactile_nodes.trials.review import numbers, review
from tests.trials.made import PERIOD, make_trial, point


def test_numbers_of_a_held_object(tmp_path):
    make_trial(tmp_path, 'held', lost=(40, 41, 42))
    reviewed = review(tmp_path / 'held')
    assert reviewed.proposed is None and reviewed.drop_at is None
    assert reviewed.grasp == pytest.approx((0.5, 2.0), abs=PERIOD)
    found = numbers(reviewed)
    assert found['grasp_s'] == pytest.approx(1.5, abs=2 * PERIOD)
    assert found['slips'] == 0 and found['first_slip_s'] is None
    thumb = found['fingers']['thumb']
    assert (thumb['frames'], thumb['lost']) == (177, 3)
    assert thumb['peak_press_n'] == thumb['mean_press_n'] == 1.0
    assert thumb['peak_shear_n'] == 0.25 and thumb['goal_error_mm'] is None


def test_numbers_of_a_drop(tmp_path):
    make_trial(tmp_path, 'dropped', outcome='dropped', slides=True)
    reviewed = review(tmp_path / 'dropped')
    assert reviewed.proposed.at == pytest.approx(2.0, abs=PERIOD)
    assert reviewed.proposed.slid_from == pytest.approx(1.7, abs=PERIOD)
    assert reviewed.drop_at == reviewed.proposed.at, 'nobody said when: touch does'
    found = numbers(reviewed)
    assert found['dropped_after_s'] == pytest.approx(1.5, abs=2 * PERIOD)
    assert found['slips'] == 2 and found['slips_per_minute'] == pytest.approx(80, rel=0.03)
    assert found['first_slip_s'] == pytest.approx(1.2, abs=2 * PERIOD)


def test_a_warning_alone_is_no_slide(tmp_path):
    make_trial(tmp_path, 'warned', slides=True, stick=0.3)
    reviewed = review(tmp_path / 'warned')
    assert reviewed.fingers['thumb'].slipping.any() and reviewed.proposed is None
    assert numbers(reviewed)['slips'] == 0


def test_a_person_knows_better_than_touch(tmp_path):
    make_trial(tmp_path, 'said', outcome='dropped', drop_at=1.5, slides=True)
    assert review(tmp_path / 'said').drop_at == 1.5
    make_trial(tmp_path, 'held', outcome='success', slides=True)
    reviewed = review(tmp_path / 'held')
    assert reviewed.proposed is not None and reviewed.drop_at is None


def test_distance_from_the_goal(tmp_path):
    trial = make_trial(tmp_path, 'goal', place=lambda time: (1e-3, 2e-3, 0))
    start = trial.start_ns
    signals = [('/sorter/thumb/contact/goal', 'geometry_msgs/msg/PointStamped', 0.1,
                point(start, (1e-3, 0, 0)))]
    make_trial(tmp_path, 'with', place=lambda time: (1e-3, 2e-3, 0), signals=signals)
    found = numbers(review(tmp_path / 'with'))['fingers']
    assert found['thumb']['goal_error_mm'] == pytest.approx(2.0)
    assert found['index']['goal_error_mm'] is None


def test_what_cannot_be_reviewed_is_named(tmp_path):
    trial = make_trial(tmp_path, 'none', fingers=())
    with pytest.raises(FileError, match='no wrench in the bag'):
        review(trial.folder)
    text = (trial.folder / 'trial.yaml').read_text().replace('finished', 'recording')
    (trial.folder / 'trial.yaml').write_text(text)
    with pytest.raises(FileError, match='trial repair'):
        review(trial.folder)
    (trial.folder / 'trial.yaml').write_text('outcome: maybe\n')
    with pytest.raises(FileError, match='outcome'):
        review(trial.folder)


def test_labels(tmp_path):
    trial = make_trial(tmp_path, 'a', outcome=None)
    assert read_trial(trial.folder) == trial
    assert trial.labelled('dropped', 1.0).drop_at == 1.0
    with pytest.raises(DataError, match='wrong outcome'):
        trial.labelled('lost')
    with pytest.raises(DataError, match='without a drop'):
        trial.labelled('success', 1.0)


TIME = np.arange(0, 4, PERIOD)


def touch(begin=0.5, end=2.0, slip=(), press=1.0, release=0.0):
    """A finger in contact from begin to end, its grip loosened over `release` s before that."""
    share = np.clip((end - TIME) / release, 0, 1) if release else end > TIME
    contact = (begin <= TIME) & (end > TIME)
    slipping = np.zeros(len(TIME), bool)
    for first, last in slip:
        slipping |= (first <= TIME) & (last > TIME)
    return SimpleNamespace(time=TIME, press=press * share * contact, in_contact=contact,
                           sliding=slipping & contact)


def both(**script):
    return {'thumb': touch(**script), 'index': touch(**script)}


@pytest.mark.parametrize(('script', 'dropped'), [
    ({}, False),                                                    # let go without a slide
    ({'slip': [(1.8, 2.0)]}, True),
    ({'slip': [(1.88, 2.0)]}, True),                                # a fast one
    ({'slip': [(1.2, 1.5), (1.7, 2.0)]}, True),
    ({'slip': [(1.0, 1.4)]}, False),                                # caught
    ({'slip': [(1.88, 2.0)], 'release': 0.3}, False),               # slides as the grip opens
    ({'slip': [(1.97, 2.0)]}, False),
    ({'slip': [(1.8, 2.0)], 'press': 0.02}, False),                 # hardly a grip
])
def test_drop_or_not(script, dropped):
    found = propose_drop(both(**script))
    assert bool(found) == dropped
    if dropped:
        assert found.at == pytest.approx(2.0, abs=PERIOD)


def test_one_finger_that_slides_is_no_drop():
    fingers = {'thumb': touch(slip=[(1.7, 2.0)]), 'index': touch(end=2.2), 'ring': touch(end=2.3)}
    assert propose_drop(fingers) is None
    assert propose_drop({'thumb': touch(slip=[(1.7, 2.0)])}) is None, 'no grasp at all'
    assert propose_drop({}) is None


def test_grasps_are_two_fingers_in_contact():
    fingers = {'thumb': touch(0.5, 2.0), 'index': touch(0.7, 2.5), 'ring': touch(0.9, 1.0)}
    (begin, end), = grasps(fingers)
    assert (begin, end) == pytest.approx((0.7, 2.0), abs=PERIOD)
    assert grasps({'thumb': touch(0.5, 5.0), 'index': touch(0.5, 5.0)}) == [], 'has no end'


def test_brief_gaps_do_not_count():
    flags = np.array([0, 1, 1, 0, 1, 1, 0, 0, 0, 1, 0], bool)
    time = np.arange(11.0)
    assert stretches(time, flags) == [(1, 3), (4, 6), (9, 10)]
    assert stretches(time, flags, brief=2.0) == [(1, 6)]


def summary(name, condition, outcome, held, drop=None, *, proposed=None, hand='sorter'):
    return {'name': name, 'hand': hand, 'condition': condition, 'outcome': outcome,
            'grasp_s': held, 'dropped_after_s': drop, 'proposed_drop_s': proposed,
            'started': name, 'fingers': {'thumb': {'peak_press_n': 2.0}, 'ring':
                                         {'peak_press_n': 3.0}}}


def test_comparison_counts_and_keeps_what_is_not_labelled_apart():
    trials = [summary('a', 'firm', 'success', 2.0),
              summary('b', 'firm', 'dropped', 1.0, 1.0, proposed=1.1),
              summary('c', 'firm', None, 3.0), summary('d', 'firm', 'aborted', 0.5),
              summary('e', 'gentle', None, 3.0), summary('f', 'gentle', None, None)]
    firm, gentle = conditions(trials)
    assert firm.success[0] == 0.5 and firm.outcomes['aborted'] == 1
    assert sorted(zip(firm.times, firm.events, strict=True)) == [
        (0.5, False), (1.0, True), (2.0, False)]
    assert gentle.success is None and gentle.curve is None, 'no labelled trial'
    assert difference([firm, gentle]) is None
    assert firm.over_fingers('peak_press_n', max) == [3.0] * 4
    assert proposals(trials) == {'right': 1, 'false': 0, 'missed': 0, 'none': 1}


def test_another_hand_is_left_out_by_name():
    trials = [summary('a', 'x', None, 1.0), summary('b', 'x', None, 1.0),
              summary('c', 'x', None, 1.0, hand='packer')]
    kept, left_out = same_hand(trials)
    assert [trial['name'] for trial in kept] == ['a', 'b']
    assert left_out == [('c', 'is of the hand packer, the comparison of sorter')]
