# SPDX-License-Identifier: Apache-2.0
"""USB redirection transport: plugs a device into a host controller that QEMU emulates.

Protocol: "USB Network Redirection protocol description" of the usbredir project, which QEMU's
`usb-redir` device speaks over a socket. Only what isochronous fingertips need: control transfers
and alternate settings. The streams carry no pictures; what counts is that the guest's kernel
schedules them on an EHCI controller and refuses those that do not fit.
"""

import os
import socket
import struct
import threading
from contextlib import suppress

from tests.device.emulated import descriptors as d
from tests.device.emulated.fingertip import STALL
from tests.device.emulated.usbip import receive

HELLO, CONNECT, INTERFACES, ENDPOINTS = 0, 1, 4, 5
SET_CONFIGURATION, GET_CONFIGURATION, CONFIGURATION_STATUS = 6, 7, 8
SET_ALTERNATE, GET_ALTERNATE, ALTERNATE_STATUS = 9, 10, 11
START_STREAM, STOP_STREAM, STREAM_STATUS = 12, 13, 14
CONTROL = 100
SUCCESS, STALLED = 0, 4
HIGH_SPEED = 2
CONTROL_ENDPOINT, ISOCHRONOUS, ABSENT = 0, 1, 255
HEADER = struct.Struct('<III')                  # type, length, id
CONTROL_HEADER = struct.Struct('<BBBBHHH')      # endpoint, request, kind, status, value, index, n


class Redirection:
    """Serves one isochronous EmulatedFingertip to the QEMU that connects to the socket `path`.

    A context manager; a connection ends with its QEMU.
    """

    def __init__(self, path, device):
        self._device = device
        self._listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._listener.bind(os.fspath(path))
        self._listener.listen(1)
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def __enter__(self):
        return self

    def __exit__(self, *_):
        with suppress(OSError):                  # nobody may have come, or all have gone
            self._listener.shutdown(socket.SHUT_RDWR)
        self._thread.join()

    def _serve(self):
        with suppress(OSError):
            with self._listener:
                self._socket, _ = self._listener.accept()
            with self._socket:
                self._send(HELLO, struct.pack('<64sI', b'emulated fingertip', 0))
                while True:
                    kind, length, number = HEADER.unpack(receive(self._socket, HEADER.size))
                    self._answer(kind, receive(self._socket, length), number)

    def _send(self, kind, body, number=0):
        self._socket.sendall(HEADER.pack(kind, len(body), number) + body)

    def _answer(self, kind, body, number):
        if kind == HELLO:
            self._send_layout()
            self._send(CONNECT, struct.pack('<BBBBHH', HIGH_SPEED, 0xEF, 2, 1, d.VENDOR,
                                            d.PRODUCT))
        elif kind in (SET_CONFIGURATION, GET_CONFIGURATION):
            self._send_layout()
            self._send(CONFIGURATION_STATUS, bytes([SUCCESS, 1]), number)
        elif kind in (SET_ALTERNATE, GET_ALTERNATE):
            if kind == SET_ALTERNATE and body[0] == d.STREAM_INTERFACE:
                self._device.alternate = body[1]
                self._send_layout()
            alternate = self._device.alternate if body[0] == d.STREAM_INTERFACE else 0
            self._send(ALTERNATE_STATUS, bytes([SUCCESS, body[0], alternate]), number)
        elif kind in (START_STREAM, STOP_STREAM):
            self._send(STREAM_STATUS, bytes([SUCCESS, body[0]]), number)
        elif kind == CONTROL:
            self._control(body, number)

    def _send_layout(self):
        """Tell which interfaces and endpoints there are now; arrays have one entry per address."""
        classes, subclasses = bytes([0x0E, 0x0E]).ljust(32, b'\0'), bytes([1, 2]).ljust(32, b'\0')
        self._send(INTERFACES, struct.pack('<I32s32s32s32s', 2, bytes([0, 1]), classes,
                                           subclasses, bytes(32)))
        kinds, intervals, interfaces = bytearray([ABSENT] * 32), bytearray(32), bytearray(32)
        kinds[0] = kinds[16] = CONTROL_ENDPOINT
        if self._device.alternate:
            index = 16 + (d.ENDPOINT & 0x0F)
            kinds[index], intervals[index] = ISOCHRONOUS, 1
            interfaces[index] = d.STREAM_INTERFACE
        self._send(ENDPOINTS, bytes(kinds + intervals + interfaces))

    def _control(self, body, number):
        endpoint, request, kind, _, value, index, length = CONTROL_HEADER.unpack_from(body)
        answer = self._device.control(struct.pack('<BBHHH', kind, request, value, index, length),
                                      body[CONTROL_HEADER.size:])
        status = STALLED if answer is STALL else SUCCESS
        inward = (answer or b'') if kind & 0x80 else b''
        done = len(inward) if kind & 0x80 else length
        self._send(CONTROL, CONTROL_HEADER.pack(endpoint, request, kind, status, value, index,
                                                done) + inward, number)
