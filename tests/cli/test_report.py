# SPDX-License-Identifier: Apache-2.0
"""Pages on trials: whole, self-contained, and saying what was left out."""

import re

import pytest

pytest.importorskip('mcap')
pytest.importorskip('rosbags')
pytest.importorskip('matplotlib')

from tactile_nodes.cli.main import main
from tests.cli.test_demo import Page
from tests.trials.made import make_trial

OUTCOMES = (('firm', 'success'), ('firm', 'dropped'), ('gentle', 'dropped'), ('gentle', None),
            ('untried', None))


@pytest.fixture(scope='module')
def trials(tmp_path_factory):
    output = tmp_path_factory.mktemp('trials')
    for number, (condition, outcome) in enumerate(OUTCOMES):
        make_trial(output, f'trial_{number}', condition=condition, outcome=outcome, number=number,
                   slides=outcome == 'dropped', drop_at=1.9 if number == 2 else None)
    make_trial(output, 'other', hand='packer', number=8)
    (output / 'broken').mkdir()
    (output / 'broken' / 'trial.yaml').write_text('hand: [')
    make_trial(output, 'bare', fingers=(), number=9)
    return output


@pytest.fixture(scope='module')
def report(trials, tmp_path_factory):
    out = tmp_path_factory.mktemp('report')
    assert main(['report', str(trials), '--out', str(out), '--workers', '1']) == 0
    return out


def cells(text, row):
    """Texts of the cells of a table's row that begins with this one."""
    found = re.search(rf'<tr><td>{row}</td>(.*?)</tr>', text).group(1)
    return re.findall(r'<td>(.*?)</td>', found)


def test_pages_need_nothing_else(report):
    pages = sorted(path.name for path in report.glob('*.html'))
    assert pages == ['index.html', 'other.html', *(f'trial_{n}.html' for n in range(5))]
    for path in report.glob('*.html'):
        page = Page(path.read_text(encoding='utf-8'))
        for tag, attributes in page.found:
            assert tag not in ('script', 'link', 'iframe')
            assert attributes.get('src', 'data:').startswith('data:')
            if path.name == 'index.html' and tag == 'a':
                assert (report / attributes['href']).exists()


def test_set_page_compares_the_conditions(report):
    text = (report / 'index.html').read_text(encoding='utf-8')
    assert cells(text, 'firm')[:3] == ['2', '1/1/0/0', '50 (9 to 91)']     # Wilson: 1 of 2
    assert cells(text, 'gentle')[:2] == ['2', '0/1/0/1']
    assert cells(text, 'untried')[2] == '&ndash;'
    assert 'Log-rank test' in text and '1 degree of freedom' in text
    assert 'Not labelled: 2 of ' in text
    assert '2 right, 0 proposed where nothing was dropped, 0 missed, 1 rightly none' in text


def test_what_was_left_out_is_said(report):
    text = (report / 'index.html').read_text(encoding='utf-8')
    left_out = text[text.index('Left out'):]
    assert 'is of the hand packer' in left_out
    assert 'not valid YAML' in left_out and 'no wrench in the bag' in left_out


def test_trial_page_says_what_happened(report):
    text = (report / 'trial_2.html').read_text(encoding='utf-8')
    assert 'plum, gentle: dropped' in text
    assert 'at 1.90 s' in text and 'slid first, from 1.70 s' in text
    assert 'at least two fingers in contact' in text
    text = (report / 'trial_3.html').read_text(encoding='utf-8')
    assert 'not labelled yet' in text and 'tactile trial label' in text


def test_only_what_changed_is_written_again(trials, report, capsys):
    before = {path.name: path.stat().st_mtime_ns for path in report.glob('trial_*.html')}
    text = (report / 'index.html').read_text(encoding='utf-8')
    assert main(['trial', 'label', str(trials / 'trial_3'), '--outcome', 'success']) == 0
    assert main(['report', str(trials), '--out', str(report), '--workers', '2']) == 0
    capsys.readouterr()
    changed = {path.name for path in report.glob('trial_*.html')
               if path.stat().st_mtime_ns != before[path.name]}
    assert changed == {'trial_3.html'}
    again = (report / 'index.html').read_text(encoding='utf-8')
    assert again != text and 'Not labelled: 1 of ' in again


def test_nothing_to_report_is_said(tmp_path, capsys):
    assert main(['report', str(tmp_path)]) == 2
    assert 'no trial in this folder' in capsys.readouterr().err
    (tmp_path / 'a').mkdir()
    (tmp_path / 'a' / 'trial.yaml').write_text('x')
    assert main(['report', str(tmp_path), '--out', str(tmp_path / 'out')]) == 2
    assert 'no trial could be read' in capsys.readouterr().err
