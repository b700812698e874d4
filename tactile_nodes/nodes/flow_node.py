# SPDX-License-Identifier: Apache-2.0
"""Flow node: how far every marker has moved."""

import numpy as np
from sensor_msgs.msg import Image

from tactile_nodes.core.markers import FlowStage
from tactile_nodes.nodes.finger_node import NEWEST, StageNode
from tactile_nodes.nodes.forms import Form
from tactile_nodes.nodes.messages import (
    POINT,
    cloud_message,
    cloud_points,
    image_from_message,
    stamp_of,
)
from tactile_nodes.nodes.process import run

_MOST_LOST = 0.15        # share of the markers that a firm grasp hides at most; found by trial


class FlowNode(StageNode):
    """Publishes markers/displacement; with `subscribe` it takes its frames from topics."""

    def __init__(self, *, subscribe=True, **options):
        super().__init__('flow', 'markers', **options)
        self.stage = FlowStage(self.geometry, self.elastomer)
        self._forms = {}           # by number of markers
        self._markers, self._worst = None, 0.0       # worst: share lost, since the last report
        self.need_reference(subscribe=subscribe)
        if subscribe:
            self.create_subscription(Image, 'image_raw', self._take, NEWEST)

    def process(self, image):
        """Find the MarkerField in an image (H, W, 3); None without a reference."""
        if self.problem:
            return None
        markers = self.work(self.stage.process, image)
        if markers is not None:
            self._markers = markers
            self._worst = max(self._worst, np.mean(~markers.valid)) if len(markers.ids) else 0.0
        return markers

    def publish(self, markers, stamp_ns):
        """Publish what was found in the frame with that stamp."""
        self.send('markers/displacement', self._cloud, markers, stamp_ns)

    def _cloud(self, markers, stamp_ns):
        points = cloud_points(markers)
        if len(points) not in self._forms:
            self._forms[len(points)] = Form(cloud_message, POINT, len(points), self.frame_id)
        return self._forms[len(points)](points, stamp_ns)

    def _take(self, message):
        self.pass_on(self._decode, stamp_of(message), message)

    def _decode(self, message):
        return (image_from_message(message, 'bgr8', self.geometry.shape),)

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
