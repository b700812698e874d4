# SPDX-License-Identifier: Apache-2.0
"""A time of day of their own for the processes of a hand, which a test can set.

What Python code asks for is answered with the shifted time: `time.time`, `time.time_ns`, the
recorder's `utc_now` and rclpy's clocks, thus every stamp of the hand; the monotonic clock goes on,
as when NTP or a person sets a machine's clock. It does not reach what is asked for below Python:
timers of rcl (the nodes' are on the steady clock, which a test of theirs checks), the middleware's
own bookkeeping, and stamps that the kernel makes, as for USB cameras (those are monotonic).
"""

import mmap
import struct

_FORM = struct.Struct('<q')


class Clock:
    """A shift of the time of day, shared through a file.

    Parameters
    ----------
    path : Path
        Made if it is not there.
    """

    def __init__(self, path):
        if not path.exists():
            path.write_bytes(bytes(_FORM.size))
        with path.open('r+b') as file:
            self._memory = mmap.mmap(file.fileno(), _FORM.size)

    @property
    def offset_ns(self):
        """How far the hand's clock is ahead of the machine's, ns."""
        return _FORM.unpack_from(self._memory)[0]

    def turn(self, seconds):
        """Set the clock forward, or back."""
        _FORM.pack_into(self._memory, 0, self.offset_ns + round(seconds * 1e9))


def live_by(clock):
    """Make this process tell the time by a Clock; before the product's modules are imported."""
    import time
    from datetime import timedelta

    import rclpy.clock
    from rclpy.duration import Duration

    from tactile_nodes.trials import store

    real_time, real_ns, real_utc = time.time, time.time_ns, store.utc_now
    real_now = rclpy.clock.Clock.now

    def now(self):
        moment = real_now(self)
        if self.clock_type == rclpy.clock.ClockType.STEADY_TIME:
            return moment
        return moment + Duration(nanoseconds=clock.offset_ns)

    time.time = lambda: real_time() + clock.offset_ns * 1e-9
    time.time_ns = lambda: real_ns() + clock.offset_ns
    store.utc_now = lambda: real_utc() + timedelta(microseconds=clock.offset_ns / 1e3)
    rclpy.clock.Clock.now = now
