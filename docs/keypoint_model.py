# SPDX-License-Identifier: Apache-2.0
"""Learn from touch: fit how the contact keypoint moves, x' = A x + B u, to exported trials.

x is where a finger feels the object (m), u a recorded signal such as joint positions; both are
taken only from rows that are valid now and in the next row, so that nothing spans a gap.

    tactile export recordings --out trials.h5
    python keypoint_model.py trials.h5 thumb signals/joint_states/position
"""

import sys

import h5py
import numpy as np


def pairs(trial, finger, signal):
    """x (N, 2), u (N, K) and the next x (N, 2) of one trial."""
    x, u = trial[finger]['keypoint'][:, :2], trial[signal][:]
    valid = trial[finger]['keypoint_valid'][:] & trial[signal].parent['valid'][:]
    now = np.flatnonzero(valid[:-1] & valid[1:])
    return x[now], u[now], x[now + 1]


def fit(path, finger, signal):
    """Least squares over all trials that have the signal.

    Returns
    -------
    A : (2, 2), B : (2, K), c : (2,)
        x' = A x + B u + c, m.
    rms : float
        Of the error of one step, m.
    count : int
        Steps used.
    """
    with h5py.File(path, 'r') as file:
        parts = [pairs(trial, finger, signal) for trial in file.values()
                 if finger in trial and signal in trial]
    x, u, after = (np.concatenate(column) for column in zip(*parts, strict=True))
    known = np.column_stack([x, u, np.ones(len(x))])
    solution, *_ = np.linalg.lstsq(known, after, rcond=None)
    rms = float(np.sqrt(np.mean((known @ solution - after) ** 2)))
    return solution[:2].T, solution[2:-1].T, solution[-1], rms, len(x)


if __name__ == '__main__':
    a, b, c, rms, count = fit(*sys.argv[1:])
    print(f'A = {a.tolist()}\nB = {b.tolist()}\nc = {c.tolist()} m')
    print(f'{count} steps, rms error of one step {1e3 * rms:.4f} mm')
