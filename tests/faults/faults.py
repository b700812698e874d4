# SPDX-License-Identifier: Apache-2.0
"""The faults: what is done to the hand, whom it hits, and what the hand has to say about it."""

import re
import resource
import shutil
import signal
import time
from collections.abc import Callable
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass

import numpy as np
from rcl_interfaces.msg import Parameter as ParameterMessage
from rcl_interfaces.msg import ParameterType, ParameterValue
from rcl_interfaces.srv import GetParameters, SetParameters
from std_srvs.srv import Trigger

from tactile_nodes.nodes import messages
from tests.faults.observer import GARBAGE_NS
from tests.faults.rig import STAGES

IMAGE, CLOUD = 'sensor_msgs/msg/Image', 'sensor_msgs/msg/PointCloud2'
WRENCH, POINT = 'geometry_msgs/msg/WrenchStamped', 'geometry_msgs/msg/PointStamped'
STORM = 300              # wrong settings in a row
UNANSWERED = 8           # at a time: a service's queue holds ten
GARBAGE_ROUNDS = 4
STAMP_WITHIN = 2.0       # s; how old the newest stamp may be on a busy machine


@dataclass(frozen=True)
class Fault:
    """One way to go wrong.

    Attributes
    ----------
    name : str
        As it stands in the table.
    strike : callable
        Of a Rig; a context manager that does it on entry and takes it back on exit. It may yield
        a callable that returns what else was wrong, as a text, '' for nothing.
    hits : tuple of str
        Fingers that may fall silent or slow meanwhile; all others must not.
    says : str
        Regular expression of what must be reported; '' where there is nothing to report.
    part : str
        What it is done to; faults of one part are not combined.
    lasts : float
        s between doing and undoing.
    back : callable, optional
        Of a Rig and the time of the undoing: whether what was hit works again, where that is not
        just the rate of the fingers.
    needs : callable
        Of a Rig: why it cannot be done here, '' if it can.
    watch : callable
        Of a Rig; a context manager around it all.
    """

    name: str
    strike: Callable
    hits: tuple = ()
    says: str = ''
    part: str = ''
    lasts: float = 2.0
    back: Callable | None = None
    needs: Callable = lambda rig: ''
    watch: Callable = lambda rig: nullcontext()


# --- processes

def _kill(process):
    @contextmanager
    def strike(rig):
        rig.signal(process, signal.SIGKILL)
        yield
    return strike


def _stop(process):
    @contextmanager
    def strike(rig):
        with rig.stopped(process):
            yield
    return strike


def _looked_at(topic):
    """Somebody looks at a picture, so that it is made."""
    @contextmanager
    def watch(rig):
        seen = rig.observer.hear(topic, IMAGE)
        rig.until(lambda: rig.observer.heard[topic], 20.0)
        try:
            yield
        finally:
            rig.observer.node.destroy_subscription(seen)
    return watch


def _pictures(topic):
    """Whether pictures come again."""
    def back(rig, since):
        return any(at > since + 0.2 for at in rig.observer.heard[topic][:])
    return back


def _records(rig, since):
    return any(r.at > since and r.source.endswith(': recorder') and r.text == 'recording'
               for r in rig.observer.reports[:])


def process_faults(rig):
    """SIGKILL and SIGSTOP of each kind of process."""
    one, split, hand = rig.fingers[0], rig.split, rig.plan.namespace
    kinds = [(one, 'finger', (one,), None, None)]
    kinds += [(f'{split}.{stage}', f'{stage} node', (split,), None, None)
              for stage in STAGES if stage != 'view' and split]
    if split:
        kinds.append((f'{split}.view', 'view node', (split,),
                      f'{hand}/{split}/contact/overlay', None))
    kinds += [('hand', 'hand node', (), f'{hand}/overlay', None),
              ('recorder', 'recorder', (), None, _records)]
    for process, what, hits, picture, back in kinds:
        for verb, make, says in (('killed', _kill, rf'^{process}\b.*SIGKILL'),
                                 ('stopped', _stop, rf'^{process}\b.*stopped')):
            watch = _looked_at(picture) if picture else Fault.watch
            yield Fault(f'{what} {verb}', make(process), hits, says,
                        process.partition('.')[0], watch=watch,
                        back=_pictures(picture) if picture else back,
                        lasts=0.0 if make is _kill else 2.0)


# --- cameras

