# SPDX-License-Identifier: Apache-2.0
"""How well a camera does: rate, drops, age of the last frame, brightness; for the diagnostics."""

import time

import numpy as np

_DARK, _SATURATED = 10, 250              # grey levels; these limits: common practice, no source
_MAX_DARK, _MAX_SATURATED = 0.5, 0.02    # shares of the pixels
_MIN_RATE = 0.9                          # of the rate asked for
_MAX_DROPS = 0.02                        # of the frames


class CameraHealth:
    """Counts frames and judges the last second.

    Attributes
    ----------
    frame : Frame or None
        The newest.
    """

    def __init__(self):
        self.frame = None
        self._frames = self._frames_before = 0
        self._dropped_before = 0
        self._since = time.monotonic()

    def note(self, frame):
        """Count a frame."""
        self.frame = frame
        self._frames += 1

    def judge(self, dropped, wanted_rate, now_ns):
        """Look at the time since the last call.

        Parameters
        ----------
        dropped : dict of str to int
            By reason, since the device was started.
        wanted_rate : float or None
            Hz; None where the rate is not ours to set.
        now_ns : int
            On the clock that stamps the frames.

        Returns
        -------
        problem : str
            '' when all is well, else what is wrong and what to do.
        silent : bool
            No frame came.
        values : dict
            Numbers by name.
        """
        now = time.monotonic()
        new = self._frames - self._frames_before
        rate = new / max(now - self._since, 1e-3)
        lost = max(sum(dropped.values()) - self._dropped_before, 0)
        self._since, self._frames_before = now, self._frames
        self._dropped_before = sum(dropped.values())
        values = {'frame rate': f'{rate:.1f} Hz', 'frames': self._frames,
                  'dropped': self._dropped_before,
                  **{f'dropped: {reason}': count for reason, count in dropped.items()}}
        if not new:
            return 'no frames in the last second: check cable and power', True, values
        values['frame age'] = f'{(now_ns - self.frame.stamp_ns) * 1e-6:.1f} ms'
        problem, brightness = judge_image(self.frame.image)
        values.update(brightness)
        if lost > _MAX_DROPS * (new + lost):
            problem = (f'{lost} of {new + lost} frames lost: lower the frame rate, '
                       'or give the computer less to do')
        elif wanted_rate is not None and rate < _MIN_RATE * wanted_rate:
            problem = (f'{rate:.1f} instead of {wanted_rate:g} frames a second: '
                       'check exposure, bus and processor load')
        return problem, False, values


def judge_image(image):
    """Whether an image (H, W, 3) uint8 is well exposed.

    Returns
    -------
    problem : str
        '' or what to do.
    values : dict
        Mean level and shares of dark and saturated pixels.
    """
    sample = image[::2, ::2].max(axis=2)
    dark, saturated = np.mean(sample < _DARK), np.mean(sample >= _SATURATED)
    values = {'mean level': f'{sample.mean():.0f} of 255', 'dark': f'{100 * dark:.1f} %',
              'saturated': f'{100 * saturated:.1f} %'}
    if dark > _MAX_DARK:
        return 'the image is dark: raise LED levels or exposure, check the LEDs', values
    if saturated > _MAX_SATURATED:
        return 'the image is saturated: lower LED levels, exposure or gain', values
    return '', values
