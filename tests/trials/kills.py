# SPDX-License-Identifier: Apache-2.0
"""What a killed recorder loses: python -m tests.trials.kills [--count 100] [--seed 1]

A recorder of four fingers at 60 frames/s is killed again and again, at random moments of a trial.
After each kill the next start's repair is done, the bag is read by rosbags, and what was published
before the kill is compared with what is there. Exit code 1 if a bag cannot be read or a kill lost
more than the last second.
"""

import argparse
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from contextlib import contextmanager
from pathlib import Path

import numpy as np

FINGERS = ('thumb', 'index', 'middle', 'ring')
RATE = 60.0                     # frames a second of each
MOST_LOST = 1.0                 # s
RECORDED = (0.3, 3.0)           # s from the first word of a trial's bag to the kill
START_WITHIN = 30.0             # s
PICTURE = 12_000                # bytes, about that of a JPEG of 320x240


def publish():
    """Publish what a recorder of four fingers hears, until killed."""
    import rclpy

    from tactile_nodes.core.types import MarkerField
    from tactile_nodes.interface import FINGER_TOPICS
    from tactile_nodes.nodes import messages
    from tactile_nodes.nodes.finger_node import create_outlet
    rclpy.init()
    rng = np.random.default_rng(1)
    cloud = messages.cloud_points(MarkerField(np.arange(120, dtype=np.int32),
                                              *rng.random((2, 120, 2), np.float32)))
    picture = rng.bytes(PICTURE)

    def made(topic, header):
        kind = messages.message_type(topic.type)
        message = kind(header=header) if hasattr(kind(), 'header') else kind()
        if topic.name == 'image_raw/compressed':
            message.data = messages._bytes(picture)
        return messages.cloud_message(cloud, header) if topic.node == 'flow' else message

    topics = [topic for topic in FINGER_TOPICS if topic.record and not topic.latched]
    nodes = [rclpy.create_node('source', namespace=f'/sorter/{finger}') for finger in FINGERS]
    outlets = [[(topic, create_outlet(node, topic)) for topic in topics] for node in nodes]
    start, count = time.monotonic(), 0
    while True:
        time.sleep(max(0.0, start + count / (RATE * len(FINGERS)) - time.monotonic()))
        header = messages.header_of(time.time_ns(), 'tip')
        for topic, outlet in outlets[count % len(FINGERS)]:
            outlet.publish(made(topic, header))
        count += 1


@contextmanager
def process(*words):
    """A Python process that is killed at the end."""
    with subprocess.Popen([sys.executable, *words], stdout=subprocess.DEVNULL,
                          stderr=subprocess.DEVNULL) as running:
        try:
            yield running
        finally:
            running.kill()


def kill_one(output, moment):
    """Record, kill after a random while; returns when, in ns of the time of day."""
    with process('-m', 'tactile_nodes.nodes.recorder_node', '--ros-args', '-r', '__ns:=/sorter',
                 '-p', f'fingers:=[{",".join(FINGERS)}]', '-p', f'output:={output}',
                 '-p', 'autostart:=true') as recorder:
        end = time.monotonic() + START_WITHIN
        while not any(file.stat().st_size > PICTURE for file in output.glob('*/*.mcap')):
            if time.monotonic() > end or recorder.poll() is not None:
                raise RuntimeError('the recorder did not begin')
            time.sleep(0.02)
        time.sleep(moment)
        when = time.time_ns()
        recorder.send_signal(signal.SIGKILL)
        recorder.wait()
    return when


def look(output, when):
    """Messages in the bag, and s before the kill at which the worst finger's wrenches end."""
    from rosbags.rosbag2 import Reader

    from tactile_nodes.device.bags import stamp_of
    from tactile_nodes.trials.bag import read_messages
    from tactile_nodes.trials.store import repair_all
    folder, = output.iterdir()
    for _, done in repair_all(output):
        if isinstance(done, Exception):
            raise done
    with Reader(folder) as bag:
        count = bag.message_count
    newest = dict.fromkeys((f'/sorter/{finger}/wrench' for finger in FINGERS), 0)
    for topic, log_ns, message in read_messages(folder, list(newest)):
        newest[topic] = max(newest[topic], stamp_of(message, log_ns))
    return count, (when - min(newest.values())) * 1e-9


def main():
    """Kill, compare and tell."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument('--count', type=int, default=100)
    parser.add_argument('--seed', type=int, default=1)
    parser.add_argument('--publish', action='store_true', help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.publish:
        return publish()
    os.environ['ROS_AUTOMATIC_DISCOVERY_RANGE'] = 'LOCALHOST'
    os.environ.setdefault('ROS_DOMAIN_ID', str(1 + os.getpid() % 100))
    moments, lost, broken = random.Random(args.seed), [], 0
    with process('-m', 'tests.trials.kills', '--publish'):
        for number in range(1, args.count + 1):
            with tempfile.TemporaryDirectory() as folder:
                output = Path(folder) / 'trials'
                when = kill_one(output, moments.uniform(*RECORDED))
                try:
                    count, seconds = look(output, when)
                except Exception as error:              # told, counted, and on to the next
                    broken += 1
                    print(f'{number:4d}: NOT READABLE: {error}', flush=True)
                    continue
            lost.append(seconds)
            print(f'{number:4d}: {count} messages, the last {seconds:.2f} s are lost', flush=True)
    too_much = np.count_nonzero(np.array(lost) > MOST_LOST)
    print(f'{args.count} kills: {broken} bags not readable')
    if lost:
        print(f'lost: median {np.median(lost):.2f} s, most {max(lost):.2f} s, more than '
              f'{MOST_LOST:g} s: {too_much}')
    return int(broken > 0 or too_much > 0)


if __name__ == '__main__':
    sys.exit(main())
