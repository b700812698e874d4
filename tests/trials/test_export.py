# SPDX-License-Identifier: Apache-2.0
"""What is exported is what was recorded, on one clock; read with h5py and with h5dump."""

import runpy
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip('h5py')
pytest.importorskip('mcap')
pytest.importorskip('rosbags')

import h5py

from tactile_nodes.cli.main import main
from tactile_nodes.trials.export import nearest_rows
from tests.trials.made import JOINTS, PERIOD, joint_state, make_trial

ROOT = Path(__file__).parents[2]
A, B = np.array([[0.9, 0.1], [-0.05, 0.95]]), np.array([[2e-4, 0.0], [1e-4, -3e-4]])


def driven(seed):
    """Keypoints over frames that follow x' = A x + B u, and u over frames."""
    rng = np.random.default_rng(seed)
    u = rng.normal(size=(180, 2))
    u[100:112] = u[99]                        # held while no commands come
    x = np.zeros((181, 2))
    for frame in range(180):
        x[frame + 1] = A @ x[frame] + B @ u[frame]
    return x, u


@pytest.fixture(scope='module')
def trials(tmp_path_factory):
    """Two trials of which one lost frames, joints in changing order."""
    output = tmp_path_factory.mktemp('trials')
    for number, lost in ((0, ()), (1, (50, 51, 52))):
        x, u = driven(number)
        start = make_trial(output, f'trial_{number}', number=number).start_ns
        shutil.rmtree(output / f'trial_{number}')
        signals = []
        for frame in range(180):
            if 100 <= frame < 112:
                continue                                       # no commands for 0.2 s
            names, values = ('a', 'b'), u[frame]
            if frame % 2:
                names, values = names[::-1], values[::-1]
            at = frame * PERIOD - 0.001
            signals.append(('/joint_states', JOINTS, at, joint_state(
                start + round(at * 1e9), names, values)))
        make_trial(output, f'trial_{number}', number=number, lost=lost, signals=signals,
                   outcome='dropped' if number else 'success',
                   place=lambda time, x=x: (*x[round(time / PERIOD)], 1e-4))
    return output


@pytest.fixture(scope='module')
def exported(trials, tmp_path_factory):
    path = tmp_path_factory.mktemp('export') / 'trials.h5'
    assert main(['export', str(trials), '--out', str(path), '--pictures', 'none',
                 '--workers', '1']) == 0
    assert [file.name for file in path.parent.iterdir()] == ['trials.h5']
    return path


def test_rows_are_frames_and_gaps_are_not_filled(exported):
    with h5py.File(exported) as file:
        assert list(file) == ['trial_0', 'trial_1']
        trial = file['trial_1']
        assert trial.attrs['outcome'] == 'dropped' and trial.attrs['rate_hz'] == 60
        time, thumb = trial['time'][:], trial['thumb']
        assert np.allclose(np.diff(time), PERIOD)
        assert np.flatnonzero(~thumb['valid'][:180]).tolist() == [50, 51, 52]
        assert np.isnan(thumb['wrench'][50:53]).all()
        touching = (time >= 0.5) & (time < 2.0) & thumb['valid'][:]
        assert (thumb['in_contact'][:] == touching).all()
        assert (thumb['keypoint_valid'][:] == touching).all()
        assert np.allclose(thumb['wrench'][touching], [0, 0.25, -1, 0, 0, 0])
        assert thumb['wrench_valid'][0].tolist() == [True] * 5 + [False], 'sd is inf'
        assert thumb['keypoint'].attrs['unit'] == 'm' and thumb.attrs['frame_id'] == 'thumb_tip'
        x, _ = driven(1)
        assert np.allclose(thumb['keypoint'][60, :2], x[60])
        assert thumb['stamp_ns'][60] - trial.attrs['start_ns'] == round(60 * PERIOD * 1e9)


