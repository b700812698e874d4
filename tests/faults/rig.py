# SPDX-License-Identifier: Apache-2.0
"""The hand under test: every kind of process there is, watched from outside."""

import os
import shutil
import signal
import subprocess
import sys
import time
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from pathlib import Path

from tactile_nodes.files.hand import read_hand
from tactile_nodes.hand.plan import Process, plan_hand
from tactile_nodes.hand.resources import PACKAGE, shipped
from tactile_nodes.hand.supervisor import Supervisor, command_line
from tests.faults.clock import Clock
from tests.faults.observer import Observer

ROOT = Path(__file__).parents[2]
RATE = 20.0                # Hz; four virtual fingers, their rendering included, fit two cores
SPLIT = 'ring'             # the finger that runs one process per node
STAGES = ('device', 'contact', 'flow', 'force', 'view')
_DISK_MIB = 4096


def alone():
    """End in order when asked to, with ROS on this machine and in a domain of this process."""
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))      # leaves nothing behind
    os.environ.setdefault('ROS_AUTOMATIC_DISCOVERY_RANGE', 'LOCALHOST')
    os.environ.setdefault('ROS_DOMAIN_ID', str(1 + os.getpid() % 100))


class Rig:
    """Three fingers in one process each, one as a process per node, hand node and recorder.

    A context manager; everything is started by the product's own plan and supervisor. Only the
    executables are wrapped (`tests.faults.worker`), so that their cameras can be spoilt.

    Parameters
    ----------
    folder : Path
        For its files.
    fingers : sequence of str, optional
        Only these.
    record : bool
    split : str or None
        The finger that runs one process per node.
    rate : float
        Frames per second.
    own_disk : bool
        Whether the recorder gets a disk of its own, where this user may mount one.

    Attributes
    ----------
    clock : Clock
        Of the hand's processes; it can be turned.
    observer : Observer
    supervisor : Supervisor
    """

    def __init__(self, folder, *, fingers=None, record=True, split=SPLIT, rate=RATE,
                 own_disk=True):
        self.folder = folder
        self.config = Path(shutil.copytree(shipped('config'), folder / 'config'))
        self._own_disk = own_disk
        self.disk, self._control = folder / 'disk', folder / 'control'
        self.disk.mkdir()
        self._control.mkdir()
        self.clock = Clock(self._control / 'clock')
        path = self.config / 'four_finger_hand.yaml'
        path.write_text(path.read_text().replace('frame_rate: 60 ', f'frame_rate: {rate:g} '))
        self._hand = read_hand(path)
        options = {'fingers': fingers, 'record': self.disk if record else None}
        plan = plan_hand(self._hand, **options)
        divided = plan_hand(self._hand, layout='split', **options)
        of_split = [p for p in divided.processes if p.name.startswith(f'{split}.')]
        self.plan = replace(plan, processes=(
            *(p for p in plan.processes if p.own and p.name != split),
            *(p for p in of_split if p.own)))
        self.fingers, self._stack = plan.fingers, ExitStack()
        self.split = split if split in self.fingers else None

    def add(self, process):
        """Add a process to the plan, before the hand is started."""
        self.plan = replace(self.plan, processes=(*self.plan.processes, process))

    def __enter__(self):
        with self._stack:
            self.mounted = self._own_disk and self._mount()
            self.observer = self._stack.enter_context(Observer(self.plan.namespace, self.fingers))
            env = {**os.environ, 'PYTHONPATH': os.pathsep.join([str(ROOT), *sys.path])}
            self.supervisor = Supervisor(self.plan, env=env, on_event=self._heard,
                                         command=self._command)
            self._stack.callback(self.supervisor.stop, 15.0)
            self.supervisor.start()
            self._stack = self._stack.pop_all()
        return self

    def __exit__(self, *_):
        self._stack.close()

    # --- what can be done to it

    def camera(self, finger, mode):
        """Spoil a finger's camera, see `tests.faults.worker.MODES`."""
        path = self._control / finger
        part = path.with_suffix('.part')
        part.write_text(mode)
        part.replace(path)

    def process_of(self, finger, stage='device'):
        """Name of the process in which a finger's stage runs."""
        return f'{finger}.{stage}' if finger == self.split else finger

    def signal(self, process, number):
        """Send a signal to a process of the plan."""
        os.kill(self._running(process), number)

    @contextmanager
    def stopped(self, process):
        """The process is stopped (SIGSTOP), and goes on afterwards."""
        number = self._running(process)
        os.kill(number, signal.SIGSTOP)
        try:
            yield
        finally:
            os.kill(number, signal.SIGCONT)

    @contextmanager
    def peer(self, *topics, sleep=0.0, patience=20.0):
        """A foreign subscriber in a process of its own; yields its Popen once it has heard."""
        words = [sys.executable, '-m', 'tests.faults.peer', '--sleep', str(sleep), *topics]
        env = {k: v for k, v in os.environ.items() if k != '_ROS_WHEELS_BOOTSTRAP_COMPLETE'}
        peer = subprocess.Popen(words, cwd=ROOT, env=env, stdout=subprocess.PIPE, text=True)
        os.set_blocking(peer.stdout.fileno(), False)
        try:
            self.until(lambda: peer.stdout.readline().strip() == 'listening', patience)
            yield peer
        finally:
            peer.kill()
            peer.wait()
            peer.stdout.close()

    def fill_disk(self):
        """Leave nothing free on the recorder's disk."""
        used = os.statvfs(self.disk)
        used = (used.f_blocks - used.f_bfree) * used.f_frsize
        self._remount(used // 2**20 + 1)

    def empty_disk(self):
        """Give the recorder's disk its room back."""
        self._remount(_DISK_MIB)

    # --- time goes on

    def run(self, seconds):
        """Let the hand run."""
        end = time.monotonic() + seconds
        while (left := end - time.monotonic()) > 0:
            self.supervisor.poll(min(0.05, left))

    def until(self, condition, patience):
        """Let the hand run until something holds; returns whether it did, and when."""
        end = time.monotonic() + patience
        while not condition():
            if time.monotonic() > end:
                return None
            self.supervisor.poll(0.05)
        return time.monotonic()

    def wait_ready(self, patience=120.0):
        """Wait until every finger's wrenches and diagnostics are heard; None if not."""
        def heard():
            spoke = {report.source for report in self.observer.reports[:]}
            return all(self.observer.arrivals[finger]
                       and f'{self.plan.namespace[1:]}/{finger}: camera' in spoke
                       for finger in self.fingers)

        return self.until(heard, patience)

    # --- files

    def half_written(self):
        """Files that somebody left half written, and trial files that are none."""
        from tactile_nodes.errors import TactileError
        from tactile_nodes.files.trial import read_trial

        found = [str(p.relative_to(self.folder)) for p in self.folder.rglob('*.part')]
        for path in self.disk.rglob('trial.yaml'):
            try:
                read_trial(path.parent)
            except TactileError as error:
                found.append(str(error))
        return found

    def _running(self, process):
        """Process id, waited for where the process is being started again."""
        self.until(lambda: process in self.supervisor.running, 20.0)
        return self.supervisor.running[process]

    def _command(self, process, folder):
        command = command_line(process, folder)
        if process.package != PACKAGE:
            return list(process.arguments)
        control = self._control / process.name.partition('.')[0]
        start = [sys.executable, '-m', 'tests.faults.worker', process.executable, str(control)]
        return start + command[3:]

    def _heard(self, event):
        self.observer.report(event.process, event.text, event.kind != 'output')

    def _mount(self):
        """Give the recorder a disk of its own; whether that could be done."""
        done = subprocess.run(['mount', '-t', 'tmpfs', '-o', f'size={_DISK_MIB}m', 'tmpfs',
                               str(self.disk)], capture_output=True, check=False)
        if done.returncode == 0:
            self._stack.callback(subprocess.run, ['umount', str(self.disk)], check=False)
        return done.returncode == 0

    def _remount(self, mebibytes):
        subprocess.run(['mount', '-o', f'remount,size={mebibytes}m', str(self.disk)], check=True)


def peer_process(name, topics, namespace):
    """A foreign subscriber as a process of the plan."""
    return Process(name, 'peer', 'peer', namespace, arguments=(
        sys.executable, '-m', 'tests.faults.peer', *topics))
