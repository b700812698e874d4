# SPDX-License-Identifier: Apache-2.0
"""Runs in the guest: brings into order what the last power cut left, then records until the next.

Prints `found NUMBER TIME` for the newest message of each trial found, and `put NUMBER TIME` for
messages given to the recorder; TIME in s of the guest's clock.
"""

import subprocess
import sys
import time
from pathlib import Path

import numpy as np
from rosbags.rosbag2 import Reader

from tactile_nodes.trials.recorder import TrialRecorder
from tactile_nodes.trials.store import repair_all

DISK = Path('/mnt/disk')
TOPIC, KIND = '/sorter/thumb/image_raw/compressed', 'sensor_msgs/msg/CompressedImage'
RATE = 60        # messages a second
SAID = 6         # messages from word to word
SIZE = 12_000    # bytes a message, about that of a picture


def say(word, number, seconds):
    print(f'{word} {number} {seconds:.4f}', flush=True)


def find():
    for folder, done in repair_all(DISK):
        print(f'repaired {folder.name}: {done}', flush=True)
        with Reader(folder) as bag:
            found = [(int(np.frombuffer(data[-8:], np.uint64)[0]), stamp)
                     for _, stamp, data in bag.messages()]
        assert [number for number, _ in found] == list(range(len(found))), 'a hole in the bag'
        say('found', len(found), found[-1][1] / 1e9 if found else 0)


def record():
    recorder = TrialRecorder(DISK, 'sorter', ['thumb'])
    recorder.start('plum', 'soft')
    recorder.add_topic(TOPIC, KIND)
    picture = np.random.default_rng(1).bytes(SIZE)
    print('recording', flush=True)
    start, number = time.monotonic(), 0
    while True:
        time.sleep(max(0, start + number / RATE - time.monotonic()))
        now = time.time_ns()
        recorder.put(TOPIC, picture + np.uint64(number).tobytes(), now)
        if number % SAID == 0:
            say('put', number, now / 1e9)
        number += 1


def main():
    subprocess.run(['modprobe', '-a', 'virtio_blk', 'ext4'], check=True)
    DISK.mkdir(parents=True, exist_ok=True)
    subprocess.run(['mount', '-t', 'ext4', '/dev/vda', DISK], check=True)
    find()
    if sys.argv[1:] == ['record']:
        record()


if __name__ == '__main__':
    main()
