# SPDX-License-Identifier: Apache-2.0
"""Records a hand into a bag: every message of the recorded topics, as it was serialised."""

import os
from pathlib import Path
from time import localtime, strftime, time_ns

from rclpy.node import Node
from rclpy.qos import DurabilityPolicy, QoSProfile

from tactile_nodes.interface import FINGER_TOPICS, HAND_TOPICS, Topic
from tactile_nodes.nodes.messages import message_type
from tactile_nodes.nodes.parameters import declare
from tactile_nodes.nodes.process import run
from tactile_nodes.trials.bag import BagWriter

_NICE = 5           # the fingers come first; what waits for the recorder waits in its queue
_QUEUE = 500                 # messages of a topic that may wait while the disk is slow
_FRAMES = Topic('/tf_static', 'tf2_msgs/msg/TFMessage', 'transforms', 'fixed frames',
                latched=True)


def recorded_topics(namespace, fingers):
    """Topics that a recording of the hand holds, as {absolute name: Topic}."""
    topics = {f'{namespace}/{finger}/{topic.name}': topic
              for finger in fingers for topic in FINGER_TOPICS if topic.record}
    for topic in (*HAND_TOPICS, _FRAMES):
        if topic.record:
            topics[topic.name if topic.name[0] == '/' else f'{namespace}/{topic.name}'] = topic
    return topics


class RecorderNode(Node):
    """Stores what the hand publishes in a new bag folder `<output>/<hand>_<date>_<time>`."""

    def __init__(self):
        super().__init__('recorder')
        values = declare(self, 'recorder')
        namespace = self.get_namespace().rstrip('/')
        hand = namespace.strip('/').replace('/', '_') or 'hand'
        folder = Path(values.output) / f'{hand}_{strftime("%Y-%m-%d_%H-%M-%S", localtime())}'
        self._bag = BagWriter(folder)
        for name, topic in recorded_topics(namespace, values.fingers).items():
            self._record(name, topic)
        self.get_logger().info(f'recording into {folder}')

    def end(self):
        """Finish the bag and say what it holds."""
        self._bag.close()
        counts = self._bag.counts
        empty = [name for name, count in counts.items() if not count]
        self.get_logger().info(f'{sum(counts.values())} messages in {self._bag.folder}')
        if empty:
            self.get_logger().info('nothing came on ' + ', '.join(empty))

    def _record(self, name, topic):
        try:
            message_class = message_type(topic.type)
        except ImportError as error:
            self.get_logger().info(f'{name} is left out: {error}')
            return
        self._bag.add_topic(name, topic.type, depth=topic.depth, latched=topic.latched)
        write = self._bag.write

        def store(data):
            # The event-driven executor fails on a callback that asks for the time of publishing.
            now = time_ns()
            write(name, data, now, now)

        durability = (DurabilityPolicy.TRANSIENT_LOCAL if topic.latched
                      else DurabilityPolicy.VOLATILE)
        self.create_subscription(message_class, name, store,
                                 QoSProfile(depth=_QUEUE, durability=durability), raw=True)


def main(args=None):
    """Run the recorder until SIGINT or SIGTERM."""
    os.nice(_NICE)
    run(lambda: [RecorderNode()], args)


if __name__ == '__main__':
    main()
