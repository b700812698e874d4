# SPDX-License-Identifier: Apache-2.0
"""What all nodes of a finger share: parameters, frame, publishers, diagnostics, stage errors."""

import time

from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus, KeyValue
from rclpy.node import Node
from rclpy.qos import DurabilityPolicy, QoSProfile, ReliabilityPolicy
from rclpy.qos_overriding_options import QoSOverridingOptions

from tactile_nodes.core.geometry import ImageGeometry
from tactile_nodes.errors import DataError, TactileError
from tactile_nodes.files.calibration import read_calibration
from tactile_nodes.files.elastomer import read_elastomer
from tactile_nodes.interface import FINGER_TOPICS
from tactile_nodes.nodes.join import Join
from tactile_nodes.nodes.messages import message_type, reference_from_messages
from tactile_nodes.nodes.parameters import declare
from tactile_nodes.nodes.process import every

OK, WARN, ERROR = DiagnosticStatus.OK, DiagnosticStatus.WARN, DiagnosticStatus.ERROR
NEWEST = QoSProfile(depth=1, reliability=ReliabilityPolicy.BEST_EFFORT)
"""Sensor data, newest only: a stage that is too slow misses frames, it does not lag."""

LATCHED = QoSProfile(depth=1, durability=DurabilityPolicy.TRANSIENT_LOCAL)
_WARN_PERIOD = 5.0         # s
_LOOK_PERIOD = 0.1         # s between looks at whether anybody subscribes


def named(settings, parameter):
    """The file that a parameter names; TactileError when it names none."""
    if not getattr(settings, parameter):
        raise TactileError('no file is named', where=f'parameter {parameter}',
                           fix=f'Set it: --ros-args -p {parameter}:=FILE')
    return getattr(settings, parameter)


def create_outlet(node, topic):
    """Publisher of a topic of the interface; its quality of service can be overridden."""
    durability = DurabilityPolicy.TRANSIENT_LOCAL if topic.latched else DurabilityPolicy.VOLATILE
    return node.create_publisher(
        message_type(topic.type), topic.name, QoSProfile(depth=topic.depth, durability=durability),
        qos_overriding_options=QoSOverridingOptions.with_default_policies())


class FingerNode:
    """To be mixed into Node or LifecycleNode; `prepare` comes after their __init__."""

    def prepare(self, kind, concern):
        """Declare parameters, make publishers and report once a second.

        Parameters
        ----------
        kind : str
            Of node, as in the interface's tables.
        concern : str
            What its diagnostics are about.
        """
        self.settings = declare(self, kind)
        self.frame_id = f'{self.settings.finger}_tip'
        self.outlets = {topic.name: create_outlet(self, topic) for topic in FINGER_TOPICS
                        if topic.node == kind}
        self._looks = {}         # topic: whether it was wanted, until when that counts
        self._concern = f"{self.get_namespace().strip('/')}: {concern}"
        self._diagnostics = self.create_publisher(DiagnosticArray, '/diagnostics', 1)
        every(self, 1.0, self._report)

    def wanted(self, topic):
        """Whether anybody subscribes, as seen at most 0.1 s ago: each look takes 10 us."""
        now = time.monotonic()
        wanted, until = self._looks.get(topic, (False, 0.0))
        if now >= until:
            wanted = self.outlets[topic].get_subscription_count() > 0
            self._looks[topic] = wanted, now + _LOOK_PERIOD
        return wanted

    def send(self, topic, make, *arguments):
        """Publish `make(*arguments)`, a message or its bytes; made only if anybody subscribes."""
        if self.wanted(topic):
            self.outlets[topic].publish(make(*arguments))

    def status(self):
        """Return level, text, {key: value} for the diagnostics."""
        raise NotImplementedError

    def _report(self):
        level, text, values = self.status()
        status = DiagnosticStatus(
            level=level, name=self._concern, message=text, hardware_id=self.settings.serial,
            values=[KeyValue(key=key, value=str(value)) for key, value in values.items()])
        message = DiagnosticArray(status=[status])
        message.header.stamp = self.get_clock().now().to_msg()
        self._diagnostics.publish(message)


