# SPDX-License-Identifier: Apache-2.0
"""Trials with known content, as the recorder leaves them, for the tests of what reads them."""

from datetime import datetime, timedelta, timezone

import numpy as np

from tactile_nodes.files.trial import Trial, write_trial
from tactile_nodes.trials.bag import BagWriter
from tests.trials.recorded import STORE, TYPES, make

PERIOD = 1 / 60
STARTED = datetime(2026, 3, 4, 5, 6, 7, tzinfo=timezone.utc)
JOINTS = 'sensor_msgs/msg/JointState'


def header(stamp_ns):
    sec, nanosec = divmod(int(stamp_ns), 10**9)
    return make('std_msgs/msg/Header', frame_id='thumb_tip',
                stamp=make('builtin_interfaces/msg/Time', sec=sec, nanosec=nanosec))


def vector(kind, values):
    return make(f'geometry_msgs/msg/{kind}', **dict(zip('xyz', map(float, values), strict=True)))


def wrench(stamp_ns, values):
    return make('geometry_msgs/msg/WrenchStamped', header=header(stamp_ns), wrench=make(
        'geometry_msgs/msg/Wrench', force=vector('Vector3', values[:3]),
        torque=vector('Vector3', values[3:])))


def point(stamp_ns, values):
    return make('geometry_msgs/msg/PointStamped', header=header(stamp_ns),
                point=vector('Point', values))


def joint_state(stamp_ns, names, position):
    return make(JOINTS, header=header(stamp_ns), name=list(names),
                position=np.array(position, float), velocity=np.zeros(0), effort=np.zeros(0))


def make_trial(output, name, *, condition='firm', outcome='success', drop_at=None, slides=False,
               seconds=3.0, hand='sorter', fingers=('thumb', 'index'), number=0, lost=(),
               stick=0.0, place=lambda time: (1e-3, 2e-3, 1e-4), signals=()):
    """Write a trial: contact from 0.5 to 2.0 s at 1 N, sliding from 1.7 s if it `slides`.

    With a `stick` ratio above 0 that is only a warning. `lost` are numbers of frames that did not
    come; `place` is the contact keypoint over time; `signals` are (topic, type, at in s, message)
    besides.
    """
    started = STARTED + timedelta(minutes=number)
    trial = Trial(output / name, hand, 'plum', condition, '', 'finished', outcome, drop_at,
                  started, seconds, fingers={}, software={'tactile_nodes': 'x'})
    start, written = trial.start_ns, []
    for frame in range(int(seconds / PERIOD)):
        if frame in lost:
            continue
        time = frame * PERIOD
        stamp = start + round(time * 1e9)
        touching = 0.5 <= time < 2.0
        sliding = slides and 1.7 <= time < 2.0
        values = [0.0, 0.25 * touching, -1.0 * touching, 0, 0, 0]
        for finger in fingers:
            parts = {'wrench': wrench(stamp, values),
                     'wrench/stddev': wrench(stamp, [0.1] * 5 + [np.inf]),
                     'contact/in_contact': make('std_msgs/msg/Bool', data=touching),
                     'contact/slipping': make('std_msgs/msg/Bool', data=sliding),
                     'contact/stick_ratio': make('std_msgs/msg/Float32',
                                                 data=stick if sliding else 1.0)}
            if touching:
                parts['contact/centroid'] = point(stamp, place(time))
            written += [(f'/{hand}/{finger}/{part}', TYPES[part], stamp + 5_000_000, message)
                        for part, message in parts.items()]
    written += [(topic, kind, start + round(at * 1e9), message)
                for topic, kind, at, message in signals]
    with BagWriter(trial.folder) as bag:
        for topic, kind in dict.fromkeys((topic, kind) for topic, kind, _, _ in written):
            bag.add_topic(topic, kind)
        for topic, kind, at, message in sorted(written, key=lambda entry: entry[2]):
            bag.write(topic, bytes(STORE.serialize_cdr(message, kind)), at, at)
    write_trial(trial)
    return trial
