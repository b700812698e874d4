# SPDX-License-Identifier: Apache-2.0
import re
import subprocess
import sys

import pytest

from tests import readme_tables

ROOT = readme_tables.README.parent
TEXT = readme_tables.README.read_text(encoding='utf-8')
DEVELOPERS = (ROOT / 'DEVELOPERS.md').read_text(encoding='utf-8')


def test_tables_are_the_codes_own():
    assert readme_tables.fill(TEXT) == TEXT, 'run: python -m tests.readme_tables'


def test_opens_with_the_job_in_one_paragraph():
    title, job, rest = TEXT.split('\n\n', 2)
    assert title.startswith('# ') and len(job.split()) > 40 and rest.startswith(('`', '#', '!'))


@pytest.mark.parametrize('text', [TEXT, DEVELOPERS], ids=['README', 'DEVELOPERS'])
def test_files_named_exist(text):
    named = re.findall(r'`((?:tactile_nodes|launch|config|tests|docs)/[\w./-]+)`', text)
    named += re.findall(r'\]\(((?!http)[^)#]+)\)', text)
    assert named
    missing = [name for name in named if not (ROOT / name).exists()]
    assert not missing


def test_commands_named_exist():
    """Every `make TARGET` is in the Makefile, every `tactile SUBCOMMAND` is known."""
    makefile = (ROOT / 'Makefile').read_text(encoding='utf-8')
    for target in re.findall(r'^make ([a-z-]+)', TEXT + DEVELOPERS, re.MULTILINE):
        assert re.search(rf'^{target}:', makefile, re.MULTILINE), target
    help_text = subprocess.run([sys.executable, '-m', 'tactile_nodes.cli.main', '--help'],
                               capture_output=True, text=True, check=True).stdout
    for command in re.findall(r'(?:^|bin/)tactile ([a-z]+)', TEXT + DEVELOPERS, re.MULTILINE):
        assert re.search(rf'\b{command}\b', help_text), command
