# SPDX-License-Identifier: Apache-2.0
"""The demo: refusals, the table, the page, and one real run that is interrupted."""

import json
import os
import re
import signal
import subprocess
import sys
from html.parser import HTMLParser
from types import SimpleNamespace

import cv2
import numpy as np
import pytest

from tactile_nodes.cli import main as cli
from tactile_nodes.cli.demo_page import FingerReport, write_page
from tactile_nodes.cli.demo_table import LiveTable, row_of
from tactile_nodes.hand.resources import shipped
from tactile_nodes.trials.run import FingerRun
from tactile_nodes.trials.summary import summarise

PERIOD = 16_666_667
START = 1_700_000_000_000_000_000

HAND = f"""
hand: crate
base_frame: crate_base
image: {{width: 320, height: 240}}
frame_rate: 20
fingers:
  thumb:
    serial: VF-1001
    elastomer: {shipped('config/elastomers/soft_marked.yaml')}
    calibration: {shipped('config/calibrations/VF-1001_soft_marked.yaml')}
    device: {{kind: virtual, scenario: {shipped('config/scenarios/pick_plum_finger.yaml')}}}
"""


@pytest.fixture
def hand_file(tmp_path):
    path = tmp_path / 'hand.yaml'
    path.write_text(HAND)
    return path


def command(*arguments):
    return [sys.executable, '-m', 'tactile_nodes.cli.main', 'demo', *map(str, arguments)]


def environment():
    env = {k: v for k, v in os.environ.items() if k != '_ROS_WHEELS_BOOTSTRAP_COMPLETE'}
    return {**env, 'PYTHONUNBUFFERED': '1'}


def test_a_wrong_hand_file_starts_and_makes_nothing(tmp_path, capsys):
    assert cli.main(['demo', '--hand', str(tmp_path / 'no.yaml'),
                     '--out', str(tmp_path / 'out')]) == 2
    assert 'no such file' in capsys.readouterr().err
    assert not (tmp_path / 'out').exists()


@pytest.mark.parametrize('text', ['0', '-3', 'nan', 'soon', '1e9'])
def test_a_duration_that_is_none_is_refused(text, capsys):
    with pytest.raises(SystemExit) as ended:
        cli.main(['demo', '--duration', text])
    assert ended.value.code == 2
    assert 'duration' in capsys.readouterr().err


def test_a_folder_with_other_things_is_not_touched(tmp_path, capsys, hand_file):
    pytest.importorskip('rclpy', reason='ROS is not installed')
    pytest.importorskip('rosbags')
    out = tmp_path / 'thesis'
    (out / 'bag').mkdir(parents=True)
    (out / 'bag' / 'only_copy.mcap').touch()
    assert cli.main(['demo', '--hand', str(hand_file), '--out', str(out)]) == 2
    assert 'holds other things' in capsys.readouterr().err
    assert [path.name for path in out.rglob('*')] == ['bag', 'only_copy.mcap']


def watch(rows, force=(0.0, 0.0, 0.0), torque_z=0.0, **state):
    stamps = START + np.asarray(rows, np.int64) * PERIOD
    arrivals = [(int(s) + 8_000_000, int(s)) for s in stamps]
    wrench = SimpleNamespace(wrench=SimpleNamespace(
        force=SimpleNamespace(**dict(zip('xyz', force, strict=True))),
        torque=SimpleNamespace(z=torque_z)))
    return SimpleNamespace(arrivals=arrivals, wrench=wrench,
                           **{'in_contact': False, 'slipping': False, **state})


def test_table_row_says_what_arrived():
    rows = [row for row in range(200) if row not in (150, 151)]
    row = row_of('thumb', watch(rows, (3.0, 4.0, -1.5), -2e-3, in_contact=True), 60.0,
                 START + 200 * PERIOD)
    assert row == ('thumb', '59.4 Hz', '2', '8.0 / 8.0 ms', 'holds', '1.50 N', '5.00 N',
                   '-2.0 mNm')
    warned = watch([1, 2, 3], in_contact=True, slipping=True)
    assert row_of('thumb', warned, 60.0, START)[4] == 'slip warning'
    assert row_of('thumb', watch([1, 2, 3], slipping=True), 60.0, START)[4] == 'no'


def test_table_row_before_anything_arrived():
    assert row_of('thumb', watch([]), 60.0, START)[1:] == ('-',) * 7
    assert row_of('thumb', watch([4]), 60.0, START)[1:] == ('silent',) + ('-',) * 6


def test_table_row_of_a_finger_that_has_fallen_silent():
    for seconds in (1.5, 20):
        now = START + 200 * PERIOD + round(seconds * 1e9)
        assert row_of('thumb', watch(range(200)), 60.0, now)[1:] == ('silent',) + ('-',) * 6


def test_table_without_a_terminal_is_a_line_a_second_and_finger(capsys, monkeypatch):
    monkeypatch.setattr('tactile_nodes.cli.demo_table.time_ns', lambda: START + 60 * PERIOD)
    fingers = {'thumb': watch(range(60)), 'ring': watch(range(60))}
    with LiveTable('/sorter', 3.0, dict.fromkeys(fingers, 60.0)) as table:
        for elapsed in (0.4, 0.9, 1.4, 1.9):
            table.update(elapsed, fingers)
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) == 4
    assert all('60.0 Hz' in line for line in lines)


