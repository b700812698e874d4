# SPDX-License-Identifier: Apache-2.0
"""Device node: opens a fingertip, streams its images, takes the no-contact reference.

A managed (lifecycle) node that brings itself up: configured means open, active means streaming.
"""

from contextlib import suppress

import numpy as np
from rcl_interfaces.msg import SetParametersResult
from rclpy.lifecycle import LifecycleNode, TransitionCallbackReturn
from rclpy.parameter import Parameter
from std_msgs.msg import Bool
from std_srvs.srv import Trigger

from tactile_nodes.device.factory import make_device
from tactile_nodes.errors import DataError, DeviceError, DeviceLost, TactileError
from tactile_nodes.files.elastomer import read_elastomer
from tactile_nodes.files.hand import DeviceSpec
from tactile_nodes.files.kept_reference import KeptReference
from tactile_nodes.nodes.camera_health import CameraHealth
from tactile_nodes.nodes.capture import Capture, ReferenceTaker
from tactile_nodes.nodes.finger_node import ERROR, NEWEST, OK, WARN, FingerNode, named
from tactile_nodes.nodes.forms import Form
from tactile_nodes.nodes.messages import (
    camera_info_message,
    compressed_message,
    header_of,
    image_message,
    point_message,
    reference_messages,
    wrench_message,
)
from tactile_nodes.nodes.process import run
from tactile_nodes.nodes.settings import CameraSettings

_NEEDED = {'usb': ('profile_file',), 'virtual': ('scenario_file', 'elastomer_file'),
           'recording': ('recording',)}         # files that a kind of device cannot do without


def device_of(settings, clock):
    """FingertipDevice, closed, of the device node's parameters.

    Raises
    ------
    TactileError
        A wrong file or parameter.
    """
    for parameter in _NEEDED.get(settings.device, ()):
        named(settings, parameter)
    spec = DeviceSpec(settings.device, profile=settings.profile_file, port=settings.port,
                      scenario=settings.scenario_file, start=settings.scenario_start,
                      recording=settings.recording, topic=settings.recording_topic,
                      repeat=settings.recording_repeat)
    return make_device(spec, serial=settings.serial, elastomer_file=settings.elastomer_file,
                       width=settings.width, height=settings.height,
                       frame_rate=settings.frame_rate, clock=clock)