def test_signals_are_held_briefly_and_joints_keep_their_column(exported):
    with h5py.File(exported) as file:
        signal, (_, u) = file['trial_0']['signals/joint_states'], driven(0)
        assert list(signal.attrs['names']) == ['a', 'b']
        assert np.allclose(signal['position'][:100], u[:100])
        # the last came at frame 99 and is good for 0.1 s, 5 more frames
        assert np.flatnonzero(~signal['valid'][:180]).tolist() == list(range(105, 112))
        assert np.isnan(signal['position'][106]).all() and 'velocity' not in signal


def test_model_of_the_example_is_the_one_that_made_the_data(exported):
    example = runpy.run_path(str(ROOT / 'docs' / 'keypoint_model.py'))
    a, b, c, rms, count = example['fit'](exported, 'thumb', 'signals/joint_states/position')
    assert a == pytest.approx(A, abs=1e-8) and b == pytest.approx(B, abs=1e-12)
    assert np.abs(c).max() < 1e-10 and rms < 1e-12
    assert 150 < count < 180


def test_the_same_bytes_in_several_processes_and_after_a_stop(trials, exported, tmp_path,
                                                             monkeypatch, capsys):
    words = ['export', str(trials), '--pictures', 'none', '--out']
    assert main([*words, str(tmp_path / 'two.h5'), '--workers', '2']) == 0
    assert (tmp_path / 'two.h5').read_bytes() == exported.read_bytes()
    # a run that was stopped after the first trial goes on from there
    from tactile_nodes.trials import export
    export_trial, done = export.export_trial, []
    monkeypatch.setattr(export, 'export_trial', lambda folder, *more: (
        done.append(folder.name), export_trial(folder, *more))[1])
    assert main([*words, str(tmp_path / 'three.h5'), '--workers', '1']) == 0
    assert done == ['trial_0', 'trial_1']
    assert main([*words, str(tmp_path / 'three.h5'), '--workers', '1']) == 0
    assert done == ['trial_0', 'trial_1'], 'nothing is done twice'
    assert (tmp_path / 'three.h5').read_bytes() == exported.read_bytes()
    capsys.readouterr()


def test_h5dump_reads_it(exported):
    if shutil.which('h5dump') is None:
        pytest.skip('h5dump is not installed: apt install hdf5-tools')
    said = subprocess.run(['h5dump', '-d', '/trial_0/thumb/wrench', '-s', '60,2', '-c', '1,1',
                           str(exported)], capture_output=True, text=True, check=True).stdout
    assert '(60,2): -1' in said and 'H5T_IEEE_F64LE' in said


def test_what_cannot_be_exported_is_named_and_the_rest_goes_on(trials, tmp_path, capsys):
    shutil.copytree(trials, tmp_path / 'trials')
    bag, = (tmp_path / 'trials' / 'trial_0').glob('*.mcap')
    bag.write_bytes(bag.read_bytes()[:-500])
    assert main(['export', str(tmp_path / 'trials'), '--out', str(tmp_path / 'a.h5'),
                 '--workers', '1']) == 0
    said = capsys.readouterr()
    assert 'trial_0: the bag is not whole' in said.err and 'tactile trial repair' in said.err
    assert '1 trials, 1 left out' in said.out
    with h5py.File(tmp_path / 'a.h5') as file:
        assert list(file) == ['trial_1']
        assert any('no images' in text or 'no calibration' in text
                   for text in file['trial_1'].attrs['left_out'])
    shutil.rmtree(tmp_path / 'trials' / 'trial_1')
    assert main(['export', str(tmp_path / 'trials'), '--out', str(tmp_path / 'b.h5'),
                 '--workers', '1']) == 2
    assert not (tmp_path / 'b.h5').exists()


def test_nearest_rows():
    stamps = np.array([0.0, 0.1, 0.21, 0.5])
    time = np.arange(7) / 10
    assert nearest_rows(stamps, time).tolist() == [0, 1, 2, -1, -1, 3, -1]
    assert nearest_rows(np.zeros(0), time).tolist() == [-1] * 7
