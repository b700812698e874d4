# SPDX-License-Identifier: Apache-2.0
"""Watches a hand from outside: what arrives, how often and how late; for the demo."""

from contextlib import ExitStack
from time import time_ns

import numpy as np
from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus
from geometry_msgs.msg import WrenchStamped
from rclpy.qos import QoSProfile, ReliabilityPolicy
from rclpy.serialization import deserialize_message
from std_msgs.msg import Bool

from tactile_nodes.nodes.forms import stamp_in
from tactile_nodes.nodes.process import background_node

_MANY = 50                 # messages that may wait while this process is busy drawing
_SENSOR = QoSProfile(depth=_MANY, reliability=ReliabilityPolicy.BEST_EFFORT)


class FingerWatch:
    """What arrived from one finger; messages are taken as they come and read when asked for.

    Attributes
    ----------
    arrivals : list of (int, int)
        When the callback got it and header stamp of every wrench, ns.
    trouble : dict of str to str
        What its diagnostics say that is not well, by concern.
    """

    def __init__(self):
        self.trouble = {}
        self.arrivals = []
        self._wrench = self._in_contact = self._slipping = None

    def on_wrench(self, data):
        """Take the bytes of a WrenchStamped."""
        self.arrivals.append((time_ns(), stamp_in(data)))
        self._wrench = data

    def on_contact(self, data):
        """Take the bytes of the Bool that says whether anything touches."""
        self._in_contact = data

    def on_slip(self, data):
        """Take the bytes of the Bool that warns of a slip."""
        self._slipping = data

    @property
    def wrench(self):
        """The last geometry_msgs.msg.WrenchStamped, None before there is one."""
        return self._wrench and deserialize_message(self._wrench, WrenchStamped)

    @property
    def in_contact(self):
        """Whether anything touches, bool."""
        return bool(self._in_contact) and deserialize_message(self._in_contact, Bool).data

    @property
    def slipping(self):
        """Whether the contact slides or is about to, bool."""
        return bool(self._slipping) and deserialize_message(self._slipping, Bool).data

    def since(self, start_ns):
        """(N, 2) int64 of the arrivals whose frames were exposed since then."""
        arrivals = np.array(self.arrivals, np.int64).reshape(-1, 2)
        return arrivals[arrivals[:, 1] >= start_ns]


class HandMonitor:
    """A node that hears every finger's wrench, contact, slip and diagnostics; a context manager.

    Messages are taken in a thread of their own. `fingers` maps names to FingerWatch.
    """

    def __init__(self, namespace, fingers):
        self._namespace = namespace
        self.fingers = {name: FingerWatch() for name in fingers}

    def __enter__(self):
        self._stack = ExitStack()
        self._node = self._stack.enter_context(
            background_node('monitor', namespace=self._namespace))
        for name, watch in self.fingers.items():
            for topic, kind, callback in (('wrench', WrenchStamped, watch.on_wrench),
                                          ('contact/in_contact', Bool, watch.on_contact),
                                          ('contact/slipping', Bool, watch.on_slip)):
                self._node.create_subscription(kind, f'{name}/{topic}', callback, _SENSOR,
                                               raw=True)
        self._node.create_subscription(DiagnosticArray, '/diagnostics', self._on_diagnostics,
                                       _MANY)
        return self

    def __exit__(self, *_):
        self._stack.close()

    def readers(self, finger):
        """How many subscriptions there are to a finger's wrench, this monitor's included."""
        return self._node.count_subscribers(f'{self._namespace}/{finger}/wrench')

    def _on_diagnostics(self, message):
        """Keep what is not well; a status is named `<hand>/<finger>: <concern>`."""
        for status in message.status:
            owner, _, concern = status.name.partition(': ')
            watch = self.fingers.get(owner.rpartition('/')[2])
            if watch is None:
                continue
            if status.level == DiagnosticStatus.OK:
                watch.trouble.pop(concern, None)
            else:
                watch.trouble[concern] = status.message
