# SPDX-License-Identifier: Apache-2.0
"""A trial as arrays on one clock, in HDF5, for learning.

Nothing is interpolated: each row of a finger is the frame nearest to its time, if one was exposed
within half a period of it; a signal such as joint states is the last that had come, if it is not
too old. Everything else is marked as not valid and filled with NaN, 0 or False.
"""

from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from tactile_nodes.device.bags import Bag, stamp_of
from tactile_nodes.errors import FileError, TactileError
from tactile_nodes.trials.review import review
from tactile_nodes.trials.store import state_of

_OLDEST = 0.1            # s that a signal may be old
_VALUES = {
    'std_msgs/msg/Float64MultiArray': ('data',), 'std_msgs/msg/Float32MultiArray': ('data',),
    'std_msgs/msg/Float64': ('data',), 'std_msgs/msg/Float32': ('data',),
    'sensor_msgs/msg/JointState': ('position', 'velocity', 'effort'),
    'geometry_msgs/msg/WrenchStamped': ('wrench.force', 'wrench.torque'),
    'geometry_msgs/msg/PoseStamped': ('pose.position', 'pose.orientation'),
    'geometry_msgs/msg/TwistStamped': ('twist.linear', 'twist.angular'),
    'geometry_msgs/msg/PointStamped': ('point',),
    'geometry_msgs/msg/Vector3Stamped': ('vector',)}


@dataclass(frozen=True)
class Options:
    """How to export.

    Attributes
    ----------
    pictures : str
        none, frames, masks or depth.
    rate : float or None
        Hz; None for that of the frames.
    """

    pictures: str = 'masks'
    rate: float | None = None


def export_trial(folder, part, options):
    """Write a trial into an HDF5 file of its own, as the group of its name.

    Parameters
    ----------
    folder : Path
    part : Path
    options : Options

    Returns
    -------
    list of str
        What is not in it, and why.

    Raises
    ------
    TactileError
        The trial cannot be read or the file not be written.
    """
    h5py = hdf5()
    reviewed, left_out = review(folder), []
    unfinished = part.with_suffix('.unfinished')
    try:
        with h5py.File(unfinished, 'w') as file:
            group = file.create_group(reviewed.trial.name)
            time = _clock(reviewed, options.rate)
            _describe(group, reviewed, folder, options, time)
            group.create_dataset('time', data=time).attrs.update(
                unit='s', about='after the start of the trial')
            for name, series in reviewed.fingers.items():
                rows = nearest_rows(series.time, time)
                finger = group.create_group(name)
                finger.attrs['frame_id'] = f'{name}_tip'
                _write_finger(finger, series, rows)
                left_out += _write_pictures(finger, reviewed, name, rows, options.pictures)
            left_out += _write_signals(group, reviewed, folder, time)
            group.attrs['left_out'] = left_out
        unfinished.replace(part)
    except OSError as error:
        raise FileError(f'cannot be written ({error})', where=str(part)) from None
    return left_out


def hdf5():
    """Return the library h5py, or raise TactileError that says how to install it."""
    try:
        import h5py
    except ImportError:
        raise TactileError('export needs a library that is not installed (h5py)',
                           fix='Install it: apt install python3-h5py, or pip install h5py'
                           ) from None
    return h5py


def nearest_rows(stamps, time):
    """Row of the frame exposed within half a period of each time, -1 where there is none.

    Parameters
    ----------
    stamps : (N,) float
        When frames were exposed, s, rising.
    time : (T,) float
        Evenly spaced, s.

    Returns
    -------
    (T,) int
    """
    if not len(stamps) or len(time) < 2:
        return np.full(len(time), -1)
    half = (time[1] - time[0]) / 2
    after = np.clip(np.searchsorted(stamps, time), 0, len(stamps) - 1)
    before = np.maximum(after - 1, 0)
    rows = np.where(np.abs(stamps[after] - time) < np.abs(stamps[before] - time), after, before)
    return np.where(np.abs(stamps[rows] - time) <= half, rows, -1)


