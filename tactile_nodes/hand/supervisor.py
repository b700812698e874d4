# SPDX-License-Identifier: Apache-2.0
"""Runs a plan as plain processes: restarts what dies, stops everything in bounded time."""

import os
import selectors
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass

from tactile_nodes.hand.discovery import discovery_settings
from tactile_nodes.hand.plan import arguments_of, write_parameters
from tactile_nodes.hand.resources import find_executable

STOP_WITHIN = 3.0            # s, from the request to the last process gone
_FIRST_DELAY, _LONGEST_DELAY = 0.25, 8.0      # s before a restart, doubled each time
_WELL_AFTER = 10.0           # s of running after which a process counts as well
# What is left gets the next stronger signal at this share of the time.
_ESCALATION = ((0.0, signal.SIGINT), (0.5, signal.SIGTERM), (0.9, signal.SIGKILL))
# An interpreter with ROS wheels sets this for its own libraries; a child must find its own.
_WHEELS_GUARD = '_ROS_WHEELS_BOOTSTRAP_COMPLETE'


@dataclass(frozen=True)
class Event:
    """Something that happened to a process.

    Attributes
    ----------
    process : str
        Its name in the plan.
    kind : str
        'output' (a line it printed), 'exited' (why, and what happens next), 'stopped' (by a
        signal, or going on again) or 'missing' (not installed).
    text : str
        One line.
    """

    process: str
    kind: str
    text: str


def command_line(process, folder):
    """Command of a process as a list of str, or None if its executable is not installed.

    Its parameter file is written into `folder`.
    """
    if process.own:
        start = [sys.executable, '-m', f'tactile_nodes.nodes.{process.executable}']
    else:
        path = find_executable(process.package, process.executable)
        if path is None:
            return None
        start = [str(path)]
    command = [*start, *arguments_of(process, folder),
               '--ros-args', '-r', f'__ns:={process.namespace}']
    if process.node:
        command += ['-r', f'__node:={process.node}']
    if process.parameters:
        command += ['--params-file', str(write_parameters(process, folder))]
    return command


