# SPDX-License-Identifier: Apache-2.0
"""Messages of one frame brought together by their stamp."""

from tactile_nodes.nodes.messages import stamp_of

_WAITING = 4      # frames that may be incomplete at a time; the first to come is dropped


class Join:
    """Collects one message of each name per stamp.

    Parameters
    ----------
    names : sequence of str
    deliver : callable
        Called as deliver(stamp_ns, {name: message}) when all with a stamp are there.

    Attributes
    ----------
    dropped : int
        Frames that stayed incomplete.
    """

    def __init__(self, names, deliver):
        self._names, self._deliver = set(names), deliver
        self._waiting = {}
        self.dropped = 0

    def taker(self, name):
        """Subscription callback for the messages of that name."""
        return lambda message: self._take(name, message)

    def _take(self, name, message):
        stamp = stamp_of(message)
        parts = self._waiting.setdefault(stamp, {})
        parts[name] = message
        if len(parts) == len(self._names):
            del self._waiting[stamp]
            self._deliver(stamp, parts)
        elif len(self._waiting) > _WAITING:
            # not the one with the smallest stamp: a clock may jump, and a stamp may be garbage
            del self._waiting[next(iter(self._waiting))]
            self.dropped += 1