def camera_faults(finger):
    """A camera that is gone, silent, stuck or damaged."""
    def spoilt(mode):
        @contextmanager
        def strike(rig):
            rig.camera(finger, mode)
            try:
                yield
            finally:
                rig.camera(finger, 'well')
        return strike

    for name, mode, says in (
            ('camera unplugged', 'unplugged', 'not there'),
            ('camera silent', 'stalled', 'no frame'),
            ('camera repeats one picture', 'repeating', 'same picture'),
            ('camera loses most frames', 'damaged', 'frames lost'),
            ('camera sends garbled pictures', 'garbled', 'markers are lost'),
            ('camera goes dark', 'black', 'dark')):
        yield Fault(name, spoilt(mode), (finger,), rf'{finger}\b.*({says})', finger,
                    lasts=3.0)


# --- disk

def call_trigger(rig, service):
    """Call a service of the hand; returns its answer, None if none came."""
    node = rig.observer.node
    client = node.create_client(Trigger, f'{rig.plan.namespace}/{service}')
    try:
        if rig.until(client.service_is_ready, 10.0) is None:
            return None
        rig.run(0.3)                      # this side knows of the other; an answer needs both
        future = client.call_async(Trigger.Request())
        return future.result() if rig.until(future.done, 10.0) else None
    finally:
        node.destroy_client(client)


@contextmanager
def _disk_full(rig):
    rig.fill_disk()
    try:
        yield
    finally:
        rig.empty_disk()
        call_trigger(rig, 'trial/start')


@contextmanager
def _writes_refused(rig):
    number = rig.supervisor.running['recorder']
    newest = max(rig.disk.rglob('*.mcap'), key=lambda path: path.stat().st_mtime)
    size = newest.stat().st_size
    before = resource.prlimit(number, resource.RLIMIT_FSIZE)
    resource.prlimit(number, resource.RLIMIT_FSIZE, (size, before[1]))
    try:
        yield
    finally:
        resource.prlimit(number, resource.RLIMIT_FSIZE, before)
        call_trigger(rig, 'trial/start')


def disk_faults():
    """A disk that is full, or refuses what is written."""
    yield Fault('disk full', _disk_full, (), r'recorder.*disk is full', 'recorder', back=_records,
                needs=lambda rig: '' if rig.mounted else 'needs the right to mount a disk')
    yield Fault('disk refuses to be written', _writes_refused, (), r'recorder.*cannot be written',
                'recorder', back=_records)


# --- subscribers

def subscriber_faults(rig):
    """Subscribers that are slow, stand still or vanish without a word."""
    topics = [f'{rig.plan.namespace}/{finger}/{topic}' for finger in rig.fingers
              for topic in (f'image_raw:{IMAGE}', f'wrench:{WRENCH}',
                            f'markers/displacement:{CLOUD}')]

    @contextmanager
    def slow(rig):
        with rig.peer(*topics, sleep=1.0):
            yield

    @contextmanager
    def still(rig):
        with rig.peer(*topics) as peer:
            peer.send_signal(signal.SIGSTOP)
            yield

    @contextmanager
    def gone(rig):
        with rig.peer(*topics):
            pass                                    # leaving kills it, so it says no goodbye
        yield

    for name, strike in (('slow subscriber', slow), ('subscriber stands still', still),
                         ('subscriber vanishes', gone)):
        yield Fault(name, strike, part='subscriber', lasts=4.0)


# --- parameters

_WRONG = [('frame_rate', 1e9), ('frame_rate', 0.0), ('frame_rate', -5), ('frame_rate', np.nan),
          ('exposure', 5.0), ('exposure', 'long'), ('gain', np.inf), ('gain', [1.0, 2.0]),
          ('led.red', 1.5), ('led.green', -0.1), ('led.blue', np.nan), ('led.red', True),
          ('finger', 'pinky'), ('width', 640), ('calibration_file', '/dev/null'),
          ('autostart', False), ('there.is.none', 1), ('reference_frames', 10**9)]


def _value(value):
    kind = {bool: (ParameterType.PARAMETER_BOOL, 'bool_value'),
            int: (ParameterType.PARAMETER_INTEGER, 'integer_value'),
            float: (ParameterType.PARAMETER_DOUBLE, 'double_value'),
            str: (ParameterType.PARAMETER_STRING, 'string_value'),
            list: (ParameterType.PARAMETER_DOUBLE_ARRAY, 'double_array_value')}[type(value)]
    return ParameterValue(type=kind[0], **{kind[1]: value})