class DeviceNode(FingerNode, LifecycleNode):
    """Publishes images, reference and truth.

    Parameters
    ----------
    subscribe : bool
        Whether it hears of contact by topic; else `in_contact` is set from outside.
    device : FingertipDevice, optional
        Instead of the one that the parameters name.

    Attributes
    ----------
    frame_listeners, reference_listeners : list of callable
        Called with every Frame before it is published, and with every new Reference; both in the
        capture thread.
    in_contact : bool
        Whether the skin was touched in the last frame, as the contact stage sees it.
    """

    def __init__(self, *, subscribe=True, device=None, **options):
        super().__init__('device', **options)
        self.prepare('device', 'camera')
        self.frame_listeners, self.reference_listeners = [], []
        self.in_contact = False
        self._device = device or device_of(self.settings, self._now)
        self._camera = CameraSettings.from_parameters(self.settings)
        self._capture = self._taker = self._reference = self._taken = self._lost = None
        self._wanted = None         # a reference that the capture thread is to bring into use
        self._light_changed, self._problem, self._starting = False, '', False
        self._no_reference, self._noted = '', {}
        self._kept = KeptReference(f'{self.get_fully_qualified_name()} {self.settings}')
        self._health = CameraHealth()
        if self.settings.device != 'virtual':
            for name in ('truth/wrench', 'truth/centroid'):
                self.destroy_publisher(self.outlets.pop(name))
        size = self.settings.width, self.settings.height
        self._camera_info = Form(lambda _, header: camera_info_message(*size, header), np.uint8, 0,
                                 self.frame_id)
        self._wrench = Form(wrench_message, np.float64, 6, self.frame_id)
        self._point = Form(point_message, np.float64, 3, self.frame_id)
        if subscribe:
            self.create_subscription(Bool, 'contact/in_contact', self._take_contact, NEWEST)
        self.create_service(Trigger, 'capture_reference', self._capture_reference)
        self.add_on_set_parameters_callback(self._accept)
        self.add_post_set_parameters_callback(self._apply)

    def begin(self):
        """Bring the node up if `autostart` says so; raises TactileError when that fails."""
        if self.settings.autostart:
            for trigger in (self.trigger_configure, self.trigger_activate):
                self._starting = True
                if trigger() is not TransitionCallbackReturn.SUCCESS:
                    raise DeviceError(self._problem.removesuffix('.'))
            self._starting = False

    def end(self):
        """LEDs off, device released; harmless when that is so already."""
        self._stop()
        self._device.close()
        self._kept.forget()
        self._taken = None

    # --- lifecycle

    def on_configure(self, state):
        """Open the device and bring its settings to those of the parameters."""
        return self._transition(self._open)

    def on_activate(self, state):
        """Start streaming."""
        return self._transition(self._start)

    def on_deactivate(self, state):
        """Stop streaming, LEDs off."""
        return self._transition(self._stop)

    def on_cleanup(self, state):
        """Release the device."""
        return self._transition(self.end)

    def on_shutdown(self, state):
        """Release the device."""
        return self._transition(self.end)

    def on_error(self, state):
        """Release the device and be ready to be configured again."""
        return self._transition(self.end)

    def _transition(self, step):
        """Do a step of the life cycle; rclpy would swallow what it raises without a word."""
        try:
            step()
        except TactileError as error:
            self._complain(str(error))
            return TransitionCallbackReturn.FAILURE
        return TransitionCallbackReturn.SUCCESS

    def _complain(self, problem):
        self._problem = problem
        if not self._starting:              # `begin` raises it, or activating logs it
            self.get_logger().error(problem)

    def _open(self):
        self._reference = None                  # the elastomer may be another than the last time
        try:
            self._device.open()
            self._ready()
        except DeviceLost as error:             # not plugged in: once active, waits for it
            self._lost = error
            self._device.close()
            self._complain(str(error))
        except DeviceError:
            self._device.close()
            raise

    def _ready(self):
        """Check a device that is open and bring it to the parameters' settings."""
        self._check_size()
        self._set_camera()
        self._lost = None
        before, self._noted = self._noted, dict(self._device.notes)
        for name, note in self._noted.items():
            if before.get(name) != note:
                self.get_logger().warning(f'{name}: {note}')

    def _check_size(self):
        info, settings = self._device.info, self.settings
        if (info.width_px, info.height_px) != (settings.width, settings.height):
            raise DeviceError('wrong image size', where=info.description,
                              found=f'{info.width_px}x{info.height_px}',
                              expected=f'{settings.width}x{settings.height}',
                              fix='Set the parameters width and height to what is found.')

    def _start(self):
        self._health = CameraHealth()
        self._capture = Capture(self._device, self._ready, self._handle, report=self._report,
                                rate=lambda: self._camera.frame_rate)
        try:
            self._find_reference()
            self._capture.start(self._lost)
        except TactileError:
            self._stop()
            raise
        self._problem = ''
        if self._capture.problem:
            self.get_logger().error(self._capture.problem)

    def _find_reference(self):
        elastomer_file = self.settings.elastomer_file
        self._taker = ReferenceTaker((self.settings.height, self.settings.width),
                                     self.settings.reference_frames,
                                     read_elastomer(elastomer_file) if elastomer_file else None)
        if self._reference is None:
            self._no_reference, self._wanted = 'being taken', self._kept.find()
            if self._wanted is not None:
                self.get_logger().warning('goes on with the reference from before the restart')

    def _stop(self):
        if self._capture is not None:
            self._capture.stop()
            self._capture = None

    # --- live parameters

    def _is_there(self):
        """Whether the device can be set now; else the settings wait for its return."""
        return self._taken is not None and not (self._capture and self._capture.problem)

    def _accept(self, parameters):
        """Refuse, with the reason, what the device cannot do."""
        try:
            wanted = self._camera.changed({p.name: p.value for p in parameters})
            if self._is_there():
                wanted.check(self._device.info, self._camera)
        except DeviceError as error:
            return SetParametersResult(successful=False, reason=str(error))
        return SetParametersResult(successful=True)

    def _apply(self, parameters):
        """Bring the device to new parameters; if it refuses after all, go back to the old ones."""
        before, values = self._camera, {p.name: p.value for p in parameters}
        self._camera = before.changed(values)
        if self._camera == before or self._capture is None or not self._is_there():
            return                              # an inactive device stays dark; set when it starts
        try:
            self._set_camera()
        except DeviceError as error:
            self.get_logger().error(f'the device refuses, so nothing changes: {error}')
            self._camera = before
            with suppress(DeviceError):         # lost at this moment: set when it returns
                self._set_camera()
            self.set_parameters([Parameter(name, value=value) for name, value
                                 in before.parameters().items() if name in values])
            return
        if self._camera.seen_differently(before):
            self._light_changed = self._reference is not None
            if self._taker is not None:
                self._taker.restart()

    def _set_camera(self):
        self._taken = self._camera.apply(self._device)

    # --- frames

    def _handle(self, frame):
        """Hand on and publish one frame; in the capture thread."""
        stuck = self._health.stuck
        self._health.note(frame)
        if self._health.stuck and not stuck:
            self._report()
        for listener in self.frame_listeners:
            listener(frame)
        self._publish(frame)
        self._taker.add(frame.image, bool(self.in_contact))
        wanted, self._wanted = self._wanted, None
        if wanted is not None:
            self._use_reference(wanted, frame)
        elif self._reference is None and self._taker.count % self.settings.reference_frames == 0:
            self._try_first_reference(frame)

    def _publish(self, frame):
        stamp_ns, truth = frame.stamp_ns, frame.truth
        header = header_of(stamp_ns, self.frame_id)
        self.send('image_raw', image_message, frame.image, 'bgr8', header)
        self.send('image_raw/compressed', compressed_message, frame, header)
        self.send('camera_info', self._camera_info, (), stamp_ns)
        if truth is not None:
            self.send('truth/wrench', self._wrench, truth.wrench, stamp_ns)
            if truth.in_contact:
                self.send('truth/centroid', self._point, truth.centroid, stamp_ns)

    def _try_first_reference(self, frame):
        """Take a reference, or try again with as many new frames."""
        try:
            self._use_reference(self._taker.take(), frame)
        except DataError as error:
            self._no_reference = str(error)
            self.get_logger().warning(f'no reference yet, tried again and again: {error}',
                                      once=True)

    def _use_reference(self, reference, frame):
        """Compare with a new reference from now on, and publish it with a frame's stamp."""
        for listener in self.reference_listeners:
            listener(reference)
        header = header_of(frame.stamp_ns, self.frame_id)
        for name, message in zip(('image', 'noise'), reference_messages(reference, header),
                                 strict=True):
            self.outlets[f'reference/{name}'].publish(message)
        if self._camera.seen_differently(CameraSettings.from_parameters(self.settings)):
            self._kept.forget()            # a restart begins with the settings of the start
        else:
            self._kept.keep(reference)
        self._reference, self._light_changed, self._no_reference = reference, False, ''

    def _take_contact(self, message):
        self.in_contact = message.data

    def _capture_reference(self, _, response):
        """Service: a reference of the newest frames, or the reason why there is none."""
        try:
            if self._capture is None:
                raise DataError('not streaming', where='reference',
                                fix='Activate the device node.')
            if self._capture.ended or self._capture.problem:
                raise DataError('no more frames come', where='reference',
                                found=self._capture.problem or 'the end of the recording')
            reference = self._taker.take()
            self._wanted = reference
            response.success = True
            response.message = f'reference taken from {reference.frames} frames'
        except DataError as error:
            response.message = str(error)
        return response

    # --- diagnostics

    def _report(self):
        if self._reference is not None:
            self._kept.refresh()
        super()._report()

    def status(self):
        """Level, text and numbers of the last second."""
        if self._capture is None:
            level = ERROR if self._problem else WARN
            return level, self._problem or 'not streaming', {}
        taken = self._taken or self._camera
        # copies: the capture thread may add to them at any moment
        dropped, notes = dict(self._device.dropped), dict(self._device.notes)
        problem, values = self._health.judge(dropped, taken.frame_rate, self._now())
        values.update(taken.parameters())
        values.update({f'camera: {name}': note for name, note in notes.items()})
        silent = 'no frames: check cable and power' if self._capture.silent else ''
        error = self._capture.problem or silent or (problem if self._health.stuck else '')
        if error:
            return ERROR, error, values
        if self._capture.ended:
            return OK, 'the recording has ended', values
        if self._no_reference:
            return WARN, f'no reference yet: {self._no_reference}', values
        if self._light_changed:
            return WARN, 'light, exposure or gain changed: call capture_reference', values
        return (WARN, problem, values) if problem else (OK, 'streaming', values)

    def _now(self):
        return self.get_clock().now().nanoseconds


def main(args=None):
    """Run the node in a process of its own."""
    run(lambda: [DeviceNode()], args)


if __name__ == '__main__':
    main()
