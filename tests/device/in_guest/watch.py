# SPDX-License-Identifier: Apache-2.0
"""Hears what the hand publishes and sets parameters, beside the test; both in lines of JSON.

What is heard goes to the output: finger, topic, `heard` (s, monotonic clock), and by topic what
the test needs of it. A line of the input, [finger, {parameter: value}], is set as `ros2 param set`
does; the answer has the reasons of what was refused. The end of the input ends it.
"""

import json
import os
import sys
import threading
import time

import numpy as np
from diagnostic_msgs.msg import DiagnosticArray
from geometry_msgs.msg import WrenchStamped
from rcl_interfaces.srv import SetParameters
from rclpy.parameter import Parameter
from sensor_msgs.msg import Image
from std_msgs.msg import Bool

from tactile_nodes.nodes.process import background_node

HAND = 'bench'
FINGERS = ('thumb', 'index', 'middle', 'ring')
ANSWER_WITHIN = 60.0                # s


def tell(finger, topic, **content):
    """Write a line, whole also where other processes write into the same pipe."""
    what = {'finger': finger, 'topic': topic, 'heard': time.monotonic(), **content}
    os.write(1, (json.dumps(what) + '\n').encode())


def seconds(stamp):
    return stamp.sec + stamp.nanosec * 1e-9


def image(message):
    return {'stamp': seconds(message.header.stamp),
            'mean': float(np.frombuffer(message.data, np.uint8).mean())}


def wrench(message):
    force = message.wrench.force
    return {'stamp': seconds(message.header.stamp), 'force': [force.x, force.y, force.z]}


def touch(message):
    return {'touched': message.data}


def subscribe(node, finger, kind, topic, digest):
    node.create_subscription(kind, f'{finger}/{topic}',
                             lambda message: tell(finger, topic, **digest(message)), 5)


def diagnose(array):
    """Pass on what the cameras report."""
    for status in array.status:
        namespace, concern = status.name.split(': ')
        if concern == 'camera':
            tell(namespace.split('/')[-1], 'camera', level=status.level[0], text=status.message,
                 values={pair.key: pair.value for pair in status.values})


def refusals(client, values):
    """Set parameters, and return the reasons of those that were refused."""
    answered = threading.Event()
    if not client.wait_for_service(ANSWER_WITHIN):
        return ['no such node']
    future = client.call_async(SetParameters.Request(parameters=[
        Parameter(name, value=value).to_parameter_msg() for name, value in values.items()]))
    future.add_done_callback(lambda _: answered.set())
    if not answered.wait(ANSWER_WITHIN):
        return ['no answer']
    return [result.reason for result in future.result().results if not result.successful]


def main():
    with background_node('watch', namespace=HAND, start_parameter_services=False,
                         enable_rosout=False) as node:
        for finger in FINGERS:
            subscribe(node, finger, Image, 'image_raw', image)
            subscribe(node, finger, WrenchStamped, 'wrench', wrench)
            subscribe(node, finger, Bool, 'contact/in_contact', touch)
        node.create_subscription(DiagnosticArray, '/diagnostics', diagnose, 50)
        clients = {finger: node.create_client(SetParameters, f'{finger}/device/set_parameters')
                   for finger in FINGERS}
        for line in sys.stdin:
            finger, values = json.loads(line)
            tell(finger, 'answer', reasons=refusals(clients[finger], values))
