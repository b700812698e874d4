# SPDX-License-Identifier: Apache-2.0
import os
import signal
import subprocess
import sys
import time

import pytest

from tactile_nodes.hand.plan import Plan, Process
from tactile_nodes.hand.supervisor import Supervisor, command_line

PATIENCE = 60.0        # s; far longer than anything takes on a busy machine

TICK = 'import time\nprint("up", flush=True)\nwhile True: time.sleep(0.05)'
DEAF = ('import signal, time\nfor n in (signal.SIGINT, signal.SIGTERM): '
        'signal.signal(n, signal.SIG_IGN)\nprint("up", flush=True)\ntime.sleep(600)')


class Run:
    """A supervisor over small Python programs, by name; collects its events."""

    def __init__(self, programs, **options):
        self.events = []
        plan = Plan('/h', (), tuple(
            Process(name, 'tactile_nodes', 'x', '/h', respawn=not name.startswith('once'))
            for name in programs))
        self.supervisor = Supervisor(
            plan, on_event=self.events.append,
            command=lambda process, _: programs[process.name] and
            [sys.executable, '-c', programs[process.name]], **options)

    def __enter__(self):
        self.supervisor.start()
        return self

    def __exit__(self, *_):
        self.supervisor.stop()

    def of(self, name, kind):
        return [e.text for e in self.events if (e.process, e.kind) == (name, kind)]

    def until(self, condition):
        end = time.monotonic() + PATIENCE
        while not condition():
            assert time.monotonic() < end, self.events
            self.supervisor.poll(0.05)


def alive(pid):
    try:
        with open(f'/proc/{pid}/stat', encoding='ascii') as stat:
            return stat.read().rsplit(')', 1)[1].split()[0] != 'Z'
    except FileNotFoundError:
        return False


def wait_gone(pid):
    end = time.monotonic() + PATIENCE
    while alive(pid):
        assert time.monotonic() < end, f'process {pid} still runs'
        time.sleep(0.02)


def test_output_comes_line_by_line_under_the_name_of_its_process():
    program = ('import sys\nprint("one\\ntwo")\nsys.stdout.flush()\n'
               'sys.stderr.buffer.write(b"b\\xe4d\\nlast, no newline")')
    with Run({'once.a': program}) as run:
        run.until(lambda: run.of('once.a', 'exited'))
    assert run.of('once.a', 'output') == ['one', 'two', 'b\ufffdd', 'last, no newline']
    assert 'ended with code 0' in run.of('once.a', 'exited')[0]


def test_a_killed_process_comes_back_and_the_others_go_on():
    with Run({'a': TICK, 'b': TICK}) as run:
        run.until(lambda: run.of('a', 'output') and run.of('b', 'output'))
        first, other = run.supervisor.running['a'], run.supervisor.running['b']
        os.kill(first, signal.SIGKILL)
        run.until(lambda: len(run.of('a', 'output')) == 2)
        assert run.supervisor.running['a'] != first
        assert run.supervisor.running['b'] == other
        assert run.of('a', 'exited')[0].startswith('killed by SIGKILL after')
        assert run.of('a', 'exited')[0].endswith('starting again in 0.25 s')
        assert run.supervisor.restarts == {'a': 1}
        assert not run.of('b', 'exited')


def test_a_stopped_process_is_reported_and_stays():
    with Run({'a': TICK}) as run:
        run.until(lambda: run.of('a', 'output'))
        pid = run.supervisor.running['a']
        os.kill(pid, signal.SIGSTOP)
        run.until(lambda: run.of('a', 'stopped'))
        assert run.of('a', 'stopped') == ['stopped by SIGSTOP: does nothing until SIGCONT '
                                          f'(kill -CONT {pid})']
        os.kill(pid, signal.SIGCONT)
        run.until(lambda: len(run.of('a', 'stopped')) == 2)
        assert run.of('a', 'stopped')[1] == 'goes on'
        assert run.supervisor.running['a'] == pid and not run.of('a', 'exited')


def test_back_off_doubles_up_to_its_limit(monkeypatch):
    monkeypatch.setattr('tactile_nodes.hand.supervisor._LONGEST_DELAY', 1.0)
    with Run({'a': 'raise SystemExit(3)'}) as run:
        run.until(lambda: len(run.of('a', 'exited')) == 4)
    texts = run.of('a', 'exited')
    assert all(text.startswith('ended with code 3') for text in texts)
    assert [text.split()[-2] for text in texts] == ['0.25', '0.5', '1', '1']


def test_back_off_begins_anew_after_running_well(monkeypatch):
    monkeypatch.setattr('tactile_nodes.hand.supervisor._WELL_AFTER', 0.0)
    with Run({'a': 'pass'}) as run:
        run.until(lambda: len(run.of('a', 'exited')) == 3)
    assert [text.split()[-2] for text in run.of('a', 'exited')] == ['0.25', '0.25', '0.25']


def test_a_process_that_may_end_is_not_started_again():
    with Run({'once.viewer': 'pass', 'a': TICK}) as run:
        run.until(lambda: run.of('once.viewer', 'exited') and run.of('a', 'output'))
        run.supervisor.poll()
        assert list(run.supervisor.running) == ['a']
        assert 'not started again' in run.of('once.viewer', 'exited')[0]


def test_a_missing_program_is_reported_and_the_others_run():
    with Run({'rviz': None, 'a': TICK}) as run:
        run.until(lambda: run.of('a', 'output'))
        assert run.of('rviz', 'missing') == ['tactile_nodes/x is not installed: left out']
        assert list(run.supervisor.running) == ['a']


