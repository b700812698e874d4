# SPDX-License-Identifier: Apache-2.0
"""Watches a hand from outside: what arrives, how often and how late; for the demo."""

from contextlib import ExitStack
from time import time_ns

import numpy as np
from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus
from geometry_msgs.msg import WrenchStamped
from std_msgs.msg import Bool

from tactile_nodes.nodes.process import background_node

RELIABLE_DEPTH = 50        # frames that may wait while this process is busy drawing


class FingerWatch:
    """What arrived from one finger.

    Attributes
    ----------
    arrivals : list of (int, int)
        When the callback got it and header stamp of every wrench, ns.
    wrench : geometry_msgs.msg.WrenchStamped or None
        The last one.
    in_contact, slipping : bool
    trouble : dict of str to str
        What its diagnostics say that is not well, by concern.
    """

    def __init__(self):
        self.trouble = {}
        self.arrivals = []
        self.wrench = None
        self.in_contact = self.slipping = False

    def on_wrench(self, message):
        """Take a wrench."""
        now, stamp = time_ns(), message.header.stamp
        self.arrivals.append((now, stamp.sec * 10**9 + stamp.nanosec))
        self.wrench = message

    def on_contact(self, message):
        """Take whether anything touches."""
        self.in_contact = message.data

    def on_slip(self, message):
        """Take whether the contact slides."""
        self.slipping = message.data

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
                self._node.create_subscription(kind, f'{name}/{topic}', callback, RELIABLE_DEPTH)
        self._node.create_subscription(DiagnosticArray, '/diagnostics', self._on_diagnostics,
                                       RELIABLE_DEPTH)
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
