# SPDX-License-Identifier: Apache-2.0
"""The device node: life cycle, live parameters, reference, light, diagnostics."""

import time
from types import SimpleNamespace

import pytest
import rclpy
from lifecycle_msgs.msg import Transition
from lifecycle_msgs.srv import ChangeState, GetState
from rcl_interfaces.msg import Parameter, ParameterType, ParameterValue
from rcl_interfaces.srv import GetParameters, SetParametersAtomically
from rclpy.lifecycle import TransitionCallbackReturn
from std_msgs.msg import Bool

from tactile_nodes.device.contract import OFF, Light
from tactile_nodes.errors import DeviceError, DeviceLost, TactileError
from tactile_nodes.interface import PARAMETERS
from tactile_nodes.nodes.device_node import DeviceNode, device_of
from tests.nodes.foreign import wait_until
from tests.nodes.replay import REFERENCE_FRAMES, SERIAL, ReplayDevice

NODE = '/sorter/index/device'
ON = Light(0.6, 0.6, 0.6)


@pytest.fixture
def device(frames):
    return ReplayDevice(frames)


@pytest.fixture
def node(serve, device, options):
    """The device node, up."""
    node, = serve([DeviceNode(device=device, **options)])
    node.begin()
    return node


def set_parameters(foreign, **values):
    request = SetParametersAtomically.Request(parameters=[
        Parameter(name=name.replace('__', '.'),
                  value=ParameterValue(type=ParameterType.PARAMETER_DOUBLE, double_value=value))
        for name, value in values.items()])
    return foreign.call(f'{NODE}/set_parameters_atomically',
                        'rcl_interfaces/srv/SetParametersAtomically', request).result


def parameters(foreign, *names):
    request = GetParameters.Request(names=names)
    answer = foreign.call(f'{NODE}/get_parameters', 'rcl_interfaces/srv/GetParameters', request)
    return [value.double_value for value in answer.values]


def state(foreign):
    return foreign.call(f'{NODE}/get_state', 'lifecycle_msgs/srv/GetState',
                        GetState.Request()).current_state.label


def change(foreign, transition):
    request = ChangeState.Request(transition=Transition(id=transition))
    return foreign.call(f'{NODE}/change_state', 'lifecycle_msgs/srv/ChangeState', request).success


def capture_reference(foreign):
    return foreign.call('/sorter/index/capture_reference', 'std_srvs/srv/Trigger')


def give(node, count):
    """Let frames out and wait until they have gone through."""
    taken = node._device._next + count
    node._device.release(count)
    wait_until(lambda: node._device._next == taken and node._taker.count >= count, 'frames')
    time.sleep(0.05)         # the last one may still be on its way through


def take_first_reference(node):
    node._device.release(REFERENCE_FRAMES)
    wait_until(lambda: node._reference is not None, 'the reference is in use')


def test_after_a_crash_in_a_grasp_the_old_reference_is_used(serve, frames, options, tmp_path,
                                                            monkeypatch):
    monkeypatch.setenv('XDG_RUNTIME_DIR', str(tmp_path))

    def start(frames):
        node, = serve([DeviceNode(device=ReplayDevice(frames), **options)])
        node.begin()
        return node

    first = start(frames)
    take_first_reference(first)
    touched = frames[REFERENCE_FRAMES + 20:]
    second = start(touched)              # nobody has told the first one to end
    second._device.release()
    wait_until(lambda: second._reference is not None, 'the reference is in use')
    assert (second._reference.mean_q8 == first._reference.mean_q8).all()
    assert (second._reference.noise_q8 == first._reference.noise_q8).all()
    second.end()                         # in order: the next start is a new one
    third = start(touched)
    give(third, 2)
    assert third._reference is None


def test_a_reference_in_another_light_than_that_of_the_start_is_not_kept(
        serve, frames, options, tmp_path, monkeypatch):
    monkeypatch.setenv('XDG_RUNTIME_DIR', str(tmp_path))
    node, = serve([DeviceNode(device=ReplayDevice(frames), **options)])
    node.begin()
    node.set_parameters([rclpy.parameter.Parameter('led.red', value=0.3)])
    take_first_reference(node)
    assert node._kept.find() is None



def set_in_motion(node, frames):
    """From now on the device shows how something touches the skin."""
    start = next(i for i, frame in enumerate(frames) if frame.truth.in_contact) - 4
    node._device._frames, node._device._next = frames[start:start + REFERENCE_FRAMES], 0


