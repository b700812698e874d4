# SPDX-License-Identifier: Apache-2.0
"""`tactile trial` without a hand: list, label, repair."""

import pytest

pytest.importorskip('mcap')
pytest.importorskip('rosbags')

from tactile_nodes.cli.main import main
from tactile_nodes.files.trial import read_trial
from tests.trials.made import make_trial


def test_list_says_how_each_trial_ended(tmp_path, capsys):
    make_trial(tmp_path, 'a', outcome='dropped', drop_at=1.25)
    make_trial(tmp_path, 'b', condition='gentle', outcome=None)
    (tmp_path / 'c').mkdir()
    (tmp_path / 'c' / 'trial.yaml').write_text('state: odd')
    assert main(['trial', 'list', str(tmp_path)]) == 0
    said = capsys.readouterr()
    rows = [line.split() for line in said.out.splitlines()]
    assert rows[1][:6] == ['a', 'plum', 'firm', 'dropped', '1.25', 's']
    assert rows[2][:4] == ['b', 'plum', 'gentle', 'unlabelled'] and rows[2][-1] == 'finished'
    assert 'left out' in said.err and 'trial.yaml' in said.err


def test_label_and_what_is_no_label(tmp_path, capsys):
    trial = make_trial(tmp_path, 'a', outcome=None)
    assert main(['trial', 'label', str(trial.folder), '--outcome', 'success', '--at', '1']) == 2
    assert 'a time of drop without a drop' in capsys.readouterr().err
    assert read_trial(trial.folder).outcome is None
    assert main(['trial', 'label', str(trial.folder), '--outcome', 'dropped', '--at', '1']) == 0
    assert (read_trial(trial.folder).outcome, read_trial(trial.folder).drop_at) == ('dropped', 1.0)


def test_repair_by_hand_finds_the_unfinished_ones(tmp_path, capsys):
    whole, torn = make_trial(tmp_path, 'whole'), make_trial(tmp_path, 'torn')
    text = (torn.folder / 'trial.yaml').read_text()
    (torn.folder / 'trial.yaml').write_text(text.replace('finished', 'recording')
                                            .replace('duration_s: 3.0\n', ''))
    file, = torn.folder.glob('*.mcap')
    file.write_bytes(file.read_bytes()[:-100])
    (torn.folder / 'metadata.yaml').unlink()
    assert main(['trial', 'list', str(tmp_path)]) == 0
    assert 'unfinished' in capsys.readouterr().out
    assert main(['trial', 'repair', str(tmp_path)]) == 0
    said = capsys.readouterr().out
    assert 'whole: nothing to repair' in said and 'messages are whole' in said
    repaired = read_trial(torn.folder)
    assert repaired.state == 'repaired' and repaired.duration == pytest.approx(3.0, abs=0.05)
    assert read_trial(whole.folder).state == 'finished'
    assert main(['trial', 'repair', str(tmp_path)]) == 0
    assert 'messages are whole' not in capsys.readouterr().out


def test_a_folder_without_trials_is_named(tmp_path, capsys):
    assert main(['trial', 'list', str(tmp_path)]) == 2
    assert 'no trial in this folder' in capsys.readouterr().err