class Supervisor:
    """Starts the processes of a plan and keeps them up; a context manager that stops them.

    Call `start` and then `poll` again and again, from one thread that lives as long as the
    supervisor: the processes end when that thread ends, even when it is killed.

    Parameters
    ----------
    plan : Plan
    env : dict, optional
        Environment of the processes, else this process's own.
    on_event : callable
        Called with every Event, from within `start`, `poll` and `stop`.
    command : callable
        `command_line` or one like it.

    Attributes
    ----------
    restarts : collections.Counter
        Times each process was started again, by its name.
    """

    def __init__(self, plan, *, env=None, on_event=lambda event: None, command=command_line):
        self._env = dict(os.environ if env is None else env)
        self._env.pop(_WHEELS_GUARD, None)
        self._env.setdefault('PYTHONUNBUFFERED', '1')        # lines come when they are printed
        self._env.update(discovery_settings(self._env))
        self._plan, self._on_event, self._command = plan, on_event, command
        self._selector = selectors.DefaultSelector()
        self._folder = tempfile.TemporaryDirectory(prefix='tactile_nodes_')
        self._children = []
        self.restarts = Counter()

    def __enter__(self):
        self.start()
        return self

    def __exit__(self, *_):
        self.stop()

    @property
    def running(self):
        """Process id of every process that runs, by name."""
        return {child.name: child.popen.pid for child in self._children if child.popen}

    def start(self):
        """Start every process of the plan; one that is not installed is reported as missing."""
        for process in self._plan.processes:
            command = self._command(process, self._folder.name)
            if command is None:
                self._report(process.name, 'missing',
                             f'{process.package}/{process.executable} is not installed: left out')
                continue
            child = _Child(process.name, command, process.respawn)
            self._children.append(child)
            self._launch(child)

    def poll(self, timeout=0.1):
        """Pass on output, report what died or was stopped and start again what is due.

        Parameters
        ----------
        timeout : float
            Longest wait for output, s. Call at least a few times a second.
        """
        self._pass_on(timeout)
        now = time.monotonic()
        for child in self._children:
            if child.popen and child.popen.poll() is not None:
                self._bury(child, now)
            if child.popen:
                self._note_stop(child)
            if child.restart_at is not None and now >= child.restart_at:
                self.restarts[child.name] += 1
                self._launch(child)

    def stop(self, within=STOP_WITHIN):
        """Stop every process: SIGINT, then SIGTERM, then SIGKILL, all in `within` seconds."""
        begin = time.monotonic()
        steps = [(begin + share * within, number) for share, number in _ESCALATION]
        while self.running and time.monotonic() < begin + within:
            while steps and time.monotonic() >= steps[0][0]:
                number = steps.pop(0)[1]
                for child in self._children:
                    child.send(number)
            self._pass_on(0.02)
            for child in self._children:
                if child.popen and child.popen.poll() is not None:
                    if child.popen.returncode == -signal.SIGKILL:
                        self._report(child.name, 'exited', 'did not stop by itself: killed')
                    self._close(child)
        self._children.clear()
        self._folder.cleanup()

    def _launch(self, child):
        """Start a process in a session of its own, so that the terminal's Ctrl-C passes it by."""
        child.restart_at, child.started = None, time.monotonic()
        child.popen = subprocess.Popen(
            # setpriv: SIGTERM for the process when this one is gone, however it went.
            ['setpriv', '--pdeathsig', 'TERM', '--', *child.command], env=self._env,
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
            start_new_session=True)
        os.set_blocking(child.popen.stdout.fileno(), False)
        self._selector.register(child.popen.stdout, selectors.EVENT_READ, child)

    def _bury(self, child, now):
        """Report a process that ended by itself and say when it starts again."""
        code, ran = child.popen.returncode, now - child.started
        self._close(child)
        how = f'killed by {signal.Signals(-code).name}' if code < 0 else f'ended with code {code}'
        how += f' after {ran:.1f} s'
        if not child.respawn:
            self._report(child.name, 'exited', f'{how}; not started again')
            return
        delay = _FIRST_DELAY if ran > _WELL_AFTER else child.delay
        child.delay = min(2 * delay, _LONGEST_DELAY)
        child.restart_at = now + delay
        self._report(child.name, 'exited', f'{how}; starting again in {delay:g} s')

    def _note_stop(self, child):
        """Report a process that a signal stopped: it cannot do that itself."""
        try:
            news = os.waitid(os.P_PID, child.popen.pid, os.WSTOPPED | os.WCONTINUED | os.WNOHANG)
        except ChildProcessError:                  # it has just ended; the next look buries it
            return
        if news is not None:
            self._report(child.name, 'stopped', 'goes on' if news.si_code == os.CLD_CONTINUED else
                         f'stopped by {signal.Signals(news.si_status).name}: does nothing until '
                         f'SIGCONT (kill -CONT {child.popen.pid})')

    def _pass_on(self, timeout):
        """Report the lines that the processes printed."""
        for key, _ in self._selector.select(timeout):
            self._read(key.data)

    def _read(self, child):
        """Report what one process printed; False at the end of its output or if there is none."""
        try:
            chunk = os.read(child.popen.stdout.fileno(), 65536)
        except BlockingIOError:
            return False
        *lines, child.rest = (child.rest + chunk).split(b'\n')
        if not chunk:
            lines, child.rest = [child.rest] if child.rest else [], b''
            self._unwatch(child)
        for line in lines:
            self._report(child.name, 'output', line.decode(errors='replace'))
        return bool(chunk)

    def _close(self, child):
        """Report the last output of an ended process and forget it."""
        while self._read(child):
            pass
        self._unwatch(child)
        child.popen.stdout.close()
        child.popen = None

    def _unwatch(self, child):
        if child.popen.stdout in self._selector.get_map():
            self._selector.unregister(child.popen.stdout)

    def _report(self, name, kind, text):
        self._on_event(Event(name, kind, text))


class _Child:
    """A process of the plan as it runs now; `popen` is None while it does not."""

    def __init__(self, name, command, respawn):
        self.name, self.command, self.respawn = name, command, respawn
        self.popen = None
        self.started = 0.0
        self.restart_at = None
        self.delay = _FIRST_DELAY
        self.rest = b''

    def send(self, number):
        """Signal the process and whatever it started, if it still runs."""
        if self.popen and self.popen.poll() is None:
            os.killpg(self.popen.pid, number)
