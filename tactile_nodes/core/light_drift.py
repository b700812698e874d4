# SPDX-License-Identifier: Apache-2.0
"""Drift of the LEDs, from a picture in which something may be touched."""

import cv2
import numpy as np

_LEAST_SCATTER = 1e-3          # of blocks at rest, as a fraction of their light
_COLOUR_PART = np.kron(np.eye(3) - 1 / 3, np.ones((3, 3)))
_LEAST_MIXING = 1e-4
_AWAY = 4                      # blocks from what changed from where on the light counts fully
_MAX_STEPS, _SMALL_STEP = 5, 2e-3
_TOGETHER = 50                 # blocks around a contact err together: their errors do not average


def fit_drift(reference, blocks, shape):
    """Change of the light of each channel, as a mixture of the reference's channels.

    LEDs that drift by diag(1 + d), seen through cross-talk M, turn the colour c of a skin at rest
    into M diag(1 + d) M^-1 c wherever it is: one 3 x 3 matrix for the whole image. It is fitted to
    the colours of blocks of the image; a block's brightness may differ, because markers move. The
    fit starts from the middle of the shortest half of each channel's ratios, which stands half of
    the image being touched (P. J. Rousseeuw, J. Am. Stat. Assoc. 79 (1984) 871), and goes on with
    the blocks that agree and are far from those that do not, because skin bulges around a contact.

    Parameters
    ----------
    reference, blocks : (3, N) float64
        Light of the blocks at rest and now.
    shape : (int, int)
        Rows and columns of blocks.

    Returns
    -------
    drift : (3, 3) float64
        At rest, blocks = (1 + drift) reference.
    gain : (3,) float64
        Mean ratio of the blocks that agree, per channel.
    """
    ratio = blocks / reference
    brightness = ratio.mean(axis=0)
    if not brightness.all():
        return -np.eye(3), np.zeros(3)
    colour, scatter = _shortest_half(ratio / brightness)
    drift = np.diag(colour * np.sort(brightness)[len(brightness) // 2] - 1)
    # cross-talk of a tenth at most turns differences of drift into drift that mixes channels
    mixing_sd = 0.1 * np.ptp(colour) + _LEAST_MIXING
    prior = np.diag(np.where(np.eye(3), 1, 1 / mixing_sd ** 2).ravel())
    away = None
    for _ in range(_MAX_STEPS):
        expected = reference + drift @ reference
        residual = blocks / expected
        residual /= residual.mean(axis=0)
        residual -= 1
        agree = 1 - np.square(residual / (4 * scatter)).sum(axis=0)
        np.maximum(agree, 0, out=agree)
        if away is None:
            near = cv2.distanceTransform((agree > 0).reshape(shape).view(np.uint8), cv2.DIST_L2, 3)
            away = np.square(np.minimum(near.ravel() / _AWAY, 1))
        weight = agree * away
        # least squares of the colours: brightness taken out, elements of drift as unknowns
        share = reference / expected[:, None] * weight
        flat = share.reshape(9, -1)
        moment = share @ (residual * weight)[:, :, None]
        variance = _TOGETHER * np.square(scatter.mean())
        step = np.linalg.solve(flat @ flat.T * _COLOUR_PART + variance * prior, moment.ravel())
        drift += step.reshape(3, 3)
        if np.abs(step).max() < _SMALL_STEP:
            break
        typical = np.sort(np.abs(residual), axis=1)[:, residual.shape[1] // 2, None] * 1.48
        scatter = np.clip(typical, _LEAST_SCATTER, scatter)
    # colours do not tell the brightness common to all channels
    expected = reference + drift @ reference
    weight /= max(weight.sum(), 1e-12)
    common = (blocks / expected).mean(axis=0) @ weight
    return (np.eye(3) + drift) * common - np.eye(3), ratio @ weight


def _shortest_half(values):
    """Middle (3,) of the shortest half of each row of (3, N), and the scatter (3, 1) it means."""
    ordered = np.sort(values, axis=1)
    half = values.shape[1] // 2
    length = ordered[:, half:] - ordered[:, :-half]
    start, row = np.argmin(length, axis=1), np.arange(3)
    middle = (ordered[row, start] + ordered[row, start + half]) / 2
    return middle, np.maximum(length[row, start, None] * 0.74, _LEAST_SCATTER)
