# SPDX-License-Identifier: Apache-2.0
"""Contact node: where the skin is touched and how deep."""

from functools import partial

import numpy as np
from sensor_msgs.msg import Image, PointCloud2

from tactile_nodes.core.contact import ContactStage
from tactile_nodes.nodes.finger_node import NEWEST, StageNode
from tactile_nodes.nodes.forms import Form, either
from tactile_nodes.nodes.join import Join
from tactile_nodes.nodes.messages import (
    bool_message,
    centroid_of,
    contact_images,
    header_of,
    image_from_message,
    image_message,
    markers_from_cloud,
    point_message,
)
from tactile_nodes.nodes.process import run


class ContactNode(StageNode):
    """Publishes contact/*; with `subscribe` it takes frames and their markers from topics."""

    def __init__(self, *, subscribe=True, **options):
        super().__init__('contact', 'contact', **options)
        shading = self.calibration.shading if self.calibration else None
        self.stage = ContactStage(self.geometry, self.elastomer, shading)
        self._contact = None
        self._flag = either(bool_message)
        self._point = Form(point_message, np.float64, 3, self.frame_id)
        self.need_reference(subscribe=subscribe)
        self._join = Join(('image', 'markers'), partial(self.pass_on, self._decode))
        if subscribe:
            for name, kind, topic in (('image', Image, 'image_raw'),
                                      ('markers', PointCloud2, 'markers/displacement')):
                self.create_subscription(kind, topic, self._join.taker(name), NEWEST)

    def process(self, image, markers):
        """Find the Contact in an image (H, W, 3); None without a reference."""
        if self.problem:
            return None
        contact = self.work(self.stage.process, image, markers)
        if contact is not None:
            self._contact = contact
        return contact

    def publish(self, contact, stamp_ns):
        """Publish what was found in the frame with that stamp."""
        self.send('contact/in_contact', self._flag, contact.in_contact)
        if contact.in_contact:
            self.send('contact/centroid', self._point, centroid_of(contact), stamp_ns)
        if self.wanted('contact/mask') or self.wanted('contact/depth'):
            header = header_of(stamp_ns, self.frame_id)
            mask, depth = contact_images(contact, self.geometry)
            self.send('contact/depth', image_message, depth, '32FC1', header)
            self.send('contact/mask', image_message, mask, 'mono8', header)

    def _decode(self, parts):
        return (image_from_message(parts['image'], 'bgr8', self.geometry.shape),
                markers_from_cloud(parts['markers']))

    def findings(self):
        """Contact area and drift of the light, for the diagnostics."""
        contact = self._contact
        if contact is None:
            return {}
        gains = dict(zip(('blue', 'green', 'red'), contact.light_gain, strict=True))
        return {'contact area': f'{contact.area * 1e6:.1f} mm2',
                **{f'light {channel}': f'{gain:.3f} of the reference'
                   for channel, gain in gains.items()}}


def main(args=None):
    """Run the node in a process of its own."""
    run(lambda: [ContactNode()], args)


if __name__ == '__main__':
    main()
