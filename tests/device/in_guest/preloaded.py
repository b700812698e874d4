# SPDX-License-Identifier: Apache-2.0
"""`tactile up` for a slow guest: what a finger imports is imported once, and each process forked.

The guest's emulated processor needs most of a minute to import a finger's modules and to reckon
what depends on the elastomer only, and a hand starts five processes. Here they are forked from one
that has done so. They also get longer to stop: taking the publishers and subscriptions apart needs
2 s here, 0.1 s on a real processor. All else is real: plan, supervisor, pipes, process ids,
signals, exit codes, restarts, and what each process does from `main` on. One more fork is the
`watch`.

The first line of the input is the path of the hand file, the others are for the watch.
"""

import ctypes
import os
import signal
import subprocess
import sys
import traceback
from copy import deepcopy
from functools import cache
from importlib import import_module
from types import SimpleNamespace

from diagnostic_msgs.msg import DiagnosticArray
from lifecycle_msgs.srv import GetState
from rcl_interfaces.msg import Log
from rcl_interfaces.srv import GetParameters
from rclpy.type_support import check_for_type_support
from std_srvs.srv import Trigger

from tactile_nodes.cli import main as cli
from tactile_nodes.core import force
from tactile_nodes.core.geometry import ImageGeometry
from tactile_nodes.files.elastomer import read_elastomer
from tactile_nodes.hand import supervisor
from tactile_nodes.interface import FINGER_TOPICS
from tactile_nodes.nodes.messages import message_type
from tests.device.in_guest import watch
from tests.device.in_guest.bench import ELASTOMER, SIZE

MODULES = ('nodes.fingertip', 'nodes.hand_node', 'device.usb', 'files.device_profile')
REFERENCE_FRAMES = 8
_STOP_WITHIN = 3 * supervisor.STOP_WITHIN                    # s
_PARENT_DEATH_SIGNAL = 1            # prctl(2)


class Fork:
    """What the supervisor uses of subprocess.Popen, for `... -m MODULE ARGUMENTS`.

    The process begins with a line 'pid N'.
    """

    def __init__(self, command, *, env, **_):
        module, *arguments = command[command.index('-m') + 1:]
        self.returncode = None
        reading, writing = os.pipe()
        self.pid = os.fork()
        if not self.pid:
            _become(module, arguments, env, writing)
        os.close(writing)
        self.stdout = open(reading, 'rb')                    # noqa: SIM115 - the caller closes it

    def poll(self):
        if self.returncode is None:
            ended, status = os.waitpid(self.pid, os.WNOHANG)
            if ended:
                self.returncode = os.waitstatus_to_exitcode(status)
        return self.returncode


def _become(module, arguments, env, output):
    """Be what `python -m MODULE ARGUMENTS` is, with output into a pipe; never returns."""
    os.setsid()
    ctypes.CDLL(None).prctl(_PARENT_DEATH_SIGNAL, signal.SIGTERM)
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, signal.SIG_DFL)
    for stream in (1, 2):
        os.dup2(output, stream)
    os.write(1, f'pid {os.getpid()}\n'.encode())
    os.environ.update(env)
    sys.argv = [module, *arguments, '-p', f'reference_frames:={REFERENCE_FRAMES}']
    code = 1
    try:
        import_module(module).main()
    except SystemExit as end:
        code = end.code
    except BaseException:
        traceback.print_exc()
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)


def _prepare():
    """Import, load the libraries of the messages, reckon what depends on the elastomer only."""
    for module in MODULES:
        import_module(f'tactile_nodes.{module}')
    for kind in (*map(message_type, {topic.type for topic in FINGER_TOPICS}), Log, GetParameters,
                 GetState, Trigger, DiagnosticArray):
        check_for_type_support(kind)
    reckon = cache(force.TractionEstimator)
    force.TractionEstimator = lambda *arguments: deepcopy(reckon(*arguments))
    force.ForceStage(ImageGeometry.usual(*SIZE[::-1]), read_elastomer(ELASTOMER))


def main():
    _prepare()
    # unbuffered, or it would take lines of the watch
    hand = b''.join(iter(lambda: os.read(0, 1).strip(), b'')).decode()
    if not hand:
        return
    if not os.fork():
        watch.main()
        os._exit(0)
    os.dup2(os.open(os.devnull, os.O_RDONLY), 0)             # commands are for the watch
    stop = supervisor.Supervisor.stop
    supervisor.Supervisor.stop = lambda hand: stop(hand, within=_STOP_WITHIN)
    supervisor.subprocess = SimpleNamespace(**{**vars(subprocess), 'Popen': Fork})
    sys.exit(cli.main(['up', hand]))


if __name__ == '__main__':
    main()
