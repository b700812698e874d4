# SPDX-License-Identifier: Apache-2.0
"""Style is a test: the linter's findings, licence lines and what must not be in the tree."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent


def tracked(*suffixes):
    listed = subprocess.run(['git', 'ls-files', '-co', '--exclude-standard'], cwd=ROOT,
                            capture_output=True, text=True, check=True).stdout.split('\n')
    return [ROOT / name for name in listed if name.endswith(suffixes) and (ROOT / name).exists()]


@pytest.fixture(autouse=True, scope='module')
def _in_a_checkout():
    if not (ROOT / '.git').exists():
        pytest.skip('not a git checkout: nothing says which files are ours')


def test_linter_has_nothing_to_say():
    found = subprocess.run([sys.executable, '-m', 'ruff', 'check', '--no-cache', str(ROOT)],
                           capture_output=True, text=True, check=False)
    assert found.returncode == 0, found.stdout + found.stderr


def test_every_source_file_names_its_licence():
    sources = tracked('.py')
    assert len(sources) > 50
    for path in sources:
        lines = path.read_text(encoding='utf-8').splitlines()[:2]
        assert '# SPDX-License-Identifier: Apache-2.0' in lines, path


def test_no_path_of_a_developers_machine():
    pattern = re.compile(r'(?<![\w.])/(?:home/\w|root/|work/|tmp/\w)')
    for path in tracked('.py', '.md', '.yaml', '.rviz', '.xml', '.toml', 'Makefile', 'run'):
        found = pattern.findall(path.read_text(encoding='utf-8'))
        assert not found, f'{path}: {found}'


def test_functions_fit_on_two_screens():
    """At most 70 lines a function in the package (the linter counts statements, not lines)."""
    import ast
    for path in tracked('.py'):
        if 'tests' in path.relative_to(ROOT).parts:
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding='utf-8'))):
            if isinstance(node, ast.FunctionDef):
                assert node.end_lineno - node.lineno < 70, f'{path}: {node.name} is too long'
