# SPDX-License-Identifier: Apache-2.0
"""Speaks to the recorder node of a hand, for the command line."""

import time
from contextlib import ExitStack

from rcl_interfaces.srv import SetParametersAtomically
from rclpy.parameter import Parameter
from std_srvs.srv import Trigger

from tactile_nodes.errors import TactileError
from tactile_nodes.nodes.process import command_node

_FIND_WITHIN = 10.0      # s
_ANSWER_WITHIN = 30.0    # s; finishing a bag on a slow disk takes its time
_ASK_AGAIN = 2.0         # s


class RecorderClient:
    """Calls the services of the recorder; a context manager.

    Parameters
    ----------
    hand : str, optional
        Name of the hand; needed where several are recorded.
    """

    def __init__(self, hand=None):
        self._hand = hand

    def __enter__(self):
        self._stack = ExitStack()
        self._node, self._executor = self._stack.enter_context(command_node('trial_command'))
        return self

    def __exit__(self, *_):
        self._stack.close()

    def call(self, service, **parameters):
        """Set parameters (with `_` for `.` after `trial`) and call `trial/<service>`.

        Returns
        -------
        str
            What the recorder answers.

        Raises
        ------
        TactileError
            No recorder, several, no answer, or what the recorder refuses.
        """
        namespace = self._find()
        # the first answer between two processes that only just found each other may be lost; its
        # status may be asked for twice
        answer = self._ask(Trigger, f'{namespace}/trial/status', Trigger.Request(), _ASK_AGAIN)
        if parameters:
            request = SetParametersAtomically.Request(parameters=[
                Parameter(name.replace('_', '.', 1) if name.startswith('trial_') else name,
                          value=value).to_parameter_msg() for name, value in parameters.items()])
            result = self._ask(SetParametersAtomically,
                               f'{namespace}/recorder/set_parameters_atomically', request).result
            if not result.successful:
                raise TactileError('the recorder refuses', found=result.reason)
        if service != 'status':
            answer = self._ask(Trigger, f'{namespace}/trial/{service}', Trigger.Request())
        if not answer.success:
            raise TactileError(answer.message.rstrip('.'))
        return answer.message

    def _find(self):
        """Namespace of the hand whose recorder is there."""
        end, found = time.monotonic() + _FIND_WITHIN, set()
        while not found and time.monotonic() < end:
            self._executor.spin_once(timeout_sec=0.05)
            found = {name.removesuffix('/trial/start')
                     for name, _ in self._node.get_service_names_and_types()
                     if name.endswith('/trial/start')}
            if self._hand:
                found &= {f'/{self._hand.strip("/")}'}
        if not found:
            raise TactileError(
                'no recorder answers' + (f' for the hand {self._hand}' if self._hand else ''),
                fix='Bring the hand up with a recorder: tactile up HAND.yaml --trials DIR, or '
                    'ros2 launch tactile_nodes hand.launch.py trials:=DIR; and look that '
                    'ROS_DOMAIN_ID is the same.')
        if len(found) > 1:
            raise TactileError('several hands are recorded', found=sorted(found),
                               fix='Name one with --hand.')
        return found.pop()

    def _ask(self, kind, name, request, again=_ANSWER_WITHIN):
        """Answer of a service that is asked again every `again` seconds."""
        client = self._node.create_client(kind, name)
        try:
            if not client.wait_for_service(timeout_sec=_FIND_WITHIN):
                raise TactileError('the recorder does not answer', where=name)
            end = time.monotonic() + _ANSWER_WITHIN
            while time.monotonic() < end:
                future = client.call_async(request)
                self._executor.spin_until_future_complete(future, timeout_sec=again)
                if future.done():
                    return future.result()
            raise TactileError(f'no answer within {_ANSWER_WITHIN:g} s', where=name)
        finally:
            self._node.destroy_client(client)
