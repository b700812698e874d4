# SPDX-License-Identifier: Apache-2.0
"""How every executable runs: nodes in one executor, clean end, one message for a wrong setting."""

import ctypes
import gc
import signal
import sys
import threading
import traceback
from contextlib import contextmanager
from queue import SimpleQueue

import cv2
import rclpy
from rclpy.clock import Clock, ClockType
from rclpy.executors import SingleThreadedExecutor
from rclpy.signals import SignalHandlerOptions

from tactile_nodes.errors import TactileError

_ARENAS = 2           # of malloc; the thread that works hard mostly has one for itself
_STEADY = Clock(clock_type=ClockType.STEADY_TIME)


def run(build, args=None):
    """Run nodes until SIGINT, SIGTERM or SIGHUP, then end the process.

    Exit code 0 after a signal, 2 for a wrong parameter or file (one message, nothing started),
    1 when a thread failed (with one message for a TactileError, else with its traceback).

    Parameters
    ----------
    build : callable
        Makes the nodes and returns them in a list. A node's `begin()`, where it has one, is called
        once all are in the executor, and its `end()` first of all when the process ends.
    args : list of str, optional
        Instead of sys.argv.
    """
    cv2.setNumThreads(1)
    _set_malloc()
    # not an Event: a signal handler that interrupts another, or a wait, would hang on its lock
    stop, failures, nodes = SimpleQueue(), [], []
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, lambda number, _: stop.put(number))

    def failed(failure):
        failures.append(failure)
        stop.put(failure)

    threading.excepthook = failed
    try:
        _init(args)
        nodes += build()
        _serve(nodes, stop)
        code = 0
    except TactileError as error:
        print(error, file=sys.stderr)
        code = 2
    for node in nodes:
        node.destroy_node()
    rclpy.try_shutdown()
    for failure in failures:
        if isinstance(failure.exc_value, TactileError):
            print(failure.exc_value, file=sys.stderr)
        else:
            traceback.print_exception(failure.exc_type, failure.exc_value, failure.exc_traceback)
    sys.exit(1 if failures else code)


def _set_malloc():
    """Let glibc keep the images it frees, and threads share the memory they free.

    Getting it back from the kernel costs page faults. With an arena of its own for every thread
    that comes and goes, as with each trial, what one has freed is of no use to the next, and the
    process grows. See mallopt(3): M_MMAP_THRESHOLD, M_TRIM_THRESHOLD, M_ARENA_MAX. Another C
    library may not have it.
    """
    mallopt = getattr(ctypes.CDLL(None), 'mallopt', None)
    if mallopt is not None:
        for parameter, value in ((-3, 1 << 28), (-1, 1 << 28), (-8, _ARENAS)):
            mallopt(parameter, value)


def _init(args):
    # rclpy's own signal handlers would end the context under the feet of running threads
    try:
        rclpy.init(args=args, signal_handler_options=SignalHandlerOptions.NO)
    except (RuntimeError, ValueError) as error:
        raise TactileError('wrong ROS arguments', found=str(error)) from None


def _serve(nodes, stop):
    executor, done = new_executor(), threading.Event()
    for node in nodes:
        executor.add_node(node)
    spinner = threading.Thread(target=spin, args=(executor, done), name='executor')
    spinner.start()
    try:
        for node in nodes:
            if hasattr(node, 'begin'):
                node.begin()
        gc.freeze()      # what is there now stays: later collections need not look at it
        stop.get()
    finally:
        done.set()
        spinner.join(timeout=1.0)      # not for ever: a service may be waiting for frames
        for node in nodes:
            if hasattr(node, 'end'):
                node.end()
        spinner.join()


def every(node, seconds, act):
    """Call `act` again and again, also when the time of day is set meanwhile.

    A timer on a node's own clock would wait until the time is what it was.
    """
    return node.create_timer(seconds, act, clock=_STEADY)


def new_executor(context=None):
    """The executor that costs least: event-driven where rclpy has it."""
    try:
        from rclpy.experimental import EventsExecutor as Executor
    except ImportError:
        Executor = SingleThreadedExecutor
    return Executor(context=context)


@contextmanager
def _own_node(name, **options):
    """A node in a context of its own and without signal handlers; yields it and the context."""
    context = rclpy.Context()
    rclpy.init(args=[], context=context, signal_handler_options=SignalHandlerOptions.NO)
    node = rclpy.create_node(name, context=context, **options)
    try:
        yield node, context
    finally:
        node.destroy_node()
        context.try_shutdown()


@contextmanager
def command_node(name):
    """A node for a command, in a context of its own and without signal handlers.

    Yields
    ------
    node, executor
        The node is in the executor, which the command spins itself.
    """
    with _own_node(name, start_parameter_services=False, enable_rosout=False) as (node, context):
        executor = SingleThreadedExecutor(context=context)
        executor.add_node(node)
        try:
            yield node, executor
        finally:
            executor.shutdown()


@contextmanager
def background_node(name, **options):
    """A node that is served in a thread of its own, in a context of its own.

    Parameters
    ----------
    name : str
    **options
        Of `rclpy.create_node`.

    Yields
    ------
    node
    """
    with _own_node(name, **options) as (node, context):
        executor, done = new_executor(context), threading.Event()
        executor.add_node(node)
        thread = threading.Thread(target=spin, args=(executor, done))
        thread.start()
        try:
            yield node
        finally:
            done.set()
            thread.join()


def spin(executor, done):
    """Serve until `done` (threading.Event) is set, in any thread.

    In slices, because the event-driven executor's `spin` delivers nothing (seen with rclpy 7.1.6
    and 9.1.2) while its `spin_once` with a time limit does.
    """
    while not done.is_set():
        executor.spin_once(timeout_sec=0.1)
