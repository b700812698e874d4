# SPDX-License-Identifier: Apache-2.0
"""Figures of merit: what the commands found against what the session's truth says."""

import csv
from dataclasses import dataclass

import numpy as np

FULL_SCALE = {'normal': 8.0, 'shear': 4.0, 'torsion': 20e-3}          # N, N, N*m
_AXES = ('fx', 'fy', 'fz', 'tx', 'ty', 'tz')


@dataclass(frozen=True)
class Figure:
    """One achieved figure.

    Attributes
    ----------
    what : str
    value : float
        NaN: nothing to take it from.
    target : float or None
        None: told, not judged.
    more : bool
        Whether the target is a least instead of a most.
    unit : str
    """

    what: str
    value: float
    target: float | None = None
    more: bool = False
    unit: str = ''

    @property
    def met(self):
        if self.target is None:
            return True
        return bool(self.value >= self.target if self.more else self.value <= self.target)


class Result:
    """What `tactile process` wrote about a session, line by line beside the truth.

    Attributes
    ----------
    truth : mapping
        The session's truth.npz.
    frame : (N,) int
        Frame of the session that each line is about.
    wrench, sd : (N, 6) float
    place : (N, 2) float
        NaN without contact.
    contact, slip : (N,) bool
    """

    def __init__(self, table, truth):
        self.truth = truth
        with open(table, newline='', encoding='ascii') as file:
            rows = list(csv.DictReader(file))
        if not rows:
            raise ValueError(f'{table} has no lines')

        def column(name):
            return np.array([float(r[name] or 'nan') for r in rows])

        stamp = column('t') - float(truth['first_stamp'])
        self.frame = np.abs(truth['t'][None, :] - stamp[:, None]).argmin(axis=1) \
            if len(rows) < 50 else np.searchsorted(truth['t'], stamp - 1e-3)
        if np.abs(truth['t'][self.frame] - stamp).max() > 1e-3:
            raise ValueError(f'{table} has stamps that no image has')
        self.wrench = np.stack([column(a) for a in _AXES], axis=1)
        self.sd = np.stack([column(f'sd_{a}') for a in _AXES], axis=1)
        self.place = np.stack([column('cx'), column('cy')], axis=1)
        self.contact, self.slip = column('contact') > 0, column('slip') > 0
        self.stick = column('stick_ratio')
        self.time = truth['t'][self.frame]
        self.true = truth['wrench'][self.frame]
        self.loaded = -self.true[:, 2] > 1e-3


def rms(values):
    """Root mean square over everything; NaN for nothing."""
    values = np.asarray(values, dtype=float)
    return float(np.sqrt(np.mean(values ** 2))) if values.size else float('nan')


def wrench_figures(result, name, judged=True):
    """RMSE of force and torsion in per cent of full scale over the frames under load."""
    error = (result.wrench - result.true)[result.loaded]
    targets = (1.5, 1.0, 1.0) if judged else (None,) * 3
    return [Figure(f'{name}: {what} RMSE', 100 * rms(error[:, axes]) / FULL_SCALE[what], target,
                   unit='% FS')
            for (what, axes), target in zip((('normal', [2]), ('shear', [0, 1]),
                                             ('torsion', [5])), targets, strict=True)
            if judged or np.isfinite(result.sd[:, axes]).any()]      # else it is not measured


def place_figures(result, name, judged=True):
    """RMS distance of contact position and centroid of pressure, from 0.05 N, mm."""
    off = np.hypot(*(result.place - result.truth['centroid'][result.frame]).T) * 1e3
    counted = (-result.true[:, 2] > 0.05) & np.isfinite(off)
    shear = np.hypot(result.true[:, 0], result.true[:, 1]) > -0.2 * result.true[:, 2]
    target = 0.1 if judged else None
    return [Figure(f'{name}: contact position RMS', rms(off[counted]), target, unit='mm'),
            Figure(f'{name}: the same under shear', rms(off[counted & shear]), target, unit='mm')]


def coverage_figures(results, name, judged=True):
    """Part of the errors within one stated standard deviation, per axis, all sessions."""
    figures = []
    for axis, what in ((0, 'fx'), (1, 'fy'), (2, 'fz'), (5, 'tz')):
        inside = np.concatenate([
            (np.abs(r.wrench - r.true) <= r.sd)[r.loaded & np.isfinite(r.sd[:, axis]), axis]
            for r in results])
        if not inside.size:
            continue          # an axis that this skin cannot measure
        share = 100 * float(inside.mean())
        figures.append(Figure(f'{name}: {share:.0f} % of errors of {what} within one sd, off 68',
                              abs(share - 68), 8 if judged else None, unit='%'))
    return figures


