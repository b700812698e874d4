# SPDX-License-Identifier: Apache-2.0
"""Flow node: how far every marker has moved."""

import numpy as np
from sensor_msgs.msg import Image

from tactile_nodes.core.markers import FlowStage
from tactile_nodes.nodes.finger_node import NEWEST, StageNode
from tactile_nodes.nodes.messages import cloud_message, header_of, image_from_message, stamp_of
from tactile_nodes.nodes.process import run

_MOST_LOST = 0.15        # share of the markers that a firm grasp hides at most; found by trial


class FlowNode(StageNode):
    """Publishes markers/displacement; with `subscribe` it takes its frames from topics."""

    def __init__(self, *, subscribe=True, **options):
        super().__init__('flow', 'markers', **options)
        self.stage = FlowStage(self.geometry, self.elastomer)
        self._markers, self._worst = None, 0.0       # worst: share lost, since the last report
        self.need_reference(subscribe=subscribe)
        if subscribe:
            self.create_subscription(Image, 'image_raw', self._take, NEWEST)

    def process(self, image, stamp_ns):
        """Find and publish the MarkerField in an image (H, W, 3); None without a reference."""
        if self.problem:
            return None
        markers = self.work(self.stage.process, image)
        if markers is not None:
            self.send('markers/displacement', cloud_message, markers,
                      header_of(stamp_ns, self.frame_id))
            self._markers = markers
            self._worst = max(self._worst, np.mean(~markers.valid)) if len(markers.ids) else 0.0
        return markers

    def _take(self, message):
        image = self.guard(image_from_message, message, 'bgr8', self.geometry.shape)
        if image is not None:
            self.process(image, stamp_of(message))

    def caution(self):
        """Say when many markers were lost at once since the last report."""
        worst, self._worst = self._worst, 0.0
        return '' if worst < _MOST_LOST else (
            f'{100 * worst:.0f} % of the markers are lost: damaged pictures or a worn elastomer')

    def findings(self):
        """How many markers there are and how many are lost, for the diagnostics."""
        if self._markers is None:
            return {}
        valid = self._markers.valid
        return {'markers': len(valid), 'lost': np.count_nonzero(~valid)}


def main(args=None):
    """Run the node in a process of its own."""
    run(lambda: [FlowNode()], args)


if __name__ == '__main__':
    main()
