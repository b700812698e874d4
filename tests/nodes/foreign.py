# SPDX-License-Identifier: Apache-2.0
"""A node of somebody else: hears topics, calls services, with nothing but rclpy and messages."""

import threading
import time
from collections import defaultdict
from importlib import import_module

import rclpy
from rclpy.executors import SingleThreadedExecutor
from rclpy.qos import DurabilityPolicy, QoSProfile
from rclpy.signals import SignalHandlerOptions

PATIENCE = 20.0      # s; only a failing test waits that long


def wait_until(condition, what, patience=PATIENCE):
    end = time.monotonic() + patience
    while not condition():
        assert time.monotonic() < end, f'waited in vain until {what}'
        time.sleep(0.005)


def publish_until(publisher, message, condition, what):
    """Best effort means that what is sent while the two find each other may be lost."""
    def seen():
        if not condition():
            publisher.publish(message)
            time.sleep(0.05)
        return condition()

    wait_until(seen, what)
    time.sleep(0.1)      # for what is still under way


def type_of(name):
    package, kind, message = name.split('/')
    return getattr(import_module(f'{package}.{kind}'), message)


class Foreign:
    """`heard[topic]` is the list of messages that came."""

    def __init__(self):
        self.heard, self._clients = defaultdict(list), {}
        self._context, self._stop = rclpy.Context(), threading.Event()

    def __enter__(self):
        rclpy.init(args=[], context=self._context,
                   signal_handler_options=SignalHandlerOptions.NO)
        self.node = rclpy.create_node('foreign', context=self._context)
        self._executor = SingleThreadedExecutor(context=self._context)
        self._executor.add_node(self.node)
        self._thread = threading.Thread(target=self._spin)
        self._thread.start()
        return self

    def __exit__(self, *_):
        self._stop.set()
        self._thread.join()
        self.node.destroy_node()
        self._context.try_shutdown()

    def _spin(self):
        while not self._stop.is_set():
            self._executor.spin_once(timeout_sec=0.02)

    def hear(self, topic, kind, *, latched=False):
        durability = DurabilityPolicy.TRANSIENT_LOCAL if latched else DurabilityPolicy.VOLATILE
        self.node.create_subscription(type_of(kind), topic, self.heard[topic].append,
                                      QoSProfile(depth=200, durability=durability))

    def found_by(self, node, topic):
        """Whether a node knows of this one's subscription."""
        return any(info.node_name == 'foreign'
                   for info in node.get_subscriptions_info_by_topic(topic))

    def publisher(self, topic, kind, *, latched=False):
        durability = DurabilityPolicy.TRANSIENT_LOCAL if latched else DurabilityPolicy.VOLATILE
        return self.node.create_publisher(type_of(kind), topic,
                                          QoSProfile(depth=10, durability=durability))

    def call(self, service, kind, request=None, patience=PATIENCE):
        client = self._clients.get(service)
        if client is None:
            client = self._clients[service] = self.node.create_client(type_of(kind), service)
            assert client.wait_for_service(patience), service
            time.sleep(0.3)      # this side knows of the other; an answer needs both
        future = client.call_async(request or type_of(kind).Request())
        wait_until(future.done, f'{service} answers', patience)
        return future.result()
