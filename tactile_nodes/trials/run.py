# SPDX-License-Identifier: Apache-2.0
"""What a bag says about a finger: forces over time, and single frames."""

import struct
from collections import defaultdict
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np

from tactile_nodes.core.types import AXES, ForceEstimate, MarkerField
from tactile_nodes.device.images import decode_image
from tactile_nodes.errors import DataError, FileError

_SOON_NS = 2 * 10**9
_SERIES = ('/wrench', '/wrench/stddev', '/contact/stick_ratio', '/contact/slipping')


@dataclass(frozen=True, eq=False)
class FingerRun:
    """A finger's wrench over time, one row per frame.

    Attributes
    ----------
    stamp_ns : (N,) int64
        When the frames were exposed.
    wrench, sd : (N, 6) float64
        fx fy fz tx ty tz and its standard deviation, N and N*m; inf = not measured.
    truth : (N, 6) float64
        The wrench as it really was; NaN where nobody knows.
    stick_ratio : (N,) float64
    slipping : (N,) bool
    """

    stamp_ns: np.ndarray
    wrench: np.ndarray
    sd: np.ndarray
    truth: np.ndarray
    stick_ratio: np.ndarray
    slipping: np.ndarray

    def between(self, start_ns, end_ns):
        """The part of the run whose frames were exposed in this time."""
        rows = (self.stamp_ns >= start_ns) & (self.stamp_ns <= end_ns)
        return FingerRun(*(getattr(self, name)[rows] for name in self.__dataclass_fields__))

    @property
    def in_contact(self):
        """(N,) bool: frames in which something really touches, as far as it is known."""
        return np.abs(np.nan_to_num(self.truth)).max(axis=1, initial=0) > 0

    def rmse(self, rows=slice(None)):
        """Root mean square error of the wrench against the truth.

        Returns
        -------
        dict of str to float or None
            N and N*m by axis; None where an axis is not measured or there is no truth.
        """
        error, measured = (self.wrench - self.truth)[rows], np.isfinite(self.sd[rows])
        known = np.isfinite(error) & measured
        return {axis: float(np.sqrt(np.mean(error[known[:, i], i] ** 2))) if known[:, i].any()
                else None for i, axis in enumerate(AXES)}

    def moments(self):
        """Rows worth a look, in order of time, as {row: what it is}."""
        if not len(self.stamp_ns):
            return {}
        shear = np.hypot(self.wrench[:, 0], self.wrench[:, 1])
        found = {int(np.argmin(self.wrench[:, 2])): 'hardest press',
                 int(np.argmax(shear)): 'strongest shear',
                 int(np.argmax(np.abs(self.wrench[:, 5]))): 'strongest twist'}
        if self.slipping.any():
            found[int(np.argmax(self.slipping))] = 'first slip warning'
        return dict(sorted(found.items()))