def test_table_on_a_terminal_holds_every_finger():
    rich_console = pytest.importorskip('rich.console')
    fingers = {'thumb': watch(range(60)), 'ring': watch(range(60), in_contact=True)}
    table = LiveTable('/sorter', 3.0, dict.fromkeys(fingers, 60.0))
    rows = [row_of(name, finger, 60.0, START) for name, finger in fingers.items()]
    console = rich_console.Console(width=120, record=True, file=open(os.devnull, 'w'))   # noqa: SIM115
    with console.file:
        console.print(table._table(1.0, rows))
        text = console.export_text()
    assert 'thumb' in text and 'ring' in text and 'holds' in text and 'latency' in text


class Page(HTMLParser):
    """Tags in order; fails on tags that are not closed in order."""

    VOID = {'meta', 'img', 'br'}

    def __init__(self, text):
        super().__init__()
        self.open, self.found = [], []
        self.feed(text)
        assert self.open == []

    def handle_starttag(self, tag, attributes):
        self.found.append((tag, dict(attributes)))
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attributes):
        self.found.append((tag, dict(attributes)))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


def report(count=120, measured=True):
    rng = np.random.default_rng(5)
    stamps = START + np.arange(count, dtype=np.int64) * PERIOD
    truth = rng.normal(0, 1, (count, 6))
    sd = np.full((count, 6), 0.1 if measured else np.inf)
    slipping = (np.arange(count) > 50) & (np.arange(count) < 70)
    run = FingerRun(stamps, truth + 0.05, sd, truth, np.ones(count), slipping)
    came = np.stack([stamps + 8_000_000, stamps], axis=1)
    numbers = summarise(came, (START, START + 2 * 10**9), 60.0, run)
    return FingerReport(numbers, run, [(3, 'hardest press', np.zeros((240, 320, 3), np.uint8))])


def test_page_is_whole_and_needs_nothing_else(tmp_path):
    pytest.importorskip('matplotlib')
    fingers = {'thumb': report(), 'index': report(measured=False), 'middle': report(count=0)}
    write_page(tmp_path / 'index.html', '/sorter', (START, START + 2 * 10**9), fingers)
    text = (tmp_path / 'index.html').read_text(encoding='utf-8')
    page = Page(text)
    tags = [tag for tag, _ in page.found]
    assert tags.count('svg') == 2 and tags.count('img') == 2 and tags.count('section') == 3
    for tag, attributes in page.found:
        assert tag not in ('script', 'link', 'iframe')
        assert attributes.get('src', 'data:').startswith('data:')
        assert attributes.get('xlink:href', '#').startswith('#')
    assert text.count('not measured') == 4                # the axes of the plots of index
    assert 'No wrench was recorded' in text
    assert '>slip warning<' in text and 'safety function' in text
    cells = re.findall(r'<td>(.*?)</td>', text[text.index('<tbody>'):])
    assert cells[:6] == ['thumb', '120', '60.0', '0 (0.0 %)', '8.0', '8.0']
    assert cells[6:12] == ['0.050', '0.050', '0.050', '50.00', '50.00', '50.00']
    assert cells[18:24] == ['&ndash;'] * 6                # not measured: no error to give


def test_run_interrupted_by_ctrl_c_still_reports(tmp_path, hand_file):
    for name in ('rclpy', 'mcap', 'rosbags', 'matplotlib'):
        pytest.importorskip(name)
    out = tmp_path / 'out'
    with subprocess.Popen(command('--hand', hand_file, '--duration', 600, '--out', out),
                          env=environment(), stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
                          text=True) as demo:
        said = []
        try:
            for line in demo.stdout:
                said.append(line)
                if line.lstrip().startswith('3.'):
                    demo.send_signal(signal.SIGINT)
                    break
            rest, _ = demo.communicate(timeout=60)
        finally:
            demo.kill()
    assert demo.returncode == 130, ''.join(said) + rest
    summary = json.loads((out / 'summary.json').read_text())
    thumb = summary['fingers']['thumb']
    assert thumb['frames'] > 10 and thumb['latency_ms']['p50'] > 0
    assert thumb['wrench_rmse']['fz'] is not None
    from rosbags.rosbag2 import Reader
    with Reader(out / 'bag') as reader:
        counts = {c.topic: c.msgcount for c in reader.connections}
    assert counts['/crate/thumb/wrench'] > 10
    assert counts['/crate/thumb/image_raw/compressed'] > 10
    Page((out / 'index.html').read_text())
    assert sorted(path.name for path in out.iterdir()) == [
        '.tactile_demo', 'bag', 'index.html', 'summary.json']


def test_a_finger_that_never_delivers_is_named_with_the_reason(tmp_path, hand_file):
    """Pictures of nothing: there are no markers in them."""
    for name in ('rclpy', 'mcap', 'rosbags', 'matplotlib'):
        pytest.importorskip(name)
    rng = np.random.default_rng(1)
    (tmp_path / 'grey').mkdir()
    for i in range(20):
        cv2.imwrite(str(tmp_path / 'grey' / f'{i:02d}.png'),
                    rng.normal(120, 1, (240, 320, 3)).astype(np.uint8))
    hand_file.write_text(re.sub('device:.*', 'device: {kind: recording, path: grey, repeat: true}',
                                HAND))
    program = ('import sys; from tactile_nodes.cli import demo, main; demo._START_WITHIN = 15; '
               'sys.exit(main.main(sys.argv[1:]))')
    ended = subprocess.run(
        [sys.executable, '-c', program, *command('--hand', hand_file, '--out',
                                                 tmp_path / 'out')[3:]],
        env=environment(), capture_output=True, text=True, timeout=60, check=False)
    assert ended.returncode == 1, ended.stderr
    assert '/crate/thumb delivered no wrench' in ended.stderr
    assert 'capture the reference again' in ended.stderr
    assert not (tmp_path / 'out' / 'index.html').exists()
