# SPDX-License-Identifier: Apache-2.0
"""Boots a guest with USB and V4L2 and runs the tests of `in_guest` there."""

import argparse
import compileall
import re
import shlex
import sys
from contextlib import ExitStack

import numpy as np
import pytest

from tests.device import guest
from tests.device.emulated.fingertip import EmulatedFingertip
from tests.device.emulated.pictures import press_pictures
from tests.device.emulated.redirection import Redirection

REASON = guest.why_not()
EHCI_RATES = (30, 45, 60, 90, 120)
MODULES = ('vivid', 'fingertips', 'contract', 'commands', 'bandwidth', 'hand')


@pytest.mark.skipif(bool(REASON), reason=REASON)
@pytest.mark.timeout(600)
def test_in_a_guest_with_usb(tmp_path, capsys):
    pictures = press_pictures()
    np.save(tmp_path / 'pictures.npy', pictures)
    sockets = [tmp_path / f'usb{number}' for number in range(4)]
    fingertips = [EmulatedFingertip(f'EH-{number}', pictures, bulk=False, rates=EHCI_RATES)
                  for number in range(len(sockets))]
    for package in ('tactile_nodes', 'tests'):           # the guest would need minutes for it
        compileall.compile_dir(guest.ROOT / package, quiet=2)
    command = ('PICTURES=/out/pictures.npy ' + shlex.quote(sys.executable) + ' -m pytest -s -v '
               '-p no:cacheprovider --timeout=120 --durations=12 '
               + ' '.join(f'tests/device/in_guest/{name}.py' for name in MODULES))
    with ExitStack() as plugged, capsys.disabled():
        for path, fingertip in zip(sockets, fingertips, strict=True):
            plugged.enter_context(Redirection(path, fingertip))
        print()
        status, output = guest.run_in_guest(command, tmp_path, 580, echo=True,
                                            redirected=sockets)
    assert status == 0, output[-3000:]
    collected, passed = (int(re.search(pattern, output)[1])
                         for pattern in (r'collected (\d+) items', r'(\d+) passed'))
    assert passed == collected
    for name in MODULES:
        assert f'in_guest/{name}.py::' in output


def test_says_what_is_missing(monkeypatch):
    monkeypatch.setattr(guest.os, 'uname', lambda: argparse.Namespace(machine='x86_64'))
    monkeypatch.setattr(guest.shutil, 'which', lambda *_, **__: None)
    monkeypatch.setattr(guest, '_kernel', lambda: None)
    assert guest.why_not() == ('not installed (Debian packages): qemu-system-x86 busybox-static '
                               'kmod udev linux-image-amd64')
    monkeypatch.setattr(guest.os, 'uname', lambda: argparse.Namespace(machine='aarch64'))
    assert 'this is aarch64' in guest.why_not()
