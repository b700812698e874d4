# SPDX-License-Identifier: Apache-2.0
"""Nothing that is read from a file or a topic is executed: every call of the package is looked at.

What executes: the list of Python's own documentation of dangerous modules (pickle, marshal,
shelve), eval, exec and compile, shells; YAML and NumPy as far as they load objects.
"""

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
FILES = sorted([*(ROOT / 'tactile_nodes').rglob('*.py'), *(ROOT / 'launch').rglob('*.py')])
MODULES = {'pickle', 'cPickle', 'dill', 'cloudpickle', 'joblib', 'marshal', 'shelve', 'code',
           'runpy', 'torch', 'pandas'}
CALLS = {'eval', 'exec', 'compile', '__import__', 'os.system', 'os.popen', 'yaml.unsafe_load',
         'yaml.full_load', 'yaml.load_all', 'yaml.unsafe_load_all', 'yaml.full_load_all',
         'subprocess.getoutput', 'subprocess.getstatusoutput', 'runpy.run_path',
         'runpy.run_module', 'spec_from_file_location'}
SAFE_LOADERS = {'_UniqueKeyLoader', 'SafeLoader', 'CSafeLoader'}


def findings(source):
    """(line, what) of everything that could execute what is read."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, (ast.Import, ast.ImportFrom)):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else [node.module]
            yield from ((node.lineno, f'import {name}') for name in names
                        if name and name.partition('.')[0] in MODULES)
        if not isinstance(node, ast.Call):
            continue
        name, keywords = ast.unparse(node.func), {k.arg: k.value for k in node.keywords}
        if name in CALLS or name.rpartition('.')[2] in {'eval', 'exec', 'spec_from_file_location'}:
            yield node.lineno, name
        if name == 'yaml.load' and not _is_safe(keywords.get('Loader')):
            yield node.lineno, 'yaml.load without a safe loader'
        for flag in ('shell', 'allow_pickle'):
            if flag in keywords and ast.unparse(keywords[flag]) != 'False':
                yield node.lineno, f'{name} with {flag}'
        if name.rpartition('.')[2] == 'import_module' and not _is_ours(node.args[0]):
            yield node.lineno, f'import of {ast.unparse(node.args[0])}'


def _is_safe(loader):
    return loader is not None and ast.unparse(loader).rpartition('.')[2] in SAFE_LOADERS


def _is_ours(name):
    """Whether a module's name is written in the code, at least its first part."""
    if isinstance(name, ast.JoinedStr):
        name = name.values[0]
    return isinstance(name, ast.Constant) and isinstance(name.value, str)


# a message's package; a library by a name in the code that calls
KNOWN = {('nodes/messages.py', "import of f'{parts[1]}.msg'"),
         ('device/bags.py', 'import of name')}


def test_nothing_that_is_read_is_executed():
    found = {(path.relative_to(ROOT).as_posix().removeprefix('tactile_nodes/'), what)
             for path in FILES for _, what in findings(path.read_text(encoding='utf-8'))}
    assert found == KNOWN


@pytest.mark.parametrize('source', [
    'import pickle', 'from dill import loads', 'eval(text)', 'builtins.exec(text)',
    'os.system(text)', 'yaml.load(text)', 'yaml.load(text, Loader=yaml.Loader)',
    'yaml.unsafe_load(text)', 'np.load(file, allow_pickle=True)',
    'subprocess.run(text, shell=True)', 'importlib.import_module(text)',
    "import_module(f'{text}.a')"])
def test_each_of_them_would_be_seen(source):
    assert list(findings(source))


@pytest.mark.parametrize('source', [
    'yaml.safe_load(text)', 'yaml.load(text, Loader=yaml.SafeLoader)', 'np.load(file)',
    'subprocess.run([a, b])', "import_module(f'tactile_nodes.cli.{name}')"])
def test_what_is_safe_is_left_alone(source):
    assert not list(findings(source))


def test_the_readme_gives_a_reason_for_every_dependency():
    call, = (node for node in ast.walk(ast.parse((ROOT / 'setup.py').read_text('utf-8')))
             if isinstance(node, ast.keyword) and node.arg == 'extras_require')
    names = {re.match('[A-Za-z0-9-]+', name.value)[0] for extra in call.value.values
             if isinstance(extra, ast.List) for name in extra.elts}
    readme = (ROOT / 'README.md').read_text('utf-8')
    assert len(names) > 10 and not [name for name in names if f'`{name}`' not in readme]


def test_the_type_of_a_message_imports_only_messages():
    pytest.importorskip('rclpy')
    from tactile_nodes.errors import DataError
    from tactile_nodes.nodes import messages
    for name in ('os/path/join', 'a/b', 'subprocess/msg/Popen', '../msg/X', 'std_msgs/msg/Nothing',
                 'sensor_msgs.msg/Image/x', ''):
        with pytest.raises(DataError):
            messages.message_type(name)
