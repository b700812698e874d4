# SPDX-License-Identifier: Apache-2.0
"""USB/IP transport: carries USB requests of the kernel's virtual host controller to a device.

Protocol: the Linux kernel's Documentation/usb/usbip_protocol.rst. The socket is handed to the
kernel directly (vhci_hcd's `attach`), so the import handshake is not needed.
"""

import errno
import socket
import struct
import threading
import time
from collections import deque
from contextlib import suppress
from pathlib import Path

from tests.device.emulated.fingertip import STALL

VHCI = Path('/sys/devices/platform/vhci_hcd.0')
SUBMIT, UNLINK, SUBMITTED, UNLINKED = 1, 2, 3, 4
HIGH_SPEED, FREE_PORT = 3, 4
PACKET = struct.Struct('>IIII')


def receive(stream, count):
    """Exactly `count` bytes from a socket; ConnectionError when it ends before."""
    data = b''
    while len(data) < count:
        part = stream.recv(count - len(data))
        if not part:
            raise ConnectionError
        data += part
    return data


class Connection:
    """A device plugged into the virtual host controller; `unplug` pulls it out."""

    def __init__(self, device, port=None):
        self.device = device
        self.port = free_port() if port is None else port
        self._socket, kernel = socket.socketpair(socket.AF_UNIX, socket.SOCK_STREAM)
        self._send_lock = threading.Lock()
        self._urbs = deque()                 # waiting IN transfers: (seqnum, length, packets)
        self._wake = threading.Condition()
        self._open = True
        (VHCI / 'attach').write_text(f'{self.port} {kernel.fileno()} {0x10000 + self.port + 1} '
                                     f'{HIGH_SPEED}')
        kernel.close()                       # the kernel keeps its own hold on it
        for target in (self._serve, self._stream):
            threading.Thread(target=target, daemon=True).start()

    def unplug(self):
        """Pull the device out."""
        self._open = False
        with self._wake:
            self._wake.notify_all()
        with suppress(OSError):
            self._socket.shutdown(socket.SHUT_RDWR)
        self._socket.close()

    def _serve(self):
        try:
            while self._open:
                self._one(receive(self._socket, 48))
        except (ConnectionError, OSError):
            self._open = False
            with self._wake:
                self._wake.notify_all()

    def _one(self, header):
        command, number, _, inward, endpoint = struct.unpack_from('>IIIII', header)
        if command == UNLINK:
            self._unlink(number, struct.unpack_from('>I', header, 20)[0])
            return
        _, length, start, packets, _ = struct.unpack_from('>IiIiI', header, 20)
        setup = header[40:48]
        data = b'' if inward else receive(self._socket, length)
        layout = [PACKET.unpack(receive(self._socket, 16)) for _ in range(max(0, packets))]
        if endpoint == 0:
            if 'nak' in self.device.trouble and setup[0] & 0x60:
                return              # NAKs for ever: the host's own timeout ends the transfer
            with self.device.lock:
                answer = self.device.control(setup, data)
            status = -errno.EPIPE if answer is STALL else 0
            body = answer or b''
            self._reply(number, status, len(body) if inward else len(data),
                        body if inward else b'')
        else:
            with self._wake:
                self._urbs.append((number, length, start, layout))
                self._wake.notify_all()

    def _unlink(self, number, victim):
        # under the lock, as every answer is: the kernel drops a device that answers a transfer
        # after it has been told that it is unlinked
        with self._wake:
            known = [u for u in self._urbs if u[0] == victim]
            for urb in known:
                self._urbs.remove(urb)
            status = -errno.ECONNRESET if known else 0
            self._write(struct.pack('>IIIIIi24x', UNLINKED, number, 0, 0, 0, status))

    def _reply(self, number, status, actual, body, *, start=0, packets=()):
        head = struct.pack('>IIIIIiiiii8x', SUBMITTED, number, 0, 0, 0, status, actual, start,
                           len(packets), 0)
        self._write(head + body + b''.join(PACKET.pack(*p) for p in packets))

    def _write(self, data):
        with self._send_lock:
            try:
                self._socket.sendall(data)
            except OSError:
                self._open = False

    def _next_urb(self):
        with self._wake:
            while self._open and not self._urbs:
                self._wake.wait()
            return self._urbs.popleft() if self._urbs else None

    def _stream(self):
        due = time.monotonic()
        while self._open:
            with self._wake:
                while self._open and not self._urbs:
                    self._wake.wait()
                    due = time.monotonic()
            if not self._open:
                return
            if self.device.committed is None or 'stall' in self.device.trouble:
                time.sleep(0.02)
                due = time.monotonic()
                continue
            due = max(due + self.device.committed[3], time.monotonic() - 1)
            time.sleep(max(0.0, due - time.monotonic()))
            if self.device.bulk:
                self._bulk_frame()
            else:
                self._iso_frame()

    def _bulk_frame(self):
        for payload in self.device.payloads(16384):
            with self._wake:
                urb = self._next_urb()
                if urb is None:
                    return
                self._reply(urb[0], 0, len(payload), payload)

    def _iso_frame(self):
        size = struct.unpack_from('<I', self.device.probe, 22)[0]
        pending = deque(self.device.payloads(size))
        while pending and self._open:
            with self._wake:
                urb = self._next_urb()
                if urb is None:
                    return
                number, _, start, layout = urb
                body, packets = b'', []
                for offset, length, _, _ in layout:
                    part = pending.popleft() if pending else b''
                    body += part
                    packets.append((offset, length, len(part), 0))
                self._reply(number, 0, len(body), body, start=start, packets=packets)


def free_port():
    """A free high-speed port of the virtual host controller."""
    for line in (VHCI / 'status').read_text().splitlines()[1:]:
        hub, port, state = line.split()[:3]
        if hub == 'hs' and int(state) == FREE_PORT:
            return int(port)
    raise RuntimeError('no free port on vhci_hcd')
