# SPDX-License-Identifier: Apache-2.0
import subprocess
import sys

import pytest

from tactile_nodes import __version__
from tactile_nodes.cli import main as cli
from tactile_nodes.errors import TactileError


@pytest.fixture
def up_does(monkeypatch):
    def replace(function):
        monkeypatch.setattr('tactile_nodes.cli.up.run', function)
        return cli.main(['up', 'hand.yaml'])
    return replace


def test_the_result_of_a_subcommand_is_the_exit_code(up_does):
    assert up_does(lambda args: 0) == 0


def test_an_error_for_the_user_is_one_message_and_exit_code_2(up_does, capsys):
    def fail(args):
        raise TactileError('no such thing', where=str(args.hand), found=1, expected='2')
    assert up_does(fail) == 2
    captured = capsys.readouterr()
    assert captured.out == ''
    assert captured.err == 'tactile: hand.yaml: no such thing, found 1, expected 2.\n'


def test_ctrl_c_is_exit_code_130(up_does):
    def interrupt(args):
        raise KeyboardInterrupt
    assert up_does(interrupt) == 130


def test_a_bug_is_not_hidden(up_does):
    def bug(args):
        raise ZeroDivisionError
    with pytest.raises(ZeroDivisionError):
        up_does(bug)


@pytest.mark.parametrize(('arguments', 'code', 'words'), [
    (['--version'], 0, [f'tactile {__version__}']),
    (['--help'], 0, cli.COMMANDS),
    *(([name, '--help'], 0, [f'tactile {name}']) for name in cli.COMMANDS),
    ([], 2, ['COMMAND']),
    (['juggle'], 2, ['juggle', *cli.COMMANDS]),
    (['up'], 2, ['HAND.yaml']),
])
def test_usage(capsys, arguments, code, words):
    with pytest.raises(SystemExit) as caught:
        cli.main(arguments)
    captured = capsys.readouterr()
    assert caught.value.code == code
    for word in words:
        assert word in captured.out + captured.err


def test_help_needs_no_heavy_library():
    program = ('import sys; sys.argv = ["tactile", "--help"]\n'
               'from tactile_nodes.cli.main import main\n'
               'try: main()\nexcept SystemExit: pass\n'
               'print({"numpy", "cv2", "scipy", "rclpy"} & set(sys.modules))')
    done = subprocess.run([sys.executable, '-c', program], capture_output=True, text=True,
                          check=True)
    assert done.stdout.splitlines()[-1] == 'set()'
