# SPDX-License-Identifier: Apache-2.0
"""Messages that go out with every frame: serialised once, then only filled in.

To make a message of Python objects and have rclpy convert it takes longer than to send it. A form
holds what stays the same from frame to frame; stamp and numbers are written to where they were
found in an example, so nothing here knows the layout of a message. (ROS sends plain CDR, OMG
DDS-XTypes 1.3, 7.4: numbers in the machine's own byte order, without compression.)
"""

import struct

import numpy as np
from rclpy.serialization import serialize_message

from tactile_nodes.nodes.messages import header_of

_STAMP = struct.Struct('=iI')
_EXAMPLE = 0x5A6B5C4D, 0x2F2E3D4C      # s, ns; nothing else in a message looks like it
_PATTERN = np.arange(0x30, 0x70, dtype=np.uint8)       # neither NaN nor a subnormal number


class Form:
    """A serialised message with blanks for its stamp and numbers.

    Parameters
    ----------
    make : callable
        make(numbers, header), or make(numbers) without a frame, makes a message.
    kind : dtype
        Of the numbers in the message.
    count : int
        How many there are, one after the other.
    frame_id : str, optional
        None for a message without a header.

    Raises
    ------
    ValueError
        The numbers are not in the message as they are in memory.
    """

    def __init__(self, make, kind, count, frame_id=None):
        self._kind = np.dtype(kind)
        numbers = np.resize(_PATTERN, count * self._kind.itemsize)
        header = () if frame_id is None else (
            header_of(_EXAMPLE[0] * 10**9 + _EXAMPLE[1], frame_id),)
        self._form = bytearray(serialize_message(make(numbers.view(self._kind), *header)))
        at = self._form.index(numbers.tobytes())
        self._blank = memoryview(self._form)[at:at + numbers.nbytes]      # checks the length
        self._stamp_at = self._form.index(_STAMP.pack(*_EXAMPLE)) if header else None

    def __call__(self, numbers=(), stamp_ns=None):
        """Return the bytes of the message with these numbers and that stamp (ns)."""
        if self._stamp_at is not None:
            _STAMP.pack_into(self._form, self._stamp_at, *divmod(int(stamp_ns), 10**9))
        self._blank[:] = np.asarray(numbers, self._kind).tobytes()
        return bytes(self._form)


def stamp_in(data):
    """Stamp, ns, in the bytes of a message that begins with a header: four bytes say how it is."""
    seconds, nanoseconds = _STAMP.unpack_from(data, 4)
    return seconds * 10**9 + nanoseconds


def either(make):
    """Return a function from False and True to the bytes of make(False) and make(True)."""
    both = [serialize_message(make(value)) for value in (False, True)]
    return lambda value: both[bool(value)]
