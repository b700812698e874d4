# SPDX-License-Identifier: Apache-2.0
"""A recorded press session: when something touched, the sensor's zero, and its time offset.

The reference sensor decides what is idle; images are looked at once, small, to find its time
offset against the camera and the untouched beginning. All common practice, no source.
"""

from collections.abc import Callable
from dataclasses import dataclass, field

import cv2
import numpy as np
from scipy.signal import correlate

from tactile_nodes.errors import DataError

_THUMB = (40, 30)              # columns, rows of the small pictures
_SATURATED = 250               # grey level
_BLOCK = 0.01                  # s, over which the sensor is averaged
_START = 0.3                   # s of untouched skin at the beginning that is asked for
_STILL = 0.1                   # s, shortest in which a level is seen
_OFTEN = 3                     # times that a level of rest comes back at least
_LOST, _LOOK = 5.0, 25.0       # s without rest after which the zero has moved; s to look for it in
_AVERAGED = 0.02               # s; short beside a press, and some samples of most sensors
_ABOUT = (np.arange(8) + 0.5) / 8 - 0.5
_QUIET = (0.008, 1e-4)         # N and N*m, added to five times the noise: what counts as idle
_NOISES = 5
_WINDOW, _CALM = 6, 0.2        # double pairs of rows; part of the windows, others are pressed
_FOLLOW = 0.02                 # per block; how fast the zero may follow while idle
_STRETCH = 0.1                 # s, shortest idle stretch that is used
_PRESS = 0.15                  # s, shortest press
_LAG_RANGE, _LAG_STEP = 0.3, 0.0025        # s
_COARSE, _TYPICAL = 0.02, 200  # s; thumbnails for the usual one
_CORRELATED = 0.5              # of force and images at the right delay; 0.98 where skin shades
_MOVING = 0.05                 # N, least change of force of a sensor that works
_WHERE = 'reference sensor'
_MARGIN = 0.03                 # s from the ends of an idle stretch to what is taken of it


class SensorStillError(DataError):
    """A reference sensor that shows the same all the time."""


@dataclass(frozen=True, eq=False)
class Recording:
    """What a bag holds of a press session.

    Attributes
    ----------
    name : str
    images : callable
        Returns a new iterator of (stamp in ns, (H, W, 3) uint8) from the beginning.
    wrench_ns, wrench : (n,) int64 and (n, 6) float64, or None
        Of the reference sensor, on the fingertip at its origin, N and N*m.
    contact_ns, contact : (m,) int64 and (m, 2) float64, or None
        Reference contact point x, y, m.
    indentations : tuple of Indentation
    """

    name: str
    images: Callable
    wrench_ns: np.ndarray | None = None
    wrench: np.ndarray | None = None
    contact_ns: np.ndarray | None = None
    contact: np.ndarray | None = None
    indentations: tuple = ()


