# SPDX-License-Identifier: Apache-2.0
"""The no-contact reference: mean and noise of every pixel, from frames of a scene at rest."""

from collections import deque
from dataclasses import dataclass

import cv2
import numpy as np

from tactile_nodes.core.markers import MarkerTracker
from tactile_nodes.errors import DataError

MIN_FRAMES = 5
_QUANTISATION_VARIANCE = 1 / 12      # of rounding to whole grey levels; noise is never below it
_BLOCK_PX = 16
_PATCH_PX = 12       # noise is right for means over such patches; no multiple of a JPEG block
_TOGETHER = 1.5      # times the variance of pixels that err on their own: compressed
_WORST = 0.95        # quantile over the patches of a compressed picture
_AROUND = 5          # patches over which what neighbours have in common is averaged
_USUAL_WIDTH = 19.2e-3   # m of skin across the image, to look for markers with before calibration
_MOVED_PX = 0.5      # motion of a clear skin's marker that is no error
_MOVED_MARKERS = 3
_MAX_DRIFT = 2.0     # variance over the whole time / variance from frame to frame, 1 = at rest


@dataclass(frozen=True, eq=False)
class Reference:
    """Mean and noise per pixel and channel, in the integers in which they are published.

    Attributes
    ----------
    mean_q8, noise_q8 : (H, W, 3) uint16
        256 x grey level, blue, green, red. Noise is the standard deviation of one frame less the
        mean, whose own error is in it, never 0; where the errors of neighbouring pixels go
        together, as in a compressed picture, as much larger as makes the noise of a mean over
        12 x 12 pixels right.
    frames : int
        How many frames were averaged.
    """

    mean_q8: np.ndarray
    noise_q8: np.ndarray
    frames: int

    def __post_init__(self):
        for key in ('mean_q8', 'noise_q8'):
            array = getattr(self, key)
            if array.dtype != np.uint16 or array.ndim != 3 or array.shape[2] != 3 \
                    or array.shape != self.mean_q8.shape:
                raise DataError('wrong reference', where=key,
                                found=f'{array.shape} {array.dtype}', expected='(H, W, 3) uint16')
        if not self.noise_q8.all():
            raise DataError('noise of 0', where='noise_q8', expected='above 0 everywhere')

    @property
    def mean(self):
        """(H, W, 3) float32 grey levels."""
        return self.mean_q8.astype(np.float32) / np.float32(256)

    @property
    def is_grey(self):
        """Whether all channels show the same: such images tell nothing of slope."""
        return not np.ptp(self.mean_q8, axis=2).any()

    @property
    def noise(self):
        """(H, W, 3) float32 grey levels, standard deviation of one frame less the mean."""
        return self.noise_q8.astype(np.float32) / np.float32(256)