def test_life_cycle_down_and_up_again(node, device, foreign):
    foreign.hear('/sorter/index/camera_info', 'sensor_msgs/msg/CameraInfo')
    assert state(foreign) == 'active'
    assert device.light == ON
    take_first_reference(node)
    assert change(foreign, Transition.TRANSITION_DEACTIVATE)
    assert (state(foreign), device.light) == ('inactive', OFF)
    assert node.status()[1] == 'not streaming'
    assert set_parameters(foreign, gain=1.5).successful and device.light == OFF
    assert not capture_reference(foreign).success
    assert change(foreign, Transition.TRANSITION_ACTIVATE)
    assert (state(foreign), device.light) == ('active', ON)
    assert change(foreign, Transition.TRANSITION_DEACTIVATE)
    assert change(foreign, Transition.TRANSITION_CLEANUP)
    assert state(foreign) == 'unconfigured'
    with pytest.raises(DeviceError):
        _ = device.info
    assert change(foreign, Transition.TRANSITION_CONFIGURE)
    assert change(foreign, Transition.TRANSITION_ACTIVATE)
    assert device.opened == 2
    seen = len(foreign.heard['/sorter/index/camera_info'])
    device.release()
    wait_until(lambda: len(foreign.heard['/sorter/index/camera_info']) > seen, 'frames again')
    assert change(foreign, Transition.TRANSITION_ACTIVE_SHUTDOWN)
    assert (state(foreign), device.light) == ('finalized', OFF)


def test_light_is_off_after_the_end(node, device):
    assert device.light == ON
    node.end()
    assert device.light == OFF
    node.end()


def test_failed_transition_says_why(serve, device, options):
    node, = serve([DeviceNode(device=device, **options)])
    node.settings.width = 640
    with pytest.raises(DeviceError, match="wrong image size, found '320x240', expected 640x240"):
        node.begin()
    level, text, _ = node.status()
    assert level == b'\x02' and 'wrong image size' in text
    with pytest.raises(DeviceError):
        _ = device.info       # closed again


def test_failed_activation_leaves_the_light_off_and_says_why(serve, device, options, foreign):
    options['parameter_overrides'] += [rclpy.Parameter('autostart', value=False)]
    node, = serve([DeviceNode(device=device, **options)])
    node.begin()
    assert change(foreign, Transition.TRANSITION_CONFIGURE)
    device.refuse_to['start'] = DeviceError('the chip says no')
    assert not change(foreign, Transition.TRANSITION_ACTIVATE)
    assert (state(foreign), device.light) == ('inactive', OFF)
    level, text, _ = node.status()
    assert level == b'\x02' and 'the chip says no' in text
    assert 'not streaming' in capture_reference(foreign).message
    device.refuse_to.clear()
    assert change(foreign, Transition.TRANSITION_ACTIVATE)
    assert (state(foreign), device.light) == ('active', ON)


@pytest.mark.parametrize('step', ['open', 'start'])
def test_what_can_pass_by_itself_is_waited_for(serve, device, options, capfd, step):
    device.refuse_to[step] = DeviceLost('no bandwidth left', fix='Move it.')
    node, = serve([DeviceNode(device=device, **options)])
    node.begin()
    level, text, _ = node.status()
    assert level == b'\x02' and 'no bandwidth left. Move it. Tried again' in text
    wait_until(lambda: device.light == OFF, 'closed')
    if step == 'open':          # which may take seconds, with a camera that does not answer
        assert device.tried_by_main == 1
    assert capfd.readouterr().err.count('no bandwidth left') == 1
    # taken down and up meanwhile
    for transition in (node.trigger_deactivate, node.trigger_activate):
        assert transition() is TransitionCallbackReturn.SUCCESS
    assert 'no bandwidth left' in node.status()[1]
    device.refuse_to.clear()
    take_first_reference(node)
    assert device.light == ON and 'no bandwidth left' not in node.status()[1]


def test_live_parameters(node, device, foreign):
    assert set_parameters(foreign, led__red=0.25, led__blue=1.0).successful
    assert device.light == Light(0.25, 0.6, 1.0)
    assert set_parameters(foreign, frame_rate=20.0, exposure=0.04).successful
    assert parameters(foreign, 'frame_rate', 'exposure') == [20.0, 0.04]


@pytest.mark.parametrize(('values', 'reason'), [
    ({'led__red': 1.2}, 'led.red'),                                   # the table's range
    ({'led__red': 0.5, 'gain': 99.0}, 'gain'),
    ({'led__red': 0.5, 'frame_rate': 125.0}, 'frame rate out of range'),     # the device's range
    ({'led__red': 0.5, 'exposure': 0.05}, 'longer than the frame period'),
])
def test_refused_parameters_change_nothing(node, device, foreign, values, reason):
    result = set_parameters(foreign, **values)
    assert not result.successful and reason in result.reason
    assert device.light == ON
    assert parameters(foreign, 'led.red', 'gain', 'frame_rate', 'exposure') == \
        [0.6, 1.0, 60.0, 0.008]


def test_device_that_refuses_after_all(node, device, foreign):
    device.refuse = DeviceError('the chip says no')
    set_parameters(foreign, gain=2.0, led__red=0.1)
    wait_until(lambda: parameters(foreign, 'gain', 'led.red') == [1.0, 0.6], 'old values again')
    assert device.light == ON


