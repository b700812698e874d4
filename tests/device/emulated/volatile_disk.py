# SPDX-License-Identifier: Apache-2.0
"""A disk for the guest that forgets what was not flushed when the power goes.

An NBD server (network block device, protocol document of the NBD project: fixed newstyle
negotiation, simple replies) on a local socket. Writes stay in its memory, as in the volatile cache
of a real disk, until the guest flushes them or asks for one to be forced through. After
`cut_power` each of the others has got through or not by chance, which real disks do in any order.
"""

import os
import random
import socket
import struct
import threading

_OPTION, _REQUEST = struct.Struct('>QII'), struct.Struct('>IHHQQI')
_GO, _INFO, _ACK, _UNSUPPORTED = 7, 3, 1, 2**31 + 1
_READ, _WRITE, _DISCONNECT, _FLUSH = range(4)
_FORCED = 1
_FLAGS = 1 | 4 | 8              # flags are sent; flush and forced writes are known


class VolatileDisk:
    """Serves one guest at a time from a file; a context manager.

    Parameters
    ----------
    path : Path
        Socket to listen on; kept as `path`.
    image : Path
        What is on the disk.
    seed : int
        Decides what gets through when the power is cut.

    Attributes
    ----------
    lost : int
        Writes that did not get through at the last power cut.
    """

    def __init__(self, path, image, seed):
        self.path, self._image = path, image
        self._random = random.Random(seed)
        self._waiting, self._lock = [], threading.Lock()
        self.lost = 0

    def __enter__(self):
        self._file = os.open(self._image, os.O_RDWR)
        self._size = os.fstat(self._file).st_size
        self._listener = socket.socket(socket.AF_UNIX)
        self._listener.bind(str(self.path))
        self._listener.listen()
        threading.Thread(target=self._serve, daemon=True).start()
        return self

    def __exit__(self, *_):
        self._listener.close()
        os.close(self._file)

    def cut_power(self):
        """What waits gets through or not; to be called when the guest is gone."""
        with self._lock:
            through = [write for write in self._waiting if self._random.random() < 0.5]
            self.lost = len(self._waiting) - len(through)
            self._through(through)
            self._waiting.clear()

    def _through(self, writes):
        for offset, data in writes:
            os.pwrite(self._file, data, offset)

    def _serve(self):
        while True:
            try:
                guest, _ = self._listener.accept()
            except OSError:
                return
            with guest:
                try:
                    self._negotiate(guest)
                    while self._answer(guest):
                        pass
                except (ConnectionError, EOFError):
                    pass

    def _negotiate(self, guest):
        guest.sendall(b'NBDMAGICIHAVEOPT' + struct.pack('>H', 3))
        _take(guest, 4)
        option = None
        while option != _GO:
            _, option, length = _OPTION.unpack(_take(guest, _OPTION.size))
            _take(guest, length)
            replies = [(_UNSUPPORTED, b'')]
            if option == _GO:
                replies = [(_INFO, struct.pack('>HQH', 0, self._size, _FLAGS)), (_ACK, b'')]
            for kind, data in replies:
                head = struct.pack('>QIII', 0x3e889045565a9, option, kind, len(data))
                guest.sendall(head + data)

    def _answer(self, guest):
        """One request; False when the guest says goodbye."""
        _, flags, kind, cookie, offset, length = _REQUEST.unpack(_take(guest, _REQUEST.size))
        data = b''
        with self._lock:
            if kind == _READ:
                data = self._read(offset, length)
            elif kind == _WRITE:
                write = offset, _take(guest, length)
                self._waiting.append(write)
                if flags & _FORCED:
                    self._through([write])
            elif kind == _FLUSH:
                self._through(self._waiting)
                self._waiting.clear()
        if kind == _DISCONNECT:
            return False
        guest.sendall(struct.pack('>IIQ', 0x67446698, 0, cookie) + data)
        return True

    def _read(self, offset, length):
        """What the guest wrote last, flushed or not."""
        data = bytearray(os.pread(self._file, length, offset))
        for at, written in self._waiting:
            begin, end = max(at, offset), min(at + len(written), offset + length)
            if begin < end:
                data[begin - offset:end - offset] = written[begin - at:end - at]
        return bytes(data)


def _take(guest, count):
    data = bytearray()
    while len(data) < count:
        more = guest.recv(count - len(data))
        if not more:
            raise EOFError
        data += more
    return bytes(data)
