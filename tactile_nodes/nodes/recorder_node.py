# SPDX-License-Identifier: Apache-2.0
"""Records trials of a hand: every message of the recorded topics, as it was serialised.

A trial is begun, marked and ended by services; what they need is in parameters, so that standard
messages suffice: set `trial.object` and `trial.condition`, call `trial/start`, and so on.
"""

import json
import os
import threading
from collections import deque
from functools import partial
from time import time_ns

from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus, KeyValue
from rclpy.node import Node
from rclpy.parameter import Parameter
from rclpy.qos import DurabilityPolicy, QoSProfile, ReliabilityPolicy
from std_srvs.srv import Trigger

from tactile_nodes.errors import DataError, TactileError
from tactile_nodes.interface import FINGER_TOPICS, GOAL, HAND_TOPICS, Topic
from tactile_nodes.nodes.messages import message_type
from tactile_nodes.nodes.parameters import declare
from tactile_nodes.nodes.process import every, run
from tactile_nodes.trials.recorder import TrialRecorder
from tactile_nodes.trials.store import repair_all

_WATCH_PERIOD = 0.25     # s
_REPORT_EVERY = 4        # looks, unless something has changed
_QUEUE = 500        # messages of a topic that may wait while the recorder does not run
_MOST_FRAMES = 64   # messages of fixed frames that are kept for the next trial
_FRAMES = Topic('/tf_static', 'tf2_msgs/msg/TFMessage', 'transforms', 'fixed frames',
                latched=True)


def recorded_topics(namespace, fingers):
    """Topics that a recording of the hand holds, as {absolute name: Topic}."""
    topics = {f'{namespace}/{finger}/{topic.name}': topic
              for finger in fingers for topic in (*FINGER_TOPICS, GOAL) if topic.record}
    for topic in (*HAND_TOPICS, _FRAMES):
        if topic.record:
            topics[topic.name if topic.name[0] == '/' else f'{namespace}/{topic.name}'] = topic
    return topics


def other_topics(text):
    """Absolute names in a list separated by commas; DataError for one that is none."""
    names = [name.strip() for name in text.split(',') if name.strip()]
    for name in names:
        if not name.startswith('/') or name.endswith('/') or '//' in name:
            raise DataError('wrong topic', where='topics', found=name,
                            expected='an absolute name such as /joint_states')
    return names


