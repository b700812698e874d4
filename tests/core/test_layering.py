# SPDX-License-Identifier: Apache-2.0
"""An inner layer knows nothing of an outer one: every module's imports are parsed and checked."""

import ast
import sys
from pathlib import Path

import pytest

PACKAGE = 'tactile_nodes'
ROOT = Path(__file__).parents[2] / PACKAGE

# what each layer may import of the package, itself included; from the inside out
ERRORS, CORE = {'errors'}, {'errors', 'core'}
FILES = CORE | {'files', 'interface'}
DEVICE = FILES | {'virtual', 'calibration', 'device'}
TRIALS = DEVICE | {'trials'}
HAND = TRIALS | {'hand'}
NODES = HAND | {'nodes'}
INNER = {'errors': ERRORS, 'interface': {'interface'}, 'core': CORE, 'files': FILES,
         'virtual': FILES | {'virtual'}, 'calibration': FILES | {'calibration'},
         'device': DEVICE, 'trials': TRIALS, 'hand': HAND, 'nodes': NODES, 'cli': NODES | {'cli'}}
# and of other packages, where that is limited to a list
STANDARD = set(sys.stdlib_module_names)
NUMERIC = {'numpy', 'scipy', 'cv2'}
LIMITED = {'errors': set(), 'interface': set(), 'core': NUMERIC, 'files': NUMERIC | {'yaml'}}
# the light and the pose of a device are the words in which its contract is written
WORDS = {'tactile_nodes.device.contract'}


def is_ros(package):
    return package in {'rclpy', 'launch', 'launch_ros', 'ament_index_python', 'cv_bridge',
                       'tf2_ros', 'builtin_interfaces', 'rosidl_runtime_py'} \
        or package.endswith(('_msgs', '_srvs', '_interfaces'))


def imports(source):
    """(dotted name, line, whether inside a function) of every import; "." for a relative one."""
    tree = ast.parse(source)
    inside = {id(child) for node in ast.walk(tree)
              if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef))
              for child in ast.walk(node)}
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            if node.level:
                yield '.', node.lineno, False
                continue
            # `from package import layer` names the layer only in the alias
            names = [f'{node.module}.{alias.name}' for alias in node.names]
        else:
            continue
        yield from ((name, node.lineno, id(node) in inside) for name in names)


def violations(path, source):
    """What a module at `path` (within the package) may not import, as lines of text."""
    parts = Path(path).with_suffix('').parts
    layer = parts[0]
    if layer == '__init__':
        layer = 'errors'
    found = []
    for name, line, inside in imports(source):
        top, *rest = name.split('.')
        if top == '':
            found.append(f'{path}:{line} imports relatively')
        elif top == PACKAGE:
            below = rest[0] if rest else ''
            if below == '__version__':          # a constant of the package itself
                continue
            word = layer == 'virtual' and name.rsplit('.', 1)[0] in WORDS
            if below not in INNER[layer] and not word:
                found.append(f'{path}:{line} layer {layer} imports {name}')
        elif is_ros(top):
            if layer != 'nodes' and not (parts == ('cli', 'demo') and inside):
                found.append(f'{path}:{line} imports ROS: {name}')
        elif layer in LIMITED and top not in STANDARD | LIMITED[layer]:
            found.append(f'{path}:{line} layer {layer} imports {name}')
    return found


MODULES = sorted(path.relative_to(ROOT).as_posix() for path in ROOT.rglob('*.py'))


@pytest.mark.parametrize('path', MODULES)
def test_inner_layers_import_no_outer_ones(path):
    assert violations(path, (ROOT / path).read_text()) == []


def test_every_module_belongs_to_a_layer():
    assert {Path(path).parts[0].removesuffix('.py') for path in MODULES} <= {*INNER, '__init__'}
    assert len(MODULES) > 20


@pytest.mark.parametrize(('path', 'source', 'accused'), [
    ('core/force.py', 'from tactile_nodes.files.hand import read_hand', 'files'),
    ('core/force.py', 'from tactile_nodes import nodes', 'nodes'),
    ('core/force.py', 'import tactile_nodes.virtual.optics as o', 'virtual'),
    ('core/force.py', 'def f():\n    import yaml', 'yaml'),
    ('core/force.py', 'import rclpy', 'ROS'),
    ('core/force.py', 'from sensor_msgs.msg import Image', 'ROS'),
    ('core/force.py', 'from . import types', 'relatively'),
    ('files/hand.py', 'from tactile_nodes.device.virtual import VirtualDevice', 'device'),
    ('files/hand.py', 'import psutil', 'psutil'),
    ('virtual/optics.py', 'from tactile_nodes.device.virtual import VirtualDevice', 'device'),
    ('virtual/optics.py', 'from tactile_nodes.calibration.shading import fit_shading',
     'calibration'),
    ('device/virtual.py', 'from std_msgs.msg import Bool', 'ROS'),
    ('trials/bag.py', 'try:\n    import rclpy.node\nexcept ImportError:\n    pass', 'ROS'),
    ('hand/plan.py', 'from launch_ros.actions import Node', 'ROS'),
    ('hand/plan.py', 'from tactile_nodes.cli.main import main', 'cli'),
    ('nodes/messages.py', 'from tactile_nodes.cli import demo', 'cli'),
    ('cli/up.py', 'def f():\n    import rclpy', 'ROS'),
    ('cli/demo.py', 'import rclpy', 'ROS'),
    ('errors.py', 'import numpy', 'numpy'),
])
def test_a_planted_violation_is_caught(path, source, accused):
    found = violations(path, source)
    assert len(found) == 1
    assert accused in found[0]
    assert path in found[0]


@pytest.mark.parametrize(('path', 'source'), [
    ('core/force.py', 'import cv2\nimport scipy.linalg\nfrom tactile_nodes.errors import X'),
    ('files/hand.py', 'import yaml\nfrom tactile_nodes import interface'),
    ('nodes/messages.py', 'from sensor_msgs.msg import Image\nimport rclpy'),
    ('cli/demo.py', 'def run():\n    import rclpy\n    from std_msgs.msg import Bool'),
    ('virtual/optics.py', 'from tactile_nodes.device.contract import Light'),
    ('device/virtual.py', 'from tactile_nodes.virtual.optics import SkinCamera'),
])
def test_what_is_right_is_not_accused(path, source):
    assert violations(path, source) == []
