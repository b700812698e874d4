# SPDX-License-Identifier: Apache-2.0
"""Boots a guest with USB and V4L2 and runs the tests of `in_guest` there."""

import re
import shlex
import sys

import numpy as np
import pytest

from tests.device import guest
from tests.device.emulated.pictures import press_pictures

REASON = guest.why_not()


@pytest.mark.skipif(bool(REASON), reason=REASON)
@pytest.mark.timeout(420)
def test_the_device_tests_pass_in_a_guest_with_usb(tmp_path, capsys):
    np.save(tmp_path / 'pictures.npy', press_pictures())
    command = ('PICTURES=/out/pictures.npy ' + shlex.quote(sys.executable) + ' -m pytest -s -v '
               '-p no:cacheprovider --timeout=120 '
               + ' '.join(f'tests/device/in_guest/{name}.py' for name in ('vivid', 'fingertips')))
    with capsys.disabled():
        print()
        status, output = guest.run_in_guest(command, tmp_path, 400, echo=True)
    assert status == 0, output[-3000:]
    passed = re.search(r'(\d+) passed', output)
    assert passed and int(passed[1]) >= 20 and 'skipped' not in output.splitlines()[-1]