def _clock(reviewed, rate):
    if rate is None:
        gaps = [np.median(np.diff(series.time)) for series in reviewed.fingers.values()
                if len(series.time) > 1]
        rate = round(1 / min(gaps)) if gaps else 1
    return np.arange(int(reviewed.trial.duration * rate) + 1) / rate


def _describe(group, reviewed, folder, options, time):
    trial = reviewed.trial
    period = time[1] - time[0] if len(time) > 1 else np.nan
    attributes = {
        'hand': trial.hand, 'object': trial.object, 'condition': trial.condition,
        'note': trial.note, 'outcome': trial.outcome or '', 'problem': trial.problem,
        'started': trial.started.isoformat(), 'start_ns': trial.start_ns,
        'drop_at_s': np.nan if reviewed.drop_at is None else reviewed.drop_at,
        'rate_hz': 1 / period, 'made_of': repr((state_of(folder), options)),
        'marks': [f'{mark.at:.3f} {mark.text}' for mark in trial.marks]}
    for name, value in attributes.items():
        group.attrs[name] = value


def _write_finger(group, series, rows):
    valid = rows >= 0
    _dataset(group, 'valid', valid, about='whether a frame was exposed within half a period')
    _dataset(group, 'stamp_ns', np.where(valid, series.stamp_ns[rows], 0), unit='ns',
             about='when that frame was exposed, since the epoch')
    touching = valid & series.in_contact[rows]
    known = touching & np.isfinite(series.centroid[rows, :2]).all(axis=1)
    _dataset(group, 'in_contact', touching)
    _dataset(group, 'slipping', valid & series.slipping[rows])
    _dataset(group, 'stick_ratio', _where(valid, series.stick_ratio[rows]), unit='1')
    _dataset(group, 'keypoint', _where(known, series.centroid[rows]), unit='m',
             about='contact centroid x, y and depth of the imprint there')
    _dataset(group, 'keypoint_valid', known)
    _dataset(group, 'goal', _where(valid, series.goal[rows]), unit='m', about='x, y')
    _dataset(group, 'wrench', _where(valid, series.wrench[rows]), unit='N, N*m',
             about='fx fy fz tx ty tz of the object on the fingertip')
    _dataset(group, 'wrench_sd', _where(valid, series.sd[rows]), unit='N, N*m',
             about='standard deviation; inf = axis not measured')
    _dataset(group, 'wrench_valid', valid[:, None] & np.isfinite(series.sd[rows]))


def _where(valid, values):
    """Values where valid, else NaN."""
    shape = (len(valid),) + (1,) * (values.ndim - 1)
    return np.where(valid.reshape(shape), values, np.nan)


def _dataset(group, name, data, **attributes):
    dataset = group.create_dataset(name, data=data, compression='gzip', compression_opts=1,
                                   shuffle=True)
    dataset.attrs.update(attributes)
    return dataset


def _write_pictures(group, reviewed, name, rows, pictures):
    """Markers, and what pictures were asked for; returns what is left out."""
    from tactile_nodes.trials.frames import finger_frames

    trial, series = reviewed.trial, reviewed.fingers[name]
    wanted = {int(series.stamp_ns[row]): index for index, row in enumerate(rows) if row >= 0}
    markers = _Markers(len(rows))
    try:
        frames = finger_frames(trial, name, found=pictures in ('masks', 'depth'),
                               images=pictures != 'none')
        images = None
        for stamp, image, field, contact in frames:
            index = wanted.get(stamp)
            if index is None:
                continue
            markers.add(index, field)
            if pictures == 'none':
                continue
            if pictures == 'frames':
                data = cv2.cvtColor(image, cv2.COLOR_BGR2RGB)
            else:
                data = contact.mask if pictures == 'masks' else contact.depth
            if images is None:
                images = _picture_set(group, pictures, len(rows), data)
                seen = np.zeros(len(rows), bool)
            images[index], seen[index] = data, True
        if images is not None:
            _dataset(group, f'{pictures}_valid', seen)
        markers.write(group)
        return [] if images is not None or pictures == 'none' else [f'{name}: no images']
    except TactileError as error:
        return [f'{name}: {error}']


