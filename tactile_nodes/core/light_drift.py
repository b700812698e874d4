# SPDX-License-Identifier: Apache-2.0
"""Drift of the LEDs, from a picture in which something may be touched."""

import cv2
import numpy as np

_LEAST_SCATTER = 1e-3          # of blocks at rest, as a fraction of their light
_ROWS = np.arange(3)
_SAME = np.eye(3)
_MIXING = 1 - _SAME
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
    mixture : (3, 3) float64
        At rest, blocks = mixture reference.
    gain : (3,) float64
        Mean ratio of the blocks that agree, per channel.
    """
    ratio = blocks / reference
    brightness = ratio.sum(axis=0) / 3
    if not brightness.all():
        return np.zeros((3, 3)), np.zeros(3)
    colour, scatter = _shortest_half(ratio / brightness)
    mixture = _SAME * (colour * _middle(brightness))
    # cross-talk of a tenth at most turns differences of drift into drift that mixes channels
    mixing_sd = 0.1 * (colour.max() - colour.min()) + _LEAST_MIXING
    prior = _TOGETHER * (_SAME + _MIXING / mixing_sd ** 2).ravel()
    away = None
    for _ in range(_MAX_STEPS):
        expected = mixture @ reference
        residual = blocks / expected
        residual *= 3 / residual.sum(axis=0)
        residual -= 1
        agree = 1 - (0.25 / scatter) ** 2 @ (residual * residual)
        np.maximum(agree, 0, out=agree)
        if away is None:
            near = cv2.distanceTransform((agree > 0).reshape(shape).view(np.uint8), cv2.DIST_L2, 3)
            away = np.minimum(near.ravel() / _AWAY, 1) ** 2
        weight = agree * away
        # least squares of the colours: brightness taken out, elements of the mixture as unknowns
        share = reference / expected[:, None] * weight
        moment = share @ (residual * weight)[:, :, None]
        share = share.reshape(9, -1)
        normal = share @ share.T * _COLOUR_PART
        normal.ravel()[::10] += prior * (scatter.sum() / 3) ** 2
        step = cv2.solve(normal, moment.reshape(9, 1), flags=cv2.DECOMP_CHOLESKY)[1]
        mixture += step.reshape(3, 3)
        if abs(step).max() < _SMALL_STEP:
            break
        typical = _middle(abs(residual)) * 1.48
        scatter = np.minimum(np.maximum(typical, _LEAST_SCATTER), scatter)
    # colours do not tell the brightness common to all channels
    weight /= max(weight.sum(), 1e-12)
    common = (blocks / (mixture @ reference)).sum(axis=0) @ weight / 3
    return mixture * common, ratio @ weight


def _middle(values):
    """Upper median along the last axis."""
    middle = values.shape[-1] // 2
    return np.partition(values, middle)[..., middle]


def _shortest_half(values):
    """Middle (3,) of the shortest half of each row of (3, N), and the scatter (3,) it means."""
    ordered = np.sort(values)
    half = values.shape[1] // 2
    length = ordered[:, half:] - ordered[:, :-half]
    start = length.argmin(axis=1)
    middle = (ordered[_ROWS, start] + ordered[_ROWS, start + half]) / 2
    return middle, np.maximum(length[_ROWS, start] * 0.74, _LEAST_SCATTER)
