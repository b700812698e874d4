# SPDX-License-Identifier: Apache-2.0
"""Asks the running fingers for new no-contact references, for the command line."""

import time

from std_srvs.srv import Trigger

from tactile_nodes.errors import TactileError
from tactile_nodes.nodes.process import command_node

_FIND_WITHIN = 5.0       # s
_ALL_FOUND = 1.5         # s without one more, after which all fingers are found
_ANSWER_WITHIN = 5.0     # s
_ASK_AGAIN = 2.0         # s; taking a reference twice does no harm
_SERVICE = '/capture_reference'


def capture_references(fingers=None):
    """Call `capture_reference` of fingers that run, all at once.

    Parameters
    ----------
    fingers : sequence of str, optional
        Names, or namespaces where several hands run; all that are found without.

    Returns
    -------
    dict of str to (bool, str)
        By namespace, such as '/sorter/thumb': whether the reference was taken, and what the
        finger says.

    Raises
    ------
    TactileError
        No finger is found, or one of those named is not; the error lists those there are.
    """
    with command_node('reference_command') as (node, executor):
        return _ask(node, executor, _find(node, executor, fingers))


def _find(node, executor, fingers):
    """Namespaces of the fingers wanted, in order."""
    end, there = time.monotonic() + _FIND_WITHIN, []
    while time.monotonic() < end:
        executor.spin_once(timeout_sec=0.05)
        before, there = there, sorted(name.removesuffix(_SERVICE)
                                      for name, _ in node.get_service_names_and_types()
                                      if name.endswith(_SERVICE))
        if len(there) > len(before):
            end = time.monotonic() + _ALL_FOUND
        found = {finger: [name for name in there if finger in (name, name.rpartition('/')[2])]
                 for finger in fingers or there}
        if fingers and all(found.values()):
            break
    if not there:
        raise TactileError('no finger answers', fix='Bring the hand up: tactile up HAND.yaml, and '
                                                    'look that ROS_DOMAIN_ID is the same.')
    for finger, names in found.items():
        if not names:
            raise TactileError('no such finger runs', found=finger,
                               expected='one of ' + ', '.join(there))
    return list(dict.fromkeys(name for names in found.values() for name in names))


def _ask(node, executor, names):
    clients = {name: node.create_client(Trigger, name + _SERVICE) for name in names}
    end, waiting, answers = time.monotonic() + _ANSWER_WITHIN, {}, {}
    ask_at = dict.fromkeys(names, 0.0)
    while len(answers) < len(names) and (now := time.monotonic()) < end:
        executor.spin_once(timeout_sec=0.05)
        for name, client in clients.items():
            # the first answer between two processes that only just found each other may be lost
            if name not in answers and now >= ask_at[name] and client.service_is_ready():
                waiting[name] = client.call_async(Trigger.Request())
                ask_at[name] = now + _ASK_AGAIN
        answers = {name: (future.result().success, future.result().message)
                   for name, future in waiting.items() if future.done()}
    silent = False, f'no answer within {_ANSWER_WITHIN:g} s: see its status in /diagnostics'
    return {name: answers.get(name, silent) for name in names}