class StageNode(FingerNode, Node):
    """A node that works through frames with a stage of the core.

    Attributes
    ----------
    elastomer : Elastomer
    calibration : Calibration or None
    geometry : ImageGeometry
    stage
        Of the core, to be set by the node.
    problem : str
        Why the node cannot work at the moment.
    """

    def __init__(self, kind, concern, **options):
        super().__init__(kind, **options)
        self.prepare(kind, concern)
        settings = self.settings
        self.elastomer = read_elastomer(named(settings, 'elastomer_file'))
        self.calibration = None
        self.geometry = ImageGeometry.usual(settings.height, settings.width)
        if settings.calibration_file:
            self.calibration = read_calibration(
                settings.calibration_file, serial=settings.serial or None,
                elastomer=self.elastomer.name, size=(settings.width, settings.height))
            self.elastomer = self.calibration.elastomer      # as offline, to the last digit
            self.geometry = self.calibration.geometry
        self.problem = ''
        self._frames = self._refused = 0
        self._seconds, self._seen = [], (0, 0)

    def need_reference(self, *, subscribe):
        """Wait for a reference, from topics if `subscribe`."""
        self.problem = "waiting for the no-contact reference: see the camera's status"
        if subscribe:
            self._subscribe_reference()

    def _subscribe_reference(self):
        pair = Join(('mean', 'noise'), self._join_reference)
        for name, topic in (('mean', 'image'), ('noise', 'noise')):
            self.create_subscription(message_type('sensor_msgs/msg/Image'), f'reference/{topic}',
                                     pair.taker(name), LATCHED)

    def _join_reference(self, stamp_ns, parts):
        reference = self.guard(lambda: reference_from_messages(
            parts['mean'], parts['noise'], self.settings.reference_frames, self.geometry.shape))
        if reference is not None:
            self.set_reference(reference)

    def set_reference(self, reference):
        """Compare with a new no-contact Reference; one that does not fit stops the work."""
        try:
            self.stage.set_reference(reference)
            self.problem = ''
        except DataError as error:
            self.problem = str(error)
            self.get_logger().error(self.problem)

    def work(self, function, *arguments):
        """Run a stage on one frame and time it; None, counted and warned of, for wrong data."""
        start = time.perf_counter()
        result = self.guard(function, *arguments)
        if result is not None:
            self._frames += 1
            self._seconds.append(time.perf_counter() - start)
        return result

    def pass_on(self, decode, stamp_ns, message):
        """Decode what came by topic for `process`, and publish what that makes of it."""
        inputs = self.guard(decode, message)
        result = None if inputs is None else self.process(*inputs)
        if result is not None:
            self.publish(result, stamp_ns)

    def guard(self, function, *arguments):
        """Call a function; wrong data is counted, warned of once in a while, and gives None."""
        try:
            return function(*arguments)
        except DataError as error:
            self._refused += 1
            self.get_logger().warning(f'dropped: {error}', throttle_duration_sec=_WARN_PERIOD)
            return None

    def caution(self):
        """What the user must know of the results since the last report, '' if nothing."""
        return ''

    def findings(self):
        """What the stage has found lately, {key: value} for the diagnostics."""
        return {}

    def status(self):
        """Level, text and numbers of the last second."""
        seconds, self._seconds = sorted(self._seconds), []
        new = self._frames - self._seen[0], self._refused - self._seen[1]
        self._seen = self._frames, self._refused
        scale = 'calibration' if self.calibration else 'default, not calibrated'
        values = {'frames': self._frames, 'refused': self._refused,
                  'scale': f'{self.geometry.metres_per_px * 1e3:.4f} mm/px ({scale})'}
        if seconds:
            values['processing median'] = f'{seconds[len(seconds) // 2] * 1e3:.2f} ms'
            values['processing longest'] = f'{seconds[-1] * 1e3:.2f} ms'
        values.update(self.findings())
        caution = self.caution()
        if self.problem:
            return WARN, self.problem, values
        if new[1]:
            return WARN, f'{new[1]} wrong messages in the last second, see the log', values
        if not new[0]:
            return WARN, "no frames in the last second: see the camera's status", values
        if caution:
            return WARN, caution, values
        if self.calibration is None:
            return WARN, 'no calibration: default scale, no depth', values
        return OK, 'working', values
