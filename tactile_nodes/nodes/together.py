# SPDX-License-Identifier: Apache-2.0
"""Starts the devices of a hand at the same moment, through their life cycle."""

import time
from contextlib import ExitStack

from lifecycle_msgs.msg import Transition
from lifecycle_msgs.srv import ChangeState

from tactile_nodes.errors import TactileError
from tactile_nodes.nodes.process import command_node

_ANSWER_WITHIN = 20.0        # s


class Starter:
    """Configures and activates the device nodes of several fingers; a context manager.

    Parameters
    ----------
    namespaces : sequence of str
        Of the fingers.
    """

    def __init__(self, namespaces):
        self._namespaces = namespaces

    def __enter__(self):
        self._stack = ExitStack()
        self._node, self._executor = self._stack.enter_context(command_node('starter'))
        self._clients = {name: self._node.create_client(ChangeState, f'{name}/device/change_state')
                         for name in self._namespaces}
        return self

    def __exit__(self, *_):
        self._stack.close()

    def there(self):
        """Whether all devices wait to be started."""
        return all(client.service_is_ready() for client in self._clients.values())

    def configure(self):
        """Open all devices."""
        self._change(Transition.TRANSITION_CONFIGURE)

    def activate(self):
        """Start all devices.

        Returns
        -------
        int
            When they began, ns since the epoch; they differ by some milliseconds.
        """
        return self._change(Transition.TRANSITION_ACTIVATE)

    def _change(self, transition):
        request = ChangeState.Request(transition=Transition(id=transition))
        now = time.time_ns()
        futures = {name: client.call_async(request) for name, client in self._clients.items()}
        end = time.monotonic() + _ANSWER_WITHIN
        for name, future in futures.items():
            self._executor.spin_until_future_complete(
                future, timeout_sec=max(0.0, end - time.monotonic()))
            if not future.done() or not future.result().success:
                raise TactileError('the device cannot be started', where=name,
                                   fix='See what its node says.')
        return now