def test_a_process_that_ends_between_two_looks_is_buried_at_the_next():
    with Run({'a': TICK}) as run:
        run.until(lambda: run.of('a', 'output'))
        child, = run.supervisor._children
        os.kill(child.popen.pid, signal.SIGKILL)
        os.waitid(os.P_PID, child.popen.pid, os.WEXITED | os.WNOWAIT)        # a zombie by now
        run.supervisor._note_stop(child)
        run.until(lambda: run.of('a', 'exited'))


def test_stop_ends_even_those_who_do_not_listen():
    """The bound promised is 3 s; half a minute is allowed for a machine that is busy."""
    with Run({'a': TICK, 'deaf': DEAF}) as run:
        run.until(lambda: run.of('a', 'output') and run.of('deaf', 'output'))
        pids = list(run.supervisor.running.values())
        begin = time.monotonic()
        run.supervisor.stop()
        assert time.monotonic() - begin < 30
        assert run.supervisor.running == {}
        for pid in pids:
            wait_gone(pid)
    assert run.of('deaf', 'exited') == ['did not stop by itself: killed']
    assert not run.of('a', 'exited')


def test_stop_asks_with_ctrl_c_first():
    # a shell starts what runs in its background with SIGINT ignored
    program = ('import signal, time\nsignal.signal(signal.SIGINT, signal.default_int_handler)\n'
               'try:\n print("up", flush=True)\n time.sleep(600)\n'
               'except KeyboardInterrupt: print("lights off")')
    with Run({'a': program}) as run:
        run.until(lambda: run.of('a', 'output'))
    assert run.of('a', 'output') == ['up', 'lights off']


def test_stop_while_a_process_waits_for_its_restart():
    with Run({'a': 'pass'}) as run:
        run.until(lambda: run.of('a', 'exited'))
        run.supervisor.stop()
        run.supervisor.poll(0)
        assert run.supervisor.running == {} and not run.supervisor.restarts


def test_processes_end_when_the_supervisor_is_killed(tmp_path):
    program = tmp_path / 'supervise.py'
    program.write_text(f'''
import sys
from tactile_nodes.hand.plan import Plan, Process
from tactile_nodes.hand.supervisor import Supervisor
plan = Plan('/h', (), (Process('a', 'tactile_nodes', 'x', '/h'),))
supervisor = Supervisor(plan, on_event=lambda event: print(pid(), flush=True),
                        command=lambda *_: [sys.executable, '-c', {TICK!r}])
pid = lambda: supervisor.running['a']
supervisor.start()
while True:
    supervisor.poll()
''')
    env = {**os.environ, 'PYTHONPATH': os.pathsep.join(sys.path), 'TMPDIR': str(tmp_path)}
    with subprocess.Popen([sys.executable, program], env=env, stdout=subprocess.PIPE) as killed:
        child = int(killed.stdout.readline())
        assert alive(child)
        killed.kill()
    wait_gone(child)


def test_the_environment_is_the_callers_without_the_guard_of_the_wheels():
    seen = []
    plan = Plan('/h', (), (Process('env', 'tactile_nodes', 'x', '/h', respawn=False),))
    env = {'PATH': os.environ['PATH'], 'COLOUR': 'plum', '_ROS_WHEELS_BOOTSTRAP_COMPLETE': '1'}
    with Supervisor(plan, env=env, on_event=seen.append,
                    command=lambda *_: ['env']) as supervisor:
        while not any(event.kind == 'exited' for event in seen):
            supervisor.poll()
    lines = [event.text for event in seen if event.kind == 'output']
    assert 'COLOUR=plum' in lines and 'PYTHONUNBUFFERED=1' in lines
    assert not any('BOOTSTRAP' in line for line in lines)


def test_the_command_of_an_own_node(tmp_path):
    process = Process('thumb.force', 'tactile_nodes', 'force_node', '/sorter/thumb', 'force',
                      {'serial': '1'})
    assert command_line(process, tmp_path) == [
        sys.executable, '-m', 'tactile_nodes.nodes.force_node', '--ros-args',
        '-r', '__ns:=/sorter/thumb', '-r', '__node:=force',
        '--params-file', str(tmp_path / 'thumb.force.yaml')]
    assert (tmp_path / 'thumb.force.yaml').is_file()


def test_the_command_of_another_packages_program(tmp_path, monkeypatch):
    process = Process('rviz', 'rviz2', 'rviz2', '/sorter', arguments=('-d', 'x.rviz'))
    monkeypatch.delenv('AMENT_PREFIX_PATH', raising=False)
    assert command_line(process, tmp_path) is None
    program = tmp_path / 'lib' / 'rviz2' / 'rviz2'
    program.parent.mkdir(parents=True)
    program.touch(0o755)
    monkeypatch.setenv('AMENT_PREFIX_PATH', str(tmp_path))
    assert command_line(process, tmp_path) == [
        str(program), '-d', 'x.rviz', '--ros-args', '-r', '__ns:=/sorter']


@pytest.mark.parametrize('kind', ['closed output', 'no output'])
def test_a_process_that_closes_its_output_stays_up(kind):
    program = ('import os, time\nprint("up", flush=True)\n'
               + ('os.close(1); os.close(2)\n' if kind == 'closed output' else '')
               + 'time.sleep(600)')
    with Run({'a': program}) as run:
        run.until(lambda: run.of('a', 'output'))
        for _ in range(3):
            run.supervisor.poll(0.05)
        assert list(run.supervisor.running) == ['a']