class ReferenceBuilder:
    """Average frames of a scene at rest; refuse them when the scene moved meanwhile.

    The noise comes from the differences of successive frames, which a slow change does not touch;
    a variance over the whole time that is well above it tells that something moved (von Neumann,
    Ann. Math. Stat. 12 (1941) 367), here tested in blocks of 16 x 16 pixels. A touch that holds
    perfectly still looks like rest. Behind a clear elastomer anything may move; of it, only the
    markers must be where they were.

    Parameters
    ----------
    shape : (int, int)
        Height and width in pixels.
    elastomer : Elastomer, optional
        What the skin is; reflective without.
    """

    def __init__(self, shape, elastomer=None):
        self._clear = None if elastomer is None or elastomer.kind.has_shading else elastomer
        self._first, self._latest = np.zeros((*shape, 3)), deque(maxlen=MIN_FRAMES)
        self._shape = (*shape, 3)
        # float64 holds these whole numbers exactly
        self._sum, self._squares, self._steps = np.zeros((3, *self._shape))
        self._patches = tuple(max(1, n // _PATCH_PX) for n in shape)
        self._patch_steps = np.zeros((*self._patches, 3))
        self._last = None
        self.count = 0

    def add(self, image):
        """Take one more frame, (H, W, 3) uint8."""
        if image.shape != self._shape or image.dtype != np.uint8:
            raise DataError('wrong image', where='reference',
                            found=f'{image.shape} {image.dtype}', expected=f'{self._shape} uint8')
        cv2.accumulate(image, self._sum)
        cv2.accumulateSquare(image, self._squares)
        if self._last is not None:
            cv2.accumulateSquare(cv2.absdiff(image, self._last), self._steps)
            step = cv2.subtract(image, self._last, dtype=cv2.CV_32F)
            step = self._patch_means(step)
            step -= step.mean(axis=(0, 1))          # light that flickers is made good elsewhere
            cv2.accumulateSquare(step, self._patch_steps)
        self._last = image.copy()
        self._latest.append(self._last)
        if self.count < MIN_FRAMES:
            cv2.accumulate(image, self._first)
        self.count += 1

    def finish(self):
        """Return the Reference.

        Raises
        ------
        DataError
            Fewer than 5 frames, or the scene moved.
        """
        n = self.count
        if n < MIN_FRAMES:
            raise DataError('too few frames', where='reference', found=n,
                            expected=f'at least {MIN_FRAMES}')
        spread = (n * self._squares - self._sum ** 2) / (n * (n - 1))
        noise = self._steps / (2 * (n - 1))
        if self._clear:
            self._check_markers()
        else:
            self._check_drift(spread, noise)
        noise = np.maximum(noise, _QUANTISATION_VARIANCE)
        # a level that hardly varies is always rounded the same way, by a sawtooth's first harmonic
        # (B. Widrow, IRE Trans. Circuit Theory 3 (1956) 266), and another light's otherwise
        rounding = np.exp(-4 * np.pi**2 * (noise - _QUANTISATION_VARIANCE)) / (2 * np.pi**2)
        noise = np.sqrt((self._of_means(noise) + _PATCH_PX**2 * rounding) * (1 + 1 / n))
        return Reference(np.round(self._sum * 256 / n).astype(np.uint16),
                         np.round(noise * 256).astype(np.uint16), n)

    def _check_drift(self, spread, noise):
        """Refuse a scene that moved, from variances over the whole time and frame to frame."""
        drift = (_blocks(spread) + _QUANTISATION_VARIANCE) \
            / (_blocks(noise) + _QUANTISATION_VARIANCE)
        if drift.max() > _MAX_DRIFT:
            row, column = np.unravel_index(np.argmax(drift), drift.shape)
            raise DataError(
                'the scene moved or the light changed', where='reference',
                found=f'{drift.max():.1f} times the variance of rest in a block of '
                      f'{_BLOCK_PX} x {_BLOCK_PX} pixels at row {row * _BLOCK_PX}, '
                      f'column {column * _BLOCK_PX}',
                expected=f'at most {_MAX_DRIFT:g} times',
                fix='Keep everything off the skin and still, and let the LEDs warm up.')

    def _check_markers(self):
        """Refuse a clear skin whose markers were elsewhere at the end than at the beginning."""
        mean = (self._sum / self.count).astype(np.float32)
        per_metre = self._shape[1] / _USUAL_WIDTH
        tracker = MarkerTracker(mean, self._clear.marker_pitch * per_metre,
                                self._clear.marker_diameter * per_metre, silhouettes=True)
        begin, end = (tracker.track(np.rint(total / MIN_FRAMES).astype(np.uint8))
                      for total in (self._first, sum(i.astype(np.float64) for i in self._latest)))
        moved = np.hypot(*(end - begin).T)
        if np.count_nonzero(moved > _MOVED_PX) >= _MOVED_MARKERS:
            raise DataError('the markers moved', where='reference',
                            found=f'{np.nanmax(moved):.1f} px from the first to the last frames',
                            expected=f'at most {_MOVED_PX:g} px',
                            fix='Keep everything off the skin.')

    def _patch_means(self, field):
        return cv2.resize(field, self._patches[::-1], interpolation=cv2.INTER_AREA)

    def _of_means(self, noise):
        """Variance (H, W, 3) that makes the noise of patch means right, from that of the pixels.

        A picture whose pixels err together was compressed, and how it was rounded depends on what
        it shows: all of it may become as uncertain as the worst parts are now.
        """
        found, alone = (cv2.blur(field, (_AROUND, _AROUND)) for field in (
            self._patch_steps / (2 * (self.count - 1)), self._patch_means(noise)))
        found *= noise[..., 0].size / np.prod(self._patches)
        ratio = np.maximum(found / alone, 1)
        noise = noise * cv2.resize(ratio, self._shape[1::-1], interpolation=cv2.INTER_LINEAR)
        if np.median(ratio) > _TOGETHER:
            noise = np.maximum(noise, np.quantile(found, _WORST, axis=(0, 1)))
        return noise


def _blocks(field):
    """Mean of (H, W, 3) over blocks and channels; the last block of a row may be smaller."""
    rows = np.arange(0, field.shape[0], _BLOCK_PX)
    columns = np.arange(0, field.shape[1], _BLOCK_PX)
    total = np.add.reduceat(np.add.reduceat(field.sum(axis=2), rows, 0), columns, 1)
    height = np.diff(np.append(rows, field.shape[0]))
    width = np.diff(np.append(columns, field.shape[1]))
    return total / (3 * height[:, None] * width)