def parameter_fault(finger):
    """A storm of settings that are all wrong: each refused with a reason, none taken."""
    @contextmanager
    def strike(rig):
        node, name = rig.observer.node, f'{rig.plan.namespace}/{finger}/device'
        setter = node.create_client(SetParameters, f'{name}/set_parameters')
        getter = node.create_client(GetParameters, f'{name}/get_parameters')
        asked = GetParameters.Request(names=sorted({n for n, _ in _WRONG} - {'there.is.none'}))

        def call(client, request):
            future = client.call_async(request)
            rig.until(future.done, 10.0)
            return future.result()

        setter.wait_for_service(10.0)
        getter.wait_for_service(10.0)
        rig.run(0.5)
        before = call(getter, asked)
        futures = []
        for i in range(STORM):
            wrong, value = _WRONG[i % len(_WRONG)]
            futures.append(setter.call_async(SetParameters.Request(parameters=[
                ParameterMessage(name=wrong, value=_value(value))])))
            rig.until(lambda: sum(not future.done() for future in futures) < UNANSWERED, 5.0)

        def judge():
            rig.until(lambda: all(future.done() for future in futures), 10.0)
            results = [future.result().results[0] for future in futures if future.done()]
            taken = [_WRONG[i % len(_WRONG)] for i, r in enumerate(results) if r.successful]
            mute = [_WRONG[i % len(_WRONG)] for i, r in enumerate(results) if not r.reason]
            changed = call(getter, asked).values != before.values
            return '; '.join(text for text in (
                len(results) < STORM and f'{STORM - len(results)} not answered',
                taken and f'taken: {taken[0]}', mute and f'no reason given: {mute[0]}',
                changed and 'a parameter changed') if text)

        yield judge

    yield Fault('storm of wrong parameters', strike, part=finger)


# --- files

def calibration_faults(rig):
    """A calibration file that is replaced while its finger runs, and one that it restarts with."""
    finger, other = rig.fingers[1], rig.fingers[0]
    folder = rig.config / 'calibrations'
    mine, = (p for p in rig.plan.processes if p.name in (finger, f'{finger}.device'))
    path = folder / mine.parameters['calibration_file'].rpartition('/')[2]
    others = next(p for p in sorted(folder.iterdir()) if p != path)

    def replaced(spoil):
        @contextmanager
        def strike(rig):
            kept = path.with_suffix('.kept')
            shutil.copyfile(path, kept)
            spoil(path)
            try:
                yield
            finally:
                kept.replace(path)
        return strike

    def restarted(spoil, reason):
        @contextmanager
        def strike(rig):
            def refused():
                return any(r.source == mine.name and re.search(reason, r.text)
                           for r in rig.observer.reports[:])

            with replaced(spoil)(rig):
                rig.signal(mine.name, signal.SIGKILL)
                rig.until(refused, 20.0)
                yield lambda: '' if refused() else 'the wrong file was not refused'
        return strike

    def torn(path):
        path.write_bytes(path.read_bytes()[:300])

    def foreign(path):
        shutil.copyfile(others, path)

    yield Fault('calibration file torn under way', replaced(torn), part=finger)
    for text, spoil, reason in (
            (f"{other}'s calibration", foreign, 'calibration of another serial'),
            ('a torn calibration', torn, path.name)):
        yield Fault(f'finger restarts with {text}', restarted(spoil, reason), (finger,),
                    rf'^{mine.name}\b.*SIGKILL', finger, lasts=0.5)


# --- garbage

def garbage_images(good):
    """Image messages, each wrong in one way, of a good one."""
    def spoilt(**changes):
        message = messages.image_message(
            np.zeros((good.height, good.width, 3), np.uint8), 'bgr8', good.header)
        for key, value in changes.items():
            setattr(message, key, value)
        return message

    yield messages.image_message(np.zeros((24, 32, 3), np.uint8), 'bgr8', good.header)
    for changes in ({'encoding': 'yuv422_yuy2'}, {'encoding': 'mono8'}, {'encoding': ''},
                    {'step': 10}, {'step': 0}, {'height': 7}, {'width': 0},
                    {'height': 2**32 - 1, 'width': 2**32 - 1}):
        yield spoilt(**changes)


