# SPDX-License-Identifier: Apache-2.0
"""Hears what the hand under test says: wrenches with their truth, diagnostics, log."""

import time
from collections import defaultdict
from contextlib import ExitStack
from dataclasses import dataclass
from functools import partial

import numpy as np
from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus
from geometry_msgs.msg import WrenchStamped
from rcl_interfaces.msg import Log
from rclpy.qos import DurabilityPolicy, QoSProfile
from rclpy.serialization import deserialize_message

from tactile_nodes.nodes.messages import message_type, stamp_of
from tactile_nodes.nodes.process import background_node

GARBAGE_NS = 4 * 10**18       # stamp of messages that are published on purpose to be wrong
_DEPTH = 100      # messages that may wait while this process does something else
_WARNING = int.from_bytes(Log.WARN, 'little') if isinstance(Log.WARN, bytes) else Log.WARN


@dataclass(frozen=True)
class Report:
    """Something that the hand said of itself.

    Attributes
    ----------
    at : float
        When it was heard, monotonic s.
    source : str
        Such as 'sorter/thumb: camera' (diagnostics), 'sorter.thumb.device' (log) or 'thumb'
        (supervisor).
    text : str
    alarm : bool
        Whether it is a warning or worse.
    """

    at: float
    source: str
    text: str
    alarm: bool


class Observer:
    """A node in a context and a thread of its own; a context manager.

    Attributes
    ----------
    arrivals : dict of str to list of (float, int)
        By finger: when each wrench came (monotonic s) and its stamp, ns.
    reports : list of Report
    heard : dict of str to list of float
        By topic asked for with `hear`: when messages came, monotonic s.
    """

    def __init__(self, namespace, fingers):
        self._namespace, self._fingers = namespace, fingers
        self._numbers = {finger: defaultdict(dict) for finger in fingers}
        self.arrivals = {finger: [] for finger in fingers}
        self.reports, self.heard = [], defaultdict(list)

    def __enter__(self):
        self._stack = ExitStack()
        self.node = self._stack.enter_context(
            background_node('observer', namespace=self._namespace))
        for finger in self._fingers:
            for topic in ('wrench', 'wrench/stddev', 'truth/wrench'):
                self.node.create_subscription(WrenchStamped, f'{finger}/{topic}',
                                              partial(self._take, finger, topic), _DEPTH,
                                              raw=True)
        self.node.create_subscription(DiagnosticArray, '/diagnostics', self._diagnosed, _DEPTH)
        self.node.create_subscription(Log, '/rosout', self._logged, _DEPTH)
        return self

    def __exit__(self, *_):
        self._stack.close()

    def hear(self, topic, kind):
        """Note when messages come on another topic as well; returns the subscription."""
        return self.node.create_subscription(
            message_type(kind), topic, lambda _: self.heard[topic].append(time.monotonic()), 5,
            raw=True)

    def publisher(self, topic, kind, *, latched=False):
        """Publisher of a topic."""
        durability = DurabilityPolicy.TRANSIENT_LOCAL if latched else DurabilityPolicy.VOLATILE
        return self.node.create_publisher(message_type(kind), topic,
                                          QoSProfile(depth=10, durability=durability))

    def forget(self, before):
        """Drop what came before a moment, monotonic s."""
        for finger, arrivals in self.arrivals.items():
            old = [stamp for at, stamp in arrivals[:] if at < before]
            del arrivals[:len(old)]
            for stamp in old:
                self._numbers[finger].pop(stamp, None)
        del self.reports[:sum(report.at < before for report in self.reports[:])]
        self.heard.clear()

    def rate(self, finger, begin, end):
        """Wrenches a second between two moments, monotonic s."""
        times = [a[0] for a in self.arrivals[finger][:]]
        return sum(begin <= t < end for t in times) / (end - begin)

    def errors(self, finger, begin, end):
        """What is known of the wrenches between two moments.

        Returns
        -------
        (N,) float
            When each came, monotonic s.
        (N, 6) float
            Wrench less truth.
        (N, 6) float
            The standard deviation published with it; inf where an axis is not measured.
        """
        rows = []
        for at, stamp in self.arrivals[finger][:]:
            parts = self._numbers[finger].get(stamp, {})
            if begin <= at < end and len(parts) == 3:
                rows.append((at, parts['wrench'] - parts['truth/wrench'],
                             parts['wrench/stddev']))
        if not rows:
            return np.zeros(0), np.zeros((0, 6)), np.zeros((0, 6))
        return tuple(np.array(column) for column in zip(*rows, strict=True))

    def report(self, source, text, alarm):
        """Take a report from elsewhere."""
        self.reports.append(Report(time.monotonic(), source, text, alarm))

    def _take(self, finger, topic, data):
        try:
            message = deserialize_message(data, WrenchStamped)
        except Exception:  # noqa: BLE001 - rclpy raises several kinds for bytes that are no message
            return
        stamp = stamp_of(message)
        if stamp == GARBAGE_NS:
            return
        force, torque = message.wrench.force, message.wrench.torque
        self._numbers[finger][stamp][topic] = np.array(
            [force.x, force.y, force.z, torque.x, torque.y, torque.z])
        if topic == 'wrench':
            self.arrivals[finger].append((time.monotonic(), stamp))

    def _diagnosed(self, message):
        for status in message.status:
            self.report(status.name, status.message, status.level != DiagnosticStatus.OK)

    def _logged(self, message):
        self.report(message.name, message.msg, message.level >= _WARNING)