def _runs(flags):
    """(n, 2) first index and index after the last of every run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], flags.astype(int), [0]])))
    return edges.reshape(-1, 2)


def touch_figures(result, name):
    """Presses that were seen, and contacts found that were presses, %."""
    start, end = result.truth['press_start'], result.truth['press_end']
    slack = 2.5 * float(np.median(np.diff(result.truth['t'])))
    seen = [result.contact[(result.time >= a) & (result.time <= b)].any()
            for a, b in zip(start, end, strict=True)]
    real = [bool(((result.time[i] <= end + slack) & (result.time[j - 1] >= start - slack)).any())
            for i, j in _runs(result.contact)]
    return [Figure(f'{name}: presses seen', 100 * float(np.mean(seen)), 99, more=True, unit='%'),
            Figure(f'{name}: contacts that were presses',
                   100 * float(np.mean(real)) if real else float('nan'), 99, more=True,
                   unit='%')]


def idle_figures(result, name):
    """Frames in contact while nothing touches."""
    idle = ~result.truth['contact'][result.frame]
    return [Figure(f'{name}: frames of false contact in '
                   f'{idle.sum() * np.median(np.diff(result.truth["t"])) / 60:.1f} min',
                   int(result.contact[idle].sum()), 0)]


def slip_figures(result, name):
    """Gross slips announced 50 ms before."""
    truth = result.truth
    leads = []
    for onset, press, phase in zip(truth['onset'], truth['onset_press'], truth['onset_phase'],
                                   strict=True):
        if phase not in ('slide', 'shear', 'twist'):
            continue
        told = result.slip & (result.time >= truth['press_start'][press]) \
            & (result.time <= onset + 0.5)
        leads.append(onset - result.time[told][0] if told.any() else -np.inf)
    leads = np.array(leads)
    return [Figure(f'{name}: {len(leads)} slips, announced 50 ms before or more',
                   100 * float(np.mean(leads >= 0.05)) if leads.size else float('nan'), 95,
                   more=True, unit='%'),
            Figure(f'{name}: median lead', 1e3 * float(np.median(leads)) if leads.size
                   else float('nan'), unit='ms')]


def early_alarms(result):
    """Slips that were told while nearly all of the contact stuck, and the s of contact."""
    starts = np.flatnonzero(result.slip & ~np.concatenate([[False], result.slip[:-1]]))
    stick = result.truth['stick'][result.frame]
    return ([(float(stick[i]), 'recorded') for i in starts if stick[i] > 0.9 and result.loaded[i]],
            result.loaded.sum() * float(np.median(np.diff(result.truth['t']))))


def alarm_figure(parts, name):
    """False slip alarms in 10 minutes of contact.

    Parameters
    ----------
    parts : list
        What `early_alarms` said of each recording and `steady.hold` of long contact.
    """
    told = sum(len(told) for told, _ in parts)
    minutes = sum(seconds for _, seconds in parts) / 60
    return Figure(f'{name}: false slip alarms in 10 min ({told} in {minutes:.1f} min of contact)',
                  told / minutes * 10 if minutes else float('nan'), 1)


def depth_figures(maps, truth, name):
    """RMS of depth in the imprint of a 4 mm ball, 0.5 mm deep, mm.

    Parameters
    ----------
    maps : dict
        Found depth (h, w) on the work grid by frame.
    """
    errors = []
    for frame, press, true in zip(truth['map_frame'], truth['map_press'], truth['map_depth'],
                                  strict=True):
        deep, radius = truth['press_depth'][press], truth['press_radius'][press]
        if abs(deep - 5e-4) > 2e-5 or abs(radius - 4e-3) > 1e-5 or frame not in maps:
            continue
        known = _coarse(true, maps[frame].shape)
        imprint = known > 1e-4
        errors.append((np.nan_to_num(maps[frame]) - known)[imprint] * 1e3)
    return [Figure(f'{name}: depth of a 4 mm ball, 0.5 mm deep, RMS',
                   rms(np.concatenate(errors)) if errors else float('nan'), 0.02, unit='mm')]


def _coarse(image, shape):
    """Mean over the pixels of every cell of a coarser grid."""
    f = image.shape[0] // shape[0]
    return image.reshape(shape[0], f, shape[1], f).mean(axis=(1, 3))


def ridge_figures(maps, truth, name):
    """Pairs of ridges 0.5 mm apart seen as two: two crests and at least half the true dip."""
    scale, seen = float(truth['metres_per_px']), []
    for frame, press, true in zip(truth['map_frame'], truth['map_press'], truth['map_depth'],
                                  strict=True):
        if frame not in maps:
            continue
        found = np.nan_to_num(maps[frame])
        place, turn = truth['centroid'][frame], truth['press_turn'][press]
        cells = scale * true.shape[0] / found.shape[0]
        profiles = [_profile(m, place, turn, s) for m, s in ((found, cells), (true, scale))]
        (found_dip, apart), (true_dip, _) = (_dip(p) for p in profiles)
        seen.append(found_dip > 0.5 * true_dip and 0.35e-3 < apart < 0.65e-3)
    return [Figure(f'{name}: of {len(seen)} pairs of ridges 0.5 mm apart, resolved',
                   100 * float(np.mean(seen)) if seen else float('nan'), 100, more=True,
                   unit='%')]


_ACROSS = np.arange(-0.6e-3, 0.601e-3, 2e-5)


def _profile(depth, place, turn, scale):
    """Depth across the ridges, mean over 1 mm along them, at `_ACROSS`."""
    from scipy.ndimage import map_coordinates
    along = np.linspace(-0.5e-3, 0.5e-3, 21)
    u, v = np.meshgrid(_ACROSS, along)
    x = place[0] + np.cos(turn) * u - np.sin(turn) * v
    y = place[1] + np.sin(turn) * u + np.cos(turn) * v
    rows, columns = (a / scale + (n - 1) / 2 for a, n in zip((y, x), depth.shape, strict=True))
    return map_coordinates(depth, [rows, columns], order=1, mode='nearest').mean(axis=0)


def _dip(profile):
    """How much lower the middle is than the lower crest, m, and how far apart the crests are."""
    middle = slice(len(profile) // 3, -(len(profile) // 3))
    valley = middle.start + int(np.argmin(profile[middle]))
    left, right = int(np.argmax(profile[:valley])), valley + int(np.argmax(profile[valley:]))
    dip = min(profile[left], profile[right]) - profile[valley]
    return float(dip), float(_ACROSS[right] - _ACROSS[left])