def garbage_clouds(header):
    """Point clouds, each wrong in one way."""
    from tactile_nodes.core.types import MarkerField

    field = MarkerField(np.arange(4, dtype=np.int32), np.full((4, 2), np.nan, np.float32),
                        np.full((4, 2), np.inf, np.float32))
    yield messages.cloud_message(messages.cloud_points(field), header)
    field = MarkerField(np.arange(4, dtype=np.int32), np.zeros((4, 2), np.float32),
                        np.zeros((4, 2), np.float32))
    yield messages.cloud_message(messages.cloud_points(field), header)
    for key, value in (('point_step', 3), ('width', 10**6), ('fields', []), ('data', [])):
        message = messages.cloud_message(messages.cloud_points(field), header)
        setattr(message, key, value)
        yield message


def _garbage(rig, finger):
    """Yield (topic, type, messages) for every topic that the hand's nodes listen to."""
    base, far = f'{rig.plan.namespace}/{finger}', messages.header_of(GARBAGE_NS, 'nowhere')
    for stamp in (0, rig.observer.arrivals[finger][-1][1] + 10**6, GARBAGE_NS):
        header = messages.header_of(stamp, f'{finger}_tip')
        good = messages.image_message(np.zeros((240, 320, 3), np.uint8), 'bgr8', header)
        images = list(garbage_images(good))
        for name in ('image_raw', 'contact/mask', 'contact/depth', 'contact/overlay',
                     'reference/image', 'reference/noise'):
            yield f'{base}/{name}', IMAGE, images
        yield f'{base}/markers/displacement', CLOUD, list(garbage_clouds(header))
    yield f'{base}/contact/goal', POINT, [
        messages.point_message(xyz, far) for xyz in ([np.nan] * 3, [np.inf, 0, 0], [1e30] * 3)]
    for name in ('wrench', 'wrench/stddev'):
        yield f'{base}/{name}', WRENCH, [
            messages.wrench_message([np.nan] * 6, far), messages.wrench_message([np.inf] * 6, far)]


def garbage_faults(rig):
    """Messages that are wrong, and bytes that are no messages, on everything that is heard."""
    finger = rig.split or rig.fingers[0]

    topics = {}

    @contextmanager
    def connected(rig):
        for topic, kind, wrong in _garbage(rig, finger):
            if topic not in topics:
                topics[topic] = rig.observer.publisher(topic, kind,
                                                       latched='/reference/' in topic), []
            topics[topic][1].extend(wrong)
        rig.run(1.0)                                      # until they know each other
        try:
            yield
        finally:
            for publisher, _ in topics.values():
                rig.observer.node.destroy_publisher(publisher)
            topics.clear()

    def sent(spoil):
        @contextmanager
        def strike(rig):
            for _ in range(GARBAGE_ROUNDS):
                for publisher, wrong in topics.values():
                    for message in wrong:
                        publisher.publish(spoil(message))
                rig.run(0.3)
            yield
        return strike

    rng = np.random.default_rng(5)
    yield Fault('wrong messages on every topic', sent(lambda message: message), (),
                rf'{finger}.*(wrong|dropped)', finger,
                watch=connected)
    yield Fault('bytes that are no messages', sent(lambda message: rng.bytes(40)), part=finger,
                watch=connected)


# --- clock

def clock_faults(hand):
    """The machine's clock is set; stamps, mosaic and recording follow."""
    def jump(seconds):
        @contextmanager
        def strike(rig):
            rig.clock.turn(seconds)

            def judge():
                now = time.time_ns() + rig.clock.offset_ns
                ages = {f: (now - rig.observer.arrivals[f][-1][1]) * 1e-9 for f in rig.fingers}
                stopped = call_trigger(rig, 'trial/stop')
                call_trigger(rig, 'trial/start')
                return '; '.join(
                    [f'stamps of {f} are {age:.1f} s old' for f, age in ages.items()
                     if not 0 <= age < STAMP_WITHIN]
                    + ([] if stopped and stopped.success else ['the trial could not be ended']))

            yield judge
        return strike

    for text, seconds in (('forward by 1 h', 3600.0), ('back by 2 h', -7200.0),
                          ('back by 50 ms', -0.05)):
        yield Fault(f'clock jumps {text}', jump(seconds), part='clock', lasts=4.0,
                    watch=_looked_at(f'{hand}/overlay'), back=_pictures(f'{hand}/overlay'))


def all_faults(rig):
    """Every fault that can be put into this hand, in order."""
    yield from process_faults(rig)
    yield from camera_faults(rig.fingers[0])
    yield from disk_faults()
    yield from subscriber_faults(rig)
    yield from parameter_fault(rig.fingers[0])
    yield from calibration_faults(rig)
    yield from garbage_faults(rig)
    yield from clock_faults(rig.plan.namespace)