class BagReader:
    """Reads what the recorder stored of a hand; a context manager.

    Parameters
    ----------
    folder : path
        Bag folder.

    Raises
    ------
    FileError
        It cannot be read.
    """

    def __init__(self, folder):
        from rosbags.highlevel import AnyReader, AnyReaderError
        from rosbags.rosbag2 import ReaderError
        try:
            self._reader = AnyReader([Path(folder)])
            self._reader.open()
        except (AnyReaderError, ReaderError, OSError) as error:
            raise FileError(f'not a readable bag ({error})', where=str(folder)) from None

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self._reader.close()

    def finger(self, namespace):
        """FingerRun of the finger with this namespace, such as '/sorter/thumb'."""
        messages = {name: self._messages[f'{namespace}{name}'] for name in _SERIES}
        stamps, wrench = stamped(messages['/wrench'], six)
        sd, truth = (joined(stamps, *stamped(self._messages[f'{namespace}/{name}'], six))
                     for name in ('wrench/stddev', 'truth/wrench'))
        received = np.array([time for time, _ in messages['/wrench']], np.int64)
        stick, slipping = (nearest(received, messages[f'/contact/{name}'], default)
                           for name, default in (('stick_ratio', 1.0), ('slipping', False)))
        return FingerRun(stamps, wrench, sd, truth, stick, slipping)

    def frame(self, namespace, run, row):
        """Image (H, W, 3), MarkerField and ForceEstimate of a row of the run.

        None if its image is not there or broken. The contact mask is not recorded: it follows
        from these.
        """
        stamp = run.stamp_ns[row]
        jpeg, cloud = (self._stamped(f'{namespace}/{name}', stamp)
                       for name in ('image_raw/compressed', 'markers/displacement'))
        image = None if jpeg is None else decode_image(jpeg.data)
        if image is None:
            return None
        estimate = ForceEstimate(run.wrench[row], run.sd[row], float(run.stick_ratio[row]),
                                 bool(run.slipping[row]))
        return image, markers_of(cloud), estimate

    @cached_property
    def _messages(self):
        """{topic: [(receive time, message)]}, all fingers at once, because reading takes long."""
        found = defaultdict(list)
        wanted = [c for c in self._reader.connections if c.topic.endswith(_SERIES)]
        if wanted:              # no connections would mean all
            for connection, time, data in self._reader.messages(wanted):
                message = self._reader.deserialize(data, connection.msgtype)
                found[connection.topic].append((time, message))
        return found

    def _stamped(self, topic, stamp_ns):
        """The message of a topic with this header stamp, or None; it came soon after that."""
        stamp_ns = int(stamp_ns)
        for connection in self._reader.connections:
            if connection.topic == topic:
                for _, _, data in self._reader.messages([connection], start=stamp_ns,
                                                        stop=stamp_ns + _SOON_NS):
                    if _stamp(data) == stamp_ns:
                        return self._reader.deserialize(data, connection.msgtype)
        return None


def six(message):
    """fx fy fz tx ty tz of a WrenchStamped."""
    force, torque = message.wrench.force, message.wrench.torque
    return force.x, force.y, force.z, torque.x, torque.y, torque.z


def stamped(pairs, values, width=6):
    """Stamps (N,) int64 and values (N, width) of (receive time, message with a header) pairs."""
    stamps = [message.header.stamp.sec * 10**9 + message.header.stamp.nanosec
              for _, message in pairs]
    rows = [values(message) for _, message in pairs]
    return np.array(stamps, np.int64), np.array(rows, float).reshape(-1, width)


def joined(stamps, found, rows):
    """(N, K) rows that have these stamps, NaN where there is none."""
    result = np.full((len(stamps), rows.shape[1]), np.nan)
    _, here, there = np.intersect1d(stamps, found, return_indices=True)
    result[here] = rows[there]
    return result


def nearest(received, pairs, default):
    """(N,) values of messages without stamp: the one that came nearest to each time, ns."""
    if not pairs:
        return np.full(len(received), default)
    times = np.array([time for time, _ in pairs], np.int64)
    values = np.array([message.data for _, message in pairs])
    after = np.clip(np.searchsorted(times, received), 0, len(times) - 1)
    before = np.maximum(after - 1, 0)
    nearer = np.abs(times[after] - received) < np.abs(times[before] - received)
    return values[np.where(nearer, after, before)]


def _stamp(data):
    """Header stamp in ns of a serialised message that begins with a header (CDR, XCDR1)."""
    order = '<' if data[1] & 1 else '>'
    seconds, nanoseconds = struct.unpack_from(f'{order}iI', data, 4)
    return seconds * 10**9 + nanoseconds


def markers_of(cloud):
    """MarkerField of a marker cloud (x y z dx dy dz id), empty without one.

    Raises
    ------
    DataError
        Other fields, or data that are not whole.
    """
    if cloud is None or not cloud.width:
        return MarkerField.empty()
    kinds = {7: '<f4', 8: '<f8', 5: '<i4', 6: '<u4'}
    try:
        points = np.frombuffer(cloud.data, np.dtype({
            'names': [f.name for f in cloud.fields],
            'formats': [kinds[f.datatype] for f in cloud.fields],
            'offsets': [f.offset for f in cloud.fields], 'itemsize': cloud.point_step}))
        points[['x', 'y', 'dx', 'dy', 'id']]
    except (KeyError, ValueError) as error:
        raise DataError(f'wrong marker cloud ({error})',
                        expected='x y z dx dy dz and id, and whole points') from None
    return MarkerField(points['id'].astype(np.int32),
                       np.stack([points['x'], points['y']], 1).astype(np.float32),
                       np.stack([points['dx'], points['dy']], 1).astype(np.float32))
