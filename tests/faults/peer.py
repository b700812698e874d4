# SPDX-License-Identifier: Apache-2.0
"""Somebody else's subscriber, in a process of its own: a viewer, a slow one, one that vanishes.

    python -m tests.faults.peer [--sleep SECONDS] TOPIC:TYPE ...

It asks for reliable delivery, as RViz does. Prints 'listening' when the first message came.
"""

import argparse
import time
from contextlib import suppress

import rclpy
from rclpy.executors import ExternalShutdownException

from tactile_nodes.nodes.messages import message_type


def main():
    parser = argparse.ArgumentParser(prog='python -m tests.faults.peer')
    parser.add_argument('--sleep', type=float, default=0.0, help='s after every message')
    parser.add_argument('topics', nargs='+', metavar='TOPIC:TYPE')
    args, ros = parser.parse_known_args()
    rclpy.init(args=ros)
    node, heard = rclpy.create_node('peer'), []

    def take(_):
        if not heard:
            heard.append(True)
            print('listening', flush=True)
        time.sleep(args.sleep)

    for topic in args.topics:
        name, _, kind = topic.partition(':')
        node.create_subscription(message_type(kind), name, take, 5)
    with suppress(KeyboardInterrupt, ExternalShutdownException):
        rclpy.spin(node)


if __name__ == '__main__':
    main()
