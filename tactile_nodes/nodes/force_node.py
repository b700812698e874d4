# SPDX-License-Identifier: Apache-2.0
"""Force node: wrench on the fingertip, its standard deviation, and slip."""

from functools import partial

import numpy as np
from sensor_msgs.msg import Image, PointCloud2

from tactile_nodes.core.force import ForceModel, ForceStage
from tactile_nodes.core.types import AXES
from tactile_nodes.nodes.finger_node import NEWEST, StageNode
from tactile_nodes.nodes.forms import Form, either
from tactile_nodes.nodes.join import Join
from tactile_nodes.nodes.messages import (
    bool_message,
    contact_from_images,
    float_message,
    image_from_message,
    markers_from_cloud,
    stamp_of,
    wrench_message,
)
from tactile_nodes.nodes.process import run

_NAMES = np.array(AXES)


class ForceNode(StageNode):
    """Publishes wrench, its stddev and slip; with `subscribe` it takes its input from topics."""

    def __init__(self, *, subscribe=True, **options):
        super().__init__('force', 'force', **options)
        self._model = self.calibration.force if self.calibration else ForceModel()
        self.stage = ForceStage(self.geometry, self.elastomer, self._model)
        self._estimate = None
        self._wrench = Form(wrench_message, np.float64, 6, self.frame_id)
        self._number = Form(lambda one: float_message(one[0]), np.float32, 1)
        self._flag = either(bool_message)
        self._exceeded = np.zeros(6, bool)         # axes, since the last report
        self._join = Join(('mask', 'depth', 'markers'), partial(self.pass_on, self._decode))
        if subscribe:
            for name, kind, topic in (('mask', Image, 'contact/mask'),
                                      ('depth', Image, 'contact/depth'),
                                      ('markers', PointCloud2, 'markers/displacement')):
                self.create_subscription(kind, topic, self._join.taker(name), NEWEST)

    def process(self, contact, markers, stamp_ns):
        """Estimate the ForceEstimate of one frame."""
        estimate = self.work(self.stage.process, contact, markers, stamp_ns)
        if estimate is not None:
            self._estimate = estimate
            self._exceeded = self._exceeded | self._model.exceeded(estimate.wrench)
        return estimate

    def publish(self, estimate, stamp_ns):
        """Publish what was found in the frame with that stamp."""
        self.send('wrench', self._wrench, estimate.wrench, stamp_ns)
        self.send('wrench/stddev', self._wrench, estimate.sd, stamp_ns)
        self.send('contact/stick_ratio', self._number, estimate.stick_ratio)
        self.send('contact/slipping', self._flag, estimate.slipping)

    def _decode(self, parts):
        mask = image_from_message(parts['mask'], 'mono8', self.geometry.shape)
        depth = image_from_message(parts['depth'], '32FC1', self.geometry.shape)
        return (contact_from_images(self.geometry, mask, depth),
                markers_from_cloud(parts['markers']), stamp_of(parts['mask']))

    def caution(self):
        """Say which axes were outside of the calibrated range since the last report."""
        exceeded, self._exceeded = self._exceeded, np.zeros(6, bool)
        if not exceeded.any():
            return ''
        return f'{" ".join(_NAMES[exceeded])} beyond the calibrated range: less certain'

    def findings(self):
        """Which axes are measured, for the diagnostics."""
        if self._estimate is None:
            return {}
        measured = np.isfinite(self._estimate.sd)
        return {'axes measured': ' '.join(_NAMES[measured]) or 'none',
                'axes not measured': ' '.join(_NAMES[~measured]) or 'none',
                'frames incomplete': self._join.dropped}


def main(args=None):
    """Run the node in a process of its own."""
    run(lambda: [ForceNode()], args)


if __name__ == '__main__':
    main()
