# SPDX-License-Identifier: Apache-2.0
"""Hand node: one picture of all fingers; works only while somebody watches."""

import time
from functools import partial

from rclpy.node import Node
from sensor_msgs.msg import Image

from tactile_nodes.core.overlay import mosaic
from tactile_nodes.errors import DataError
from tactile_nodes.interface import HAND_TOPICS
from tactile_nodes.nodes.finger_node import NEWEST, create_outlet
from tactile_nodes.nodes.messages import header_of, image_from_message, image_message, stamp_of
from tactile_nodes.nodes.parameters import declare
from tactile_nodes.nodes.process import every, run

_PERIOD = 0.1             # s between mosaics
_FORGET = 1.0             # s without an overlay, after which a finger is gone


class HandNode(Node):
    """Publishes overlay; subscribes to the fingers' overlays only while that is wanted."""

    def __init__(self, **options):
        super().__init__('hand', **options)
        self._fingers = declare(self, 'hand').fingers
        self._outlet = create_outlet(self, next(t for t in HAND_TOPICS if t.name == 'overlay'))
        self._inputs, self._newest = [], {}
        self._fresh = False
        every(self, _PERIOD, self._tick)

    def _tick(self):
        watched = self._outlet.get_subscription_count() > 0
        if watched and not self._inputs:
            self._inputs = [self.create_subscription(Image, f'{finger}/contact/overlay',
                                                     partial(self._take, finger), NEWEST)
                            for finger in self._fingers]
        while self._inputs and not watched:
            self.destroy_subscription(self._inputs.pop())
        if watched and self._fresh:
            self._publish()

    def _take(self, finger, message):
        self._newest[finger] = time.monotonic(), message
        self._fresh = True

    def _publish(self):
        self._fresh = False
        # by when they came: a clock may jump
        since = time.monotonic() - _FORGET
        self._newest = {finger: (at, message) for finger, (at, message) in self._newest.items()
                        if at > since}
        overlays = {finger: self._decode(finger) for finger in self._fingers}
        newest = max((stamp_of(message) for _, message in self._newest.values()), default=None)
        if newest is None:
            return
        header = header_of(newest, self.get_namespace().strip('/'))
        self._outlet.publish(image_message(mosaic(overlays), 'bgr8', header))

    def _decode(self, finger):
        """The overlay of a finger, None where there is none or a wrong one."""
        try:
            return image_from_message(self._newest[finger][1], 'bgr8')
        except KeyError:
            return None
        except DataError as error:
            self.get_logger().warning(f'{finger}: dropped: {error}', throttle_duration_sec=5.0)
            del self._newest[finger]
            return None


def main(args=None):
    """Run the node in a process of its own."""
    run(lambda: [HandNode()], args)


if __name__ == '__main__':
    main()
