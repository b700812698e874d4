# SPDX-License-Identifier: Apache-2.0
"""View node: what was found as pictures for people; works only while somebody watches."""

import numpy as np
from geometry_msgs.msg import PointStamped, WrenchStamped
from sensor_msgs.msg import Image, PointCloud2
from std_msgs.msg import Bool, Float32

from tactile_nodes.core.overlay import draw_overlay
from tactile_nodes.core.types import ForceEstimate
from tactile_nodes.interface import GOAL
from tactile_nodes.nodes.finger_node import NEWEST, OK, StageNode
from tactile_nodes.nodes.join import Join
from tactile_nodes.nodes.messages import (
    contact_from_images,
    header_of,
    image_from_message,
    image_message,
    markers_from_cloud,
    point_from_message,
    visualization_message,
    wrench_from_message,
)
from tactile_nodes.nodes.process import every, run

_PERIOD_NS = 45_000_000      # pictures come at most this often: about 20 a second
_CHECK_PERIOD = 0.5          # s between looks at whether anybody watches


class ViewNode(StageNode):
    """Publishes contact/overlay and visualization.

    With `subscribe` it takes its input from topics, and only while somebody watches.
    """

    def __init__(self, *, subscribe=True, **options):
        super().__init__('view', 'view', **options)
        self._goal, self._last_stamp = None, 0
        self.create_subscription(PointStamped, GOAL.name, self._take_goal, NEWEST)
        self._inputs, self._loose = [], {}
        if subscribe:
            every(self, _CHECK_PERIOD, self._check_watchers)

    def process(self, image, contact, markers, estimate, stamp_ns):
        """Draw and publish what was found in an image (H, W, 3), if anybody watches."""
        if 0 <= stamp_ns - self._last_stamp < _PERIOD_NS or not self._watched():
            return
        self._last_stamp = stamp_ns
        self.work(self._show, image, contact, markers, estimate,
                  header_of(stamp_ns, self.frame_id))

    def _show(self, image, contact, markers, estimate, header):
        if self.wanted('contact/overlay'):
            picture = draw_overlay(image, self.geometry, contact, markers, estimate,
                                   goal=self._goal)
            self.send('contact/overlay', image_message, picture, 'bgr8', header)
        self.send('visualization', visualization_message, contact, estimate, header)
        return True

    def _watched(self):
        return self.wanted('contact/overlay') or self.wanted('visualization')

    def _take_goal(self, message):
        goal = self.guard(point_from_message, message)
        if goal is not None:
            self._goal = goal[:2]

    def _check_watchers(self):
        """Subscribe to what is to be shown when the first watcher comes; stop after the last."""
        if self._watched() and not self._inputs:
            join = Join(('image', 'mask', 'markers', 'wrench', 'sd'), self._take)
            self._inputs = [self.create_subscription(kind, topic, take, NEWEST)
                            for kind, topic, take in (
                                (Image, 'image_raw', join.taker('image')),
                                (Image, 'contact/mask', join.taker('mask')),
                                (PointCloud2, 'markers/displacement', join.taker('markers')),
                                (WrenchStamped, 'wrench', join.taker('wrench')),
                                (WrenchStamped, 'wrench/stddev', join.taker('sd')),
                                (PointStamped, 'contact/centroid', self._keeper('centroid')),
                                (Bool, 'contact/slipping', self._keeper('slipping')),
                                (Float32, 'contact/stick_ratio', self._keeper('stick_ratio')))]
        elif self._inputs and not self._watched():
            while self._inputs:
                self.destroy_subscription(self._inputs.pop())

    def _keeper(self, name):
        """Callback that keeps the newest message of what has no place in the join."""
        return lambda message: self._loose.update({name: message})

    def _take(self, stamp_ns, parts):
        found = self.guard(self._decode, parts)
        if found is not None:
            self.process(*found, stamp_ns)

    def _decode(self, parts):
        loose = self._loose
        centroid = point_from_message(loose['centroid']) if 'centroid' in loose else [np.nan] * 2
        stick = float(loose['stick_ratio'].data) if 'stick_ratio' in loose else 1.0
        slipping = 'slipping' in loose and loose['slipping'].data
        shape = self.geometry.shape
        return (image_from_message(parts['image'], 'bgr8', shape),
                contact_from_images(self.geometry,
                                    image_from_message(parts['mask'], 'mono8', shape),
                                    centroid=centroid),
                markers_from_cloud(parts['markers']),
                ForceEstimate(wrench_from_message(parts['wrench']),
                              wrench_from_message(parts['sd'], finite=False), stick, slipping))

    def status(self):
        """As of every stage; having nothing to draw is as it should be."""
        level, text, values = super().status()
        return (level, text, values) if self._watched() else (OK, 'nobody watches', values)


def main(args=None):
    """Run the node in a process of its own."""
    run(lambda: [ViewNode()], args)


if __name__ == '__main__':
    main()