class RecorderNode(Node):
    """Stores what the hand publishes, a folder per trial.

    It listens all the time, so that a trial holds what happens from its first moment on, and what
    was published once, long before, such as references.
    """

    def __init__(self):
        super().__init__('recorder')
        self._settings = declare(self, 'recorder')
        self._namespace = self.get_namespace().rstrip('/')
        hand = self._namespace.strip('/').replace('/', '_') or 'hand'
        self._recorder = TrialRecorder(self._settings.output, hand, self._settings.fingers,
                                       self._settings.hand_file)
        self._heard, self._latest, self._wanted, self._said = {}, {}, [], ''
        self._recording, self._looks = False, 0
        self._lock = threading.RLock()
        self._diagnostics = self.create_publisher(DiagnosticArray, '/diagnostics', 1)
        for name, act in (('start', self._start), ('mark', self._mark), ('stop', self._stop),
                          ('status', self._status)):
            self.create_service(Trigger, f'trial/{name}', partial(self._serve, act))
        every(self, _WATCH_PERIOD, self._watch)

    def begin(self):
        """Record at once if asked to; bring into order what a crash has left."""
        with self._lock:
            if self._settings.autostart:
                self._start()
            for name, topic in recorded_topics(self._namespace, self._settings.fingers).items():
                self._hear(name, topic.type, topic.depth, latched=topic.latched)
        if os.path.isdir(self._settings.output):
            for folder, done in repair_all(self._settings.output):
                self.get_logger().warning(f'{folder} was not finished: {done}')

    def end(self):
        """Finish a trial that goes on and say what it holds."""
        with self._lock:
            if self._recorder.trial is not None:
                self._finish()

    # --- services

    def _serve(self, act, _, response):
        """Answer with what was done or with the reason why not."""
        try:
            with self._lock:
                response.message = act()
            response.success = True
        except TactileError as error:
            response.message = str(error)
        return response

    def _start(self):
        self._wanted = other_topics(self._value('topics'))
        self._hear_others()
        trial = self._recorder.start(*(self._value(f'trial.{name}')
                                       for name in ('object', 'condition', 'note')))
        for name in self._heard:
            self._add(name)
        self._recording = True
        self.get_logger().info(f'recording into {trial.folder}')
        return str(trial.folder)

    def _mark(self):
        mark = self._recorder.mark(self._value('trial.mark'))
        return f'marked at {mark.at:.3f} s'

    def _stop(self):
        if self._recorder.trial is None:
            raise DataError('no trial is being recorded', fix='Start one first.')
        drop_at, outcome = self._value('trial.drop_at'), self._value('trial.outcome')
        trial = self._finish(outcome or None, None if drop_at < 0 else drop_at)
        self.set_parameters([Parameter('trial.outcome', value=''),      # not for the next one
                             Parameter('trial.drop_at', value=-1.0)])
        return str(trial.folder) + (f' {trial.problem}' if trial.problem else '')

    def _status(self):
        return json.dumps(self._recorder.status())

    def _value(self, name):
        return self.get_parameter(name).value

    # --- recording

    def _finish(self, outcome=None, drop_at=None):
        trial = self._recorder.stop(outcome, drop_at)
        self._ended(trial)
        return trial

    def _ended(self, trial):
        self._recording = False
        counts = self._recorder.counts
        self.get_logger().info(f'{sum(counts.values())} messages in {trial.folder}')
        empty = [name for name, count in counts.items() if not count]
        if empty:
            self.get_logger().info('nothing came on ' + ', '.join(empty))
        if trial.problem:
            self.get_logger().error(trial.problem)

    def _hear(self, name, kind, depth, *, latched, reliable=True):
        """Listen to a topic, in a trial or not."""
        try:
            message_class = message_type(kind)
            self._recorder.check_type(kind)
        except TactileError as error:
            self.get_logger().info(f'{name} is left out: {error}')
            self._heard[name] = None
            return
        put, latest = self._recorder.put, None
        if latched:                # of fixed frames there is one from each publisher
            latest = self._latest[name] = deque(maxlen=_MOST_FRAMES if name == _FRAMES.name else 1)

        def store(data):
            if latest is not None:
                latest.append(data)
            if self._recording:
                # The event-driven executor fails on a callback that asks for the time of
                # publishing.
                put(name, data, time_ns())

        quality = QoSProfile(
            depth=_QUEUE,
            durability=DurabilityPolicy.TRANSIENT_LOCAL if latched else DurabilityPolicy.VOLATILE,
            reliability=ReliabilityPolicy.RELIABLE if reliable else ReliabilityPolicy.BEST_EFFORT)
        self._heard[name] = kind, depth, latched
        if self._recorder.trial is not None:
            self._add(name)            # first: messages come as soon as there is a subscription
        self.create_subscription(message_class, name, store, quality, raw=True)

    def _add(self, name):
        """Add a topic to the trial, with what was published on it before for late listeners."""
        if self._heard[name] is None:
            return
        kind, depth, latched = self._heard[name]
        self._recorder.add_topic(name, kind, depth=depth, latched=latched)
        for data in self._latest.get(name, ()):
            self._recorder.put(name, data, time_ns())

    def _hear_others(self):
        """Listen to other topics as soon as somebody publishes them."""
        for name in self._wanted:
            offers = [] if name in self._heard else self.get_publishers_info_by_topic(name)
            if not offers:
                continue
            profiles = [offer.qos_profile for offer in offers]
            self._hear(
                name, offers[0].topic_type, max(1, profiles[0].depth),
                latched=all(p.durability == DurabilityPolicy.TRANSIENT_LOCAL for p in profiles),
                reliable=all(p.reliability == ReliabilityPolicy.RELIABLE for p in profiles))

    # --- a few times a second

    def _watch(self):
        with self._lock:
            ended = self._recorder.watch(self._announce)
            if ended is not None:
                self._ended(ended)
            self._hear_others()
            warning, state = self._recorder.warning, self._recorder.status()
        if warning and not self._said:
            self.get_logger().warning(warning)
        self._said = warning
        self._looks += 1
        if ended is not None or self._looks % _REPORT_EVERY == 0:
            self._diagnostics.publish(self._report(state))

    def _announce(self, problem):
        """Say why the recording is about to be ended; finishing it may take a while."""
        self.get_logger().error(problem)

    def _report(self, state):
        level, text = DiagnosticStatus.OK, state['state']
        if state['problem']:
            level, text = DiagnosticStatus.ERROR, state['problem']
        elif state['warning']:
            level, text = DiagnosticStatus.WARN, state['warning']
        values = [KeyValue(key=key, value=str(value)) for key, value in state.items()
                  if key not in ('problem', 'warning', 'silent')]
        message = DiagnosticArray(status=[DiagnosticStatus(
            level=level, name=f"{self._namespace.strip('/')}: recorder", message=text,
            values=values)])
        message.header.stamp = self.get_clock().now().to_msg()
        return message


def main(args=None):
    """Run the recorder until SIGINT or SIGTERM.

    It is not made nice: on a machine that is busy a nice recorder falls behind, and what it has
    not read yet is lost with it.
    """
    run(lambda: [RecorderNode()], args)


if __name__ == '__main__':
    main()
