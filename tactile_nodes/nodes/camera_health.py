# SPDX-License-Identifier: Apache-2.0
"""How well a camera does: rate, drops, age and brightness of the last frame; for diagnostics."""

import time

import numpy as np

from tactile_nodes.device.images import DARK, MAX_DARK, SAME_PICTURE, is_dark

_SATURATED = 250                         # grey level; as DARK and MAX_DARK: common practice
_MAX_SATURATED, _MAX_LEAK = 0.02, 0.02   # shares of the pixels
_OWN_LIGHT = 1 / 3                       # of the image's channel that an LED brightens most
_MIN_RATE = 0.9                          # of the rate asked for
_MAX_DROPS = 0.02                        # of the frames
_SAME_ROWS = 8             # every so many rows are compared


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
        self._same = 0

    @property
    def stuck(self):
        """Whether the camera sends the same picture again and again."""
        return self._same >= SAME_PICTURE

    def note(self, frame):
        """Count a frame."""
        before, self.frame = self.frame, frame
        self._frames += 1
        same = before is not None and np.array_equal(before.image[::_SAME_ROWS],
                                                     frame.image[::_SAME_ROWS])
        self._same = self._same + 1 if same and not is_dark(frame.image) else 0

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
            '' when all is well, else all that is wrong and what to do.
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
        if self.frame is None:
            return '', values
        values['frame age'] = f'{(now_ns - self.frame.stamp_ns) * 1e-6:.1f} ms'
        problem, brightness = judge_image(self.frame.image)
        values.update(brightness)
        problems = [problem] if problem else []
        if self.stuck:
            problems.insert(0, 'the camera sends the same picture again and again: unplug it and '
                               'plug it in')
        if lost > _MAX_DROPS * (new + lost):
            problems.append(f'{lost} of {new + lost} frames lost: lower the frame rate, '
                            'or give the computer less to do')
        elif wanted_rate is not None and rate < _MIN_RATE * wanted_rate:
            problems.append(f'{rate:.1f} instead of {wanted_rate:g} frames a second: '
                            'check exposure, bus and processor load')
        return '; '.join(problems), values


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
    dark, saturated = np.mean(sample < DARK), np.mean(sample >= _SATURATED)
    values = {'mean level': f'{sample.mean():.0f} of 255', 'dark': f'{100 * dark:.1f} %',
              'saturated': f'{100 * saturated:.1f} %'}
    if dark > MAX_DARK:
        return 'the image is dark: raise LED levels or exposure, check the LEDs', values
    if saturated > _MAX_SATURATED:
        return 'the image is saturated: lower LED levels, exposure or gain', values
    return '', values


def judge_darkness(image):
    """Whether an image (H, W, 3) uint8 that was taken with the LEDs off is dark.

    Returns
    -------
    problem : str
        '' or what to do.
    seen : str
    """
    sample = image.max(axis=2)
    lit = np.mean(sample >= DARK)
    if lit > _MAX_LEAK:
        return (f'with the LEDs off {100 * lit:.0f} % of the image is lit: close the gap that '
                'lets light in, or shade the finger; lower the gain if all of it is'), ''
    return '', f'LEDs off: mean level {sample.mean():.0f} of 255'


def judge_channels(dark, alone):
    """Whether every LED channel lights its own channel of the image.

    Parameters
    ----------
    dark : array (H, W, 3) uint8, bgr
        With the LEDs off.
    alone : dict of str to (float, array)
        By channel: its level, and the image that it alone gives.

    Returns
    -------
    problem : str
        '' or what to do.
    seen : str
    """
    problems, seen = [], []
    for name, (level, image) in alone.items():
        rise = dict(zip(('blue', 'green', 'red'),
                        image.mean(axis=(0, 1)) - dark.mean(axis=(0, 1)), strict=True))
        seen.append(f'{name} {rise[name]:+.0f}')
        if rise[name] < max(DARK, _OWN_LIGHT * max(rise.values())):
            problems.append(
                f'{name} alone at level {level:g} does not light the {name} of the image ('
                + ', '.join(f'{other} {rise[other]:+.0f}' for other in alone)
                + f' grey levels): raise leds.{name}, or check that LED and `leds` in the device '
                'profile')
    return '; '.join(problems), ', '.join(seen) + ' grey levels'