@dataclass(frozen=True, eq=False)
class Overview:
    """All frames in small.

    Attributes
    ----------
    stamps_ns : (N,) int64
    thumbs : (N, 30, 40, 3) float16
        Grey levels.
    saturated : (N,) float64
        Share of values at the upper end.
    shape : (int, int)
        Height and width of the images, px.
    """

    stamps_ns: np.ndarray
    thumbs: np.ndarray
    saturated: np.ndarray
    shape: tuple

    @property
    def seconds(self):
        """(N,) s from the first frame."""
        return (self.stamps_ns - self.stamps_ns[0]) * 1e-9

    def change(self, rest):
        """(N,) rms change of the thumbs, light drift taken out, against the mean of `rest`.

        `rest` : (N,) bool.
        """
        return self._change_from(self.thumbs[rest].mean(axis=0, dtype=np.float32))

    def change_from_usual(self):
        """(N,) the same against the middle one of all thumbs, which nothing need be known for."""
        some = self.thumbs[::max(1, len(self.thumbs) // _TYPICAL)]
        return self._change_from(np.median(some.astype(np.float32), axis=0))

    def _change_from(self, picture):
        ratio = self.thumbs / np.maximum(picture, 1)
        ratio = ratio / np.median(ratio, axis=(1, 2))[:, None, None]
        return np.sqrt(np.square(ratio - 1).mean(axis=(1, 2, 3), dtype=np.float64))


def overview(recording, progress=lambda done: None):
    """Look at every frame of a Recording; `progress` is told how many were seen.

    Raises
    ------
    DataError
        Fewer than two frames, stamps that do not rise, or images of several sizes.
    """
    stamps, thumbs, saturated, shape = [], [], [], None
    for stamp, image in recording.images():
        shape = shape or image.shape[:2]
        if image.shape[:2] != shape:
            raise DataError('images of several sizes', where=recording.name, found=image.shape[:2],
                            expected=shape)
        if stamps and stamp <= stamps[-1]:
            raise DataError('image stamps do not rise', where=recording.name,
                            found=f'{stamp} after {stamps[-1]} ns')
        stamps.append(stamp)
        thumbs.append(cv2.resize(image.astype(np.float32), _THUMB,
                                 interpolation=cv2.INTER_AREA).astype(np.float16))
        saturated.append(np.count_nonzero(image[::4, ::4] >= _SATURATED)
                         / image[::4, ::4].size)
        progress(len(stamps))
    if len(stamps) < 2:
        raise DataError('too few images', where=recording.name, found=len(stamps),
                        expected='a press session')
    return Overview(np.array(stamps), np.array(thumbs), np.array(saturated), shape)


@dataclass(frozen=True, eq=False)
class Sensor:
    """The reference sensor with its zero taken off.

    Attributes
    ----------
    seconds : (n,) float64
        From the first image, by the sensor's own stamps.
    wrench : (n, 6) float64
    zero : (6,) float64
        Median of what was taken off.
    drift : (6,) float64
        Largest less smallest of what was taken off.
    noise : (6,) float64
        Standard deviation at rest of what `at` returns.
    idle : (K, 2) float64
        Begin and end of the stretches in which nothing touched, s.
    presses : (P, 2) float64
        Begin and end of those in which something did, s.
    """

    seconds: np.ndarray
    wrench: np.ndarray
    zero: np.ndarray
    drift: np.ndarray
    noise: np.ndarray
    idle: np.ndarray
    presses: np.ndarray

    def at(self, seconds):
        """Wrench (N, 6) at these times: mean over `_AVERAGED`, linearly interpolated."""
        return _mean_about(seconds, self.seconds, self.wrench)


def reference_sensor(recording, first_ns, last_ns):
    """Find the idle stretches and presses and take the zero off.

    Parameters
    ----------
    recording : Recording
        With wrench.
    first_ns, last_ns : int
        Stamps of the first and last image.

    Returns
    -------
    Sensor

    Raises
    ------
    SensorStillError
        The sensor does not move.
    DataError
        Clocks that do not overlap, non-finite values, or a sensor that never rests.
    """
    seconds = _checked_seconds(recording, first_ns, last_ns)
    order = np.argsort(seconds, kind='stable')
    seconds, wrench = seconds[order], recording.wrench[order]
    times, blocks = _blocks(seconds, wrench)
    at_rest = _at_rest(times, blocks, _resolution(wrench))
    idle = _stretches(times, at_rest, _STRETCH)
    if not len(idle):
        raise DataError('the reference sensor is never at rest', where=_WHERE,
                        expected=f'{_START:g} s of untouched skin at the beginning',
                        fix='Record some seconds of untouched skin at the beginning and between '
                            'presses.')
    levels = []
    for begin, end in idle:
        trim = min(_MARGIN, (end - begin) / 4)
        levels.append(np.median(blocks[(times >= begin + trim) & (times <= end - trim)], axis=0))
    levels = np.array(levels)
    zero = np.stack([np.interp(seconds, idle.mean(axis=1), column) for column in levels.T], axis=1)
    wrench = wrench - zero
    resting = np.concatenate([np.arange(begin, end, _AVERAGED) for begin, end in idle])
    noise = np.median(np.abs(_mean_about(resting, seconds, wrench)), axis=0) / 0.6745
    return Sensor(seconds, wrench, np.median(levels, axis=0), np.ptp(levels, axis=0), noise, idle,
                  _presses(_stretches(times, ~at_rest, 0.0)))


def _mean_about(when, seconds, wrench):
    """Wrench (N, 6) at times (N,), from samples (n, 6) at `seconds` (n,)."""
    times = when[:, None] + _AVERAGED * _ABOUT
    return np.stack([np.interp(times, seconds, column).mean(axis=1) for column in wrench.T],
                    axis=1)


def _checked_seconds(recording, first_ns, last_ns):
    """Times of the sensor's messages from the first image, s."""
    seconds, wrench = (recording.wrench_ns - first_ns) * 1e-9, recording.wrench
    length = (last_ns - first_ns) * 1e-9
    if not len(seconds) or seconds.max() < 0 or seconds.min() > length:
        raise DataError(
            'the clocks of camera and reference sensor do not overlap', where=_WHERE,
            found=f'{seconds.min():.1f} to {seconds.max():.1f} s after the first image'
            if len(seconds) else 'no message', expected=f'0 to {length:.1f} s',
            fix='Stamp both in the same clock and record again.')
    bad = ~np.isfinite(wrench).all(axis=1)
    if bad.any():
        raise DataError('values that are not finite', where=_WHERE,
                        found=f'{np.count_nonzero(bad)} of {len(bad)} messages, the first '
                              f'{seconds[bad][0]:.2f} s after the first image',
                        fix='Mend or restart the sensor and record again.')
    spread = np.ptp(wrench[:, :3], axis=0).max()
    if spread < _MOVING:
        raise SensorStillError('the reference sensor does not move', where=_WHERE,
                               found=f'{spread:.3g} N between its largest and smallest force',
                               expected='presses of several newtons',
                               fix='Check that it is the right topic and that the fingertip is '
                                   'mounted on the sensor.')
    return seconds


def _noise(wrench):
    """Standard deviation (6,) from one row to the next, of the calmer parts of a session.

    Of every part, half the pairs of rows tell whether the other half is measured: the calmest ones
    would themselves be calmer by chance, and the noise a fifth too small.
    """
    windows = max(1, len(wrench) // (4 * _WINDOW))
    rows = np.resize(wrench, (windows, _WINDOW, 2, 2, 6))
    step = np.abs(rows[..., 0, :] - rows[..., 1, :])                       # (K, _WINDOW, 2, 6)
    typical = np.median(step, axis=1)
    calm = typical[:, ::-1] <= np.quantile(typical, _CALM, axis=(0, 1))
    measured = np.where(calm[:, None], step, np.nan)
    return np.nanmedian(measured, axis=(0, 1, 2)) / 0.6745 / np.sqrt(2)


def _resolution(wrench):
    """Smallest step (6,) between the values of each axis."""
    steps = []
    for column in wrench.T:
        step = np.diff(np.unique(column))
        steps.append(step.min() if len(step) else 0.0)
    return np.array(steps)


def _at_rest(times, blocks, resolution):
    """(B,) bool; the level of rest drifts slowly, and may step."""
    quiet = _NOISES * _noise(blocks) + resolution + np.repeat(_QUIET, 3)
    stills = _stills(times, blocks, quiet)
    if not stills:
        return np.zeros(len(times), bool)
    first = _first_rest(stills, quiet)
    begin = int(np.searchsorted(times, first.begin))
    back = [_Still(-still.end, -still.begin, still.level) for still in reversed(stills)]
    return np.concatenate([
        _follow(-times[:begin][::-1], blocks[:begin][::-1], first.level, quiet, back)[::-1],
        _follow(times[begin:], blocks[begin:], first.level, quiet, stills)])


@dataclass(frozen=True, eq=False)
class _Still:
    """A stretch, s, in which the sensor shows one level (6,)."""

    begin: float
    end: float
    level: np.ndarray


def _stills(times, blocks, quiet):
    """List of _Still in time order."""
    count = max(3, round(_STILL / np.median(np.diff(times))))
    stills = []
    for start in range(0, len(times) - count + 1, count):
        part = blocks[start:start + count]
        level, begin, end = np.median(part, axis=0), times[start], times[start + count - 1]
        if (np.ptp(part, axis=0) > quiet).any():
            continue
        if stills and stills[-1].end >= times[start - 1] \
                and (np.abs(level - stills[-1].level) < quiet).all():
            begin, level = stills[-1].begin, stills.pop().level
        stills.append(_Still(begin, end, level))
    return stills


def _returns(stills, quiet):
    """How often each level (of K) is there."""
    levels = np.array([still.level for still in stills])
    return np.array([(np.abs(levels - level) < quiet).all(axis=1).sum() for level in levels])


def _first_rest(stills, quiet):
    """The _Still to begin with: the first, unless it never comes back as others do."""
    returns = _returns(stills, quiet)
    return stills[0 if returns[0] > 1 or returns.max() < _OFTEN else int(np.argmax(returns))]


def _follow(times, blocks, level, quiet, stills):
    """(B,) bool: at rest, from `level` on.

    Where that does not come for long, the zero has moved: to the nearest of the levels that come
    more than once in the time after.
    """
    at_rest, level = np.zeros(len(times), bool), level.copy()
    rested = moved = times[0] if len(times) else 0.0
    i = 0
    while i < len(times):
        if (np.abs(blocks[i] - level) < quiet).all():
            at_rest[i] = True
            level += _FOLLOW * (blocks[i] - level)
            if times[i] - moved > _STRETCH:        # not just on its way through that level
                rested = times[i]
            i += 1
            continue
        moved = times[i]
        if moved - rested > _LOST:
            after = [s for s in stills if rested < s.begin < rested + _LOOK]
            again = [s for s, n in zip(after, _returns(after, quiet), strict=True) if n > 1] \
                if after else []
            rested = times[i]
            if again:
                level = min(again, key=lambda s: (np.abs(s.level - level) / quiet).max()).level
                rested = next(s.begin for s in again if (np.abs(s.level - level) < quiet).all())
                level, i = level.copy(), int(np.searchsorted(times, rested))
                continue
        i += 1
    return at_rest


def _presses(touched):
    """Join what is hardly apart and drop what is too short, (P, 2)."""
    presses = []
    for begin, end in touched.tolist():
        if presses and begin - presses[-1][1] < _STRETCH:
            presses[-1][1] = end
        else:
            presses.append([begin, end])
    return np.array([p for p in presses if p[1] - p[0] >= _PRESS]).reshape(-1, 2)


def _blocks(seconds, wrench):
    """Times and means of samples in blocks of 10 ms (or single samples of a slower sensor)."""
    number = np.floor((seconds - seconds[0]) / _BLOCK).astype(np.int64)
    starts = np.flatnonzero(np.append(True, np.diff(number) > 0))
    count = np.diff(np.append(starts, len(seconds)))
    return (np.add.reduceat(seconds, starts) / count,
            np.add.reduceat(wrench, starts, axis=0) / count[:, None])


def _stretches(times, mask, shortest):
    """Begin and end, (K, 2), of the runs of True that last at least `shortest` s."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.view(np.int8), [0]])))
    begin, end = edges[::2], edges[1::2] - 1
    runs = np.stack([times[begin], times[end]], axis=1)
    return runs[runs[:, 1] - runs[:, 0] >= shortest]


def within(seconds, stretches, margin=0.0):
    """(N,) bool: which times lie inside one of the stretches (K, 2), by `margin` at least."""
    inside = np.zeros(len(seconds), bool)
    for begin, end in stretches:
        inside |= (seconds >= begin + margin) & (seconds <= end - margin)
    return inside


def press_of(seconds, presses, margin=0.1):
    """(N,) int: number of the press a time belongs to, -1 for none; `margin` s around count."""
    number = np.full(len(seconds), -1)
    for i, (begin, end) in enumerate(presses):
        number[(seconds >= begin - margin) & (seconds <= end + margin) & (number < 0)] = i
    return number


def correlation_lag(seconds, signal, sensor_seconds, sensor_signal, *, around=0.0,
                    reach=_LAG_RANGE):
    """How much later the sensor shows what the camera shows, s, to a fraction of a frame.

    Largest correlation of `signal` (N,) at `seconds` with the sensor's, and a parabola through it
    and its neighbours.

    Returns
    -------
    lag : float
    correlation : float
        At the best lag.
    """
    lags = around + np.arange(-reach, reach + _LAG_STEP / 2, _LAG_STEP)
    score = np.empty(len(lags))
    signal = signal - signal.mean()
    for i, lag in enumerate(lags):
        other = np.interp(seconds + lag, sensor_seconds, sensor_signal)
        other = other - other.mean()
        norm = np.sqrt((signal @ signal) * (other @ other))
        score[i] = signal @ other / norm if norm > 0 else 0.0
    best = int(np.argmax(score))
    lag = lags[best]
    if 0 < best < len(lags) - 1:
        before, here, after = score[best - 1:best + 2]
        curvature = before - 2 * here + after
        if curvature < 0:
            lag += _LAG_STEP * 0.5 * (before - after) / curvature
    return float(lag), float(score[best])


def coarse_lag(seen, sensor):
    """How much later the sensor's stamps are than the camera's, s, to 0.02 s, however much.

    Largest correlation of the force with how much the images differ from the usual one; 0 where
    they have little in common, as on a clear skin with something behind it.

    Parameters
    ----------
    seen : Overview
    sensor : Sensor
    """
    change = seen.change_from_usual()
    force = np.sqrt(np.linalg.norm(sensor.wrench[:, :3], axis=1))
    when = np.arange(min(0, sensor.seconds[0]), max(seen.seconds[-1], sensor.seconds[-1]), _COARSE)
    a = np.interp(when, seen.seconds, change - change.mean(), left=0, right=0)
    b = np.interp(when, sensor.seconds, force - force.mean(), left=0, right=0)
    score = correlate(b, a) / max(np.linalg.norm(a) * np.linalg.norm(b), 1e-30)
    lags = _COARSE * (np.arange(len(score)) - len(a) + 1)
    best = int(np.argmax(score))
    return float(lags[best]) if score[best] > _CORRELATED else 0.0


@dataclass(frozen=True)
class Part:
    """One part of a calibration and what became of it.

    Attributes
    ----------
    name : str
    done : bool
    result : str
        What was found, or the reason why not.
    advice : str
        What to do or record next; empty when nothing is wanted.
    notes : tuple of str
        Cautions.
    """

    name: str
    done: bool
    result: str
    advice: str = ''
    notes: tuple = field(default_factory=tuple)
