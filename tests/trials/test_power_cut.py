# SPDX-License-Identifier: Apache-2.0
"""The power goes while a trial is recorded: ext4 in a guest, on a disk that forgets what it likes.

What is on the disk after that is what its driver had flushed, and by chance some of the rest.
"""

import shlex
import subprocess
import sys

import pytest

from tests.device import guest
from tests.device.emulated.volatile_disk import VolatileDisk

REASON = guest.why_not(also={'mke2fs': 'e2fsprogs'})
MOST_LOST = 1.0        # s
CUTS = (2.0, 3.3)      # s of recording


@pytest.mark.skipif(bool(REASON), reason=REASON)
@pytest.mark.timeout(300)
def test_a_power_cut_loses_the_last_second_at_most(tmp_path, capsys):
    image, share = tmp_path / 'disk', tmp_path / 'share'
    share.mkdir()
    with image.open('wb') as stream:
        stream.truncate(256 * 2**20)
    subprocess.run([guest.program('mke2fs'), '-q', '-t', 'ext4', image], check=True)
    command = f'{shlex.quote(sys.executable)} -m tests.trials.recording_in_guest'
    put, lost, forgotten = [], [], []
    with VolatileDisk(tmp_path / 'nbd', image, seed=1) as disk, capsys.disabled():
        print()
        for seconds in (*CUTS, None):
            put.append([])

            def told(line, put=put[-1], seconds=seconds):
                if line.startswith('put '):
                    put.append(_numbers(line))
                return bool(put) and put[-1][1] > put[0][1] + seconds

            status, output = guest.run_in_guest(
                command + (' record' if seconds else ''), share, 120, disk=disk.path, until=told)
            disk.cut_power()
            found = [_numbers(line) for line in output.splitlines() if line.startswith('found ')]
            if len(put) > 1:
                assert len(found) == 1, output[-3000:]
                (given, end), (kept, last) = put[-2][-1], found[0]
                lost.append(end - last)
                print(f'power cut after {given + 1} messages, {forgotten[-1]} writes forgotten: '
                      f'{kept} are there, {max(0.0, lost[-1]):.2f} s lost')
            assert put[-1] or not seconds, output[-3000:]
            forgotten.append(disk.lost)
    assert status == 0, output[-3000:]
    assert len(lost) == len(CUTS) and max(lost) <= MOST_LOST


def _numbers(line):
    _, number, seconds = line.split()
    return int(number), float(seconds)