def test_reference_is_taken_on_request(node, device, foreign):
    foreign.hear('/sorter/index/reference/image', 'sensor_msgs/msg/Image', latched=True)
    foreign.hear('/sorter/index/reference/noise', 'sensor_msgs/msg/Image', latched=True)
    take_first_reference(node)
    device._next = 0
    give(node, REFERENCE_FRAMES)
    before = node._reference
    answer = capture_reference(foreign)           # at once, without another frame
    assert answer.success and f'{REFERENCE_FRAMES} frames' in answer.message
    device._next = 0
    device.release()
    wait_until(lambda: node._reference is not before, 'the next frame brings it into use')
    wait_until(lambda: len(foreign.heard['/sorter/index/reference/noise']) == 2, 'two references')


def test_reference_is_refused_in_contact(node, device, foreign):
    take_first_reference(node)
    contact = foreign.publisher('/sorter/index/contact/in_contact', 'std_msgs/msg/Bool')
    wait_until(contact.get_subscription_count, 'the device node listens')
    contact.publish(Bool(data=True))
    wait_until(lambda: node.in_contact, 'contact is heard of')
    device._next = 0
    give(node, 2)
    answer = capture_reference(foreign)
    assert not answer.success and 'something touches' in answer.message
    # another light does not make it untouched; the diagnostics ask for a new reference
    assert set_parameters(foreign, led__red=0.3).successful
    device._next = 0
    give(node, REFERENCE_FRAMES)
    assert 'call capture_reference' in node.status()[1]
    assert 'something touches' in capture_reference(foreign).message
    contact.publish(Bool(data=False))
    wait_until(lambda: not node.in_contact, 'the lift is heard of')
    device._next = 0
    give(node, REFERENCE_FRAMES)
    assert capture_reference(foreign).success


def test_reference_is_refused_while_something_moves(node, foreign, frames):
    take_first_reference(node)
    set_in_motion(node, frames)
    give(node, REFERENCE_FRAMES)
    answer = capture_reference(foreign)
    assert not answer.success and 'moved' in answer.message


def test_reference_without_frames(node, foreign):
    answer = capture_reference(foreign)
    assert not answer.success and 'not enough frames' in answer.message


def test_first_reference_waits_until_the_scene_is_at_rest(node, device, frames, capfd):
    set_in_motion(node, frames)
    for _ in range(3):
        give(node, REFERENCE_FRAMES)
        set_in_motion(node, frames)
    wait_until(lambda: 'moved' in node._no_reference, 'the moving scene is refused')
    level, text, _ = node.status()
    assert level == b'\x01' and 'no reference yet' in text and 'moved' in text
    assert capfd.readouterr().err.count('no reference yet') == 1
    device._frames, device._next = frames, 0
    take_first_reference(node)


def test_diagnostics(node, device, foreign):
    foreign.hear('/diagnostics', 'diagnostic_msgs/msg/DiagnosticArray')
    take_first_reference(node)

    def reported(text):
        return [status for message in foreign.heard['/diagnostics'] for status in message.status
                if text in status.message]

    wait_until(lambda: reported('no frames'), 'no frames is reported')
    status = reported('no frames')[-1]
    assert (status.level, status.name) == (b'\x02', 'sorter/index: camera')
    assert status.hardware_id == SERIAL
    assert {'frame rate', 'dropped', 'led.red', 'exposure', 'gain'} <= {
        value.key for value in status.values}
    device.dropped['corrupt image'] += 5
    device.notes['White Balance'] = '0 refused'
    device.release()
    wait_until(lambda: reported('5 of 6 frames lost'), 'drops are reported')
    assert {'dropped: corrupt image', 'camera: White Balance', 'frame age', 'saturated',
            'dark'} <= {value.key for value in reported('5 of 6')[-1].values}


@pytest.mark.parametrize(('values', 'message'), [
    ({'device': 'virtual'}, 'nowhere.*no such file'), ({'device': 'usb'}, 'nowhere.*no such file'),
    ({'device': 'camera'}, "unknown device, found 'camera', expected usb, virtual or recording"),
])
def test_device_of_wrong_parameters(values, message):
    files = dict.fromkeys(('elastomer_file', 'scenario_file', 'profile_file'), 'nowhere')
    defaults = {p.name: p.default for p in PARAMETERS['device']}
    with pytest.raises(TactileError, match=message):
        device_of(SimpleNamespace(**{**defaults, **files, **values}), None)


def test_truth_is_offered_by_virtual_fingertips_only(ros, device, options):
    options['parameter_overrides'] += [rclpy.Parameter('device', value='recording')]
    node = DeviceNode(device=device, **options)
    assert not [name for name in node.outlets if name.startswith('truth')]
    node.destroy_node()