def _picture_set(group, pictures, count, first):
    about = {'frames': ('0 to 255', 'red, green, blue; row, column'),
             'masks': ('', 'where the skin is touched; row, column of the work grid'),
             'depth': ('m', 'indentation, positive inward, NaN where not measured; row, column '
                            'of the work grid')}[pictures]
    dataset = group.create_dataset(
        pictures, (count, *first.shape), first.dtype, chunks=(1, *first.shape),
        compression='gzip', compression_opts=1, shuffle=True,
        fillvalue=np.nan if first.dtype.kind == 'f' else 0)
    dataset.attrs.update(unit=about[0], about=about[1])
    return dataset


class _Markers:
    """Marker motion by row; columns are markers by their number."""

    def __init__(self, count):
        self._count, self._rows, self._rest = count, {}, {}

    def add(self, row, field):
        if field is not None and len(field.ids):
            self._rows[row] = field
            self._rest.update(zip(field.ids.tolist(), field.rest, strict=True))

    def write(self, group):
        ids = np.array(sorted(self._rest), np.int32)
        moved = np.full((self._count, len(ids), 2), np.nan, np.float32)
        for row, field in self._rows.items():
            moved[row, np.searchsorted(ids, field.ids)] = field.displacement
        rest = np.array([self._rest[i] for i in ids.tolist()], np.float32).reshape(-1, 2)
        group.create_dataset('marker_id', data=ids)
        group.create_dataset('marker_rest', data=rest).attrs.update(
            unit='m', about='x, y without load (of the last reference)')
        if len(ids):
            _dataset(group, 'displacement', moved, unit='m', about='dx, dy of every marker')
            _dataset(group, 'displacement_valid', np.isfinite(moved[:, :, 0]))


def _write_signals(group, reviewed, folder, time):
    """Topics that are not the hand's own: joint states, commands, a reference wrench."""
    bag, own = Bag(Path(folder)), f'/{reviewed.trial.hand}/'
    wanted = {topic: kind for topic, kind in bag.topics.items()
              if not topic.startswith((own, '/diagnostics', '/tf'))}
    left_out = [f'{topic}: {kind} is not exported' for topic, kind in sorted(wanted.items())
                if kind not in _VALUES]
    found = defaultdict(list)
    for topic, log_ns, message in bag.messages([t for t, k in wanted.items() if k in _VALUES]):
        if message is not None:
            at = stamp_of(message, log_ns) if hasattr(message, 'header') else log_ns
            found[topic].append((at, message))
    for topic in sorted(found):
        pairs = sorted(found[topic], key=lambda pair: pair[0])
        arrived = (np.array([at for at, _ in pairs], np.int64) - reviewed.trial.start_ns) * 1e-9
        last = np.searchsorted(arrived, time, side='right') - 1
        valid = (last >= 0) & (time - arrived[last] <= _OLDEST)
        signal = group.create_group('signals' + topic)
        signal.attrs.update(type=wanted[topic], oldest_s=_OLDEST)
        _dataset(signal, 'valid', valid, about='whether one came that is not too old')
        names = list(getattr(pairs[0][1], 'name', []))
        if names:
            signal.attrs['names'] = names
        for field in _VALUES[wanted[topic]]:
            values = _columns([message for _, message in pairs], field, names)
            if values.shape[1]:
                _dataset(signal, field.rpartition('.')[2], _where(valid, values[last]))
    return left_out


def _columns(messages, field, names):
    """(N, K) float64 of a field; NaN where a message has another number of values."""
    rows = [_numbers(message, field, names) for message in messages]
    width = len(rows[0])
    return np.array([row if len(row) == width else np.full(width, np.nan) for row in rows],
                    float).reshape(len(rows), width)


def _numbers(message, field, names):
    value = message
    for part in field.split('.'):
        value = getattr(value, part)
    if hasattr(value, 'x'):
        return [value.x, value.y, value.z, *([value.w] if hasattr(value, 'w') else [])]
    value = np.atleast_1d(np.asarray(value, float))
    order = list(getattr(message, 'name', []))
    if names and order != names and len(value) == len(order):
        known = dict(zip(order, value, strict=True))       # joints may come in any order
        return [known.get(name, np.nan) for name in names]
    return value
