# SPDX-License-Identifier: Apache-2.0
import pytest

from tactile_nodes.errors import FileError
from tactile_nodes.hand import resources


@pytest.mark.parametrize('code', [
    'prefix/lib/python3.11/site-packages/tactile_nodes',        # pip, colcon
    'prefix/local/lib/python3.10/dist-packages/tactile_nodes',  # pip of Debian
])
def test_files_beside_the_installed_code(tmp_path, monkeypatch, code):
    share = tmp_path / 'prefix' / 'share' / 'tactile_nodes'
    (share / 'config').mkdir(parents=True)
    (share / 'package.xml').touch()
    (share / 'config' / 'some.yaml').touch()
    monkeypatch.setattr(resources, '__file__', str(tmp_path / code / 'hand' / 'resources.py'))
    assert resources.shipped('config/some.yaml') == share / 'config' / 'some.yaml'


def test_files_of_the_source_tree():
    assert resources.shipped('config/four_finger_hand.yaml').is_file()
    assert resources.shipped('launch/hand.launch.py').is_file()


def test_a_file_that_does_not_come_with_the_package():
    with pytest.raises(FileError, match=r'config/gone\.yaml: a file of this package is missing'):
        resources.shipped('config/gone.yaml')


def test_executables_of_other_packages(tmp_path, monkeypatch):
    program = tmp_path / 'second' / 'lib' / 'viewer' / 'view'
    program.parent.mkdir(parents=True)
    program.touch()
    monkeypatch.setenv('AMENT_PREFIX_PATH', f'{tmp_path / "first"}:{tmp_path / "second"}')
    assert resources.find_executable('viewer', 'view') is None, 'not executable'
    program.chmod(0o755)
    assert resources.find_executable('viewer', 'view') == program
    assert resources.find_executable('viewer', 'other') is None
    monkeypatch.delenv('AMENT_PREFIX_PATH')
    assert resources.find_executable('viewer', 'view') is None
