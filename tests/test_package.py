# SPDX-License-Identifier: Apache-2.0
"""The package as pip, colcon and rosdep see it."""

import ast
import re
import sys
from importlib.util import find_spec
from pathlib import Path
from xml.etree import ElementTree

import pytest
import setuptools

import tactile_nodes

ROOT = Path(__file__).parent.parent

# Keys of ros/rosdistro rosdep/python.yaml, as of August 2026; everything else that package.xml
# names is a package of the ROS distributions Jazzy and Kilted themselves.
ROSDEP_KEYS = {
    'python3-numpy', 'python3-scipy', 'python3-opencv', 'python3-yaml', 'python3-matplotlib',
    'python3-psutil', 'python3-rich', 'python3-usb', 'python3-pytest', 'python3-pytest-timeout',
    'python3-h5py'}
ROS_PACKAGES = {
    'rclpy', 'rcl_interfaces', 'builtin_interfaces', 'sensor_msgs', 'geometry_msgs', 'std_msgs',
    'std_srvs', 'lifecycle_msgs', 'diagnostic_msgs', 'visualization_msgs', 'cv_bridge',
    'launch', 'launch_ros', 'tf2_ros', 'rviz2'}
# Module -> key, where they differ.
KEY = {'cv2': 'python3-opencv', 'yaml': 'python3-yaml'}
# No rosdep key that a released package may use: imported where needed, with a clear message.
OPTIONAL = {'mcap', 'rosbags', 'zstandard'}
# Of a few commands only, each an extra of its own.
EXTRA = {'distributed': 'cluster', 'skimage': 'bench', 'trackpy': 'bench'}


@pytest.fixture(scope='module')
def manifest():
    return ElementTree.parse(ROOT / 'package.xml').getroot()


@pytest.fixture(scope='module')
def setup_arguments():
    """Return the arguments of `setup()` in setup.py."""
    caught = {}
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(setuptools, 'setup', lambda **arguments: caught.update(arguments))
        patch.chdir(ROOT)
        exec(compile((ROOT / 'setup.py').read_text(), 'setup.py', 'exec'), {})
    return caught


def dependencies(manifest, kind='exec_depend'):
    return {element.text for element in manifest.iter(kind)}


def test_manifest_has_what_rep_149_asks_for(manifest):
    assert manifest.tag == 'package' and manifest.get('format') == '3'
    for tag in ('name', 'version', 'description', 'maintainer', 'license'):
        assert manifest.findtext(tag).strip(), tag
    assert re.fullmatch(r'\d+\.\d+\.\d+', manifest.findtext('version'))
    assert manifest.find('maintainer').get('email')
    assert (ROOT / manifest.find('license').get('file')).is_file()
    assert manifest.findtext('export/build_type') == 'ament_python'
    known = {'name', 'version', 'description', 'maintainer', 'license', 'exec_depend',
             'test_depend', 'export'}
    assert {child.tag for child in manifest} <= known


def test_manifest_and_setup_say_the_same(manifest, setup_arguments):
    assert setup_arguments['name'] == manifest.findtext('name') == tactile_nodes.__name__
    assert setup_arguments['version'] == manifest.findtext('version') == tactile_nodes.__version__
    assert setup_arguments['license'] == manifest.findtext('license')
    assert setup_arguments['maintainer_email'] == manifest.find('maintainer').get('email')


def test_every_dependency_is_a_real_key(manifest):
    named = dependencies(manifest) | dependencies(manifest, 'test_depend')
    assert named <= ROSDEP_KEYS | ROS_PACKAGES
    assert not dependencies(manifest) & {'python3-pyusb', 'opencv-python'}


def imported_modules():
    for path in [*(ROOT / 'tactile_nodes').rglob('*.py'), *(ROOT / 'launch').glob('*.py')]:
        for node in ast.walk(ast.parse(path.read_text(encoding='utf-8'))):
            if isinstance(node, ast.Import):
                yield from (alias.name.split('.')[0] for alias in node.names)
            elif isinstance(node, ast.ImportFrom):
                yield node.module.split('.')[0]


def test_what_the_code_imports_is_what_the_manifest_names(manifest):
    modules = set(imported_modules()) - set(sys.stdlib_module_names) \
        - {'tactile_nodes', *OPTIONAL, *EXTRA}
    keys = {KEY.get(name, name if name in ROS_PACKAGES else f'python3-{name}') for name in modules}
    programs = {'tf2_ros', 'rviz2'}            # started, not imported: see hand/plan.py
    assert keys | programs == dependencies(manifest)


def test_wheels_for_plain_machines_cover_the_manifest(manifest, setup_arguments):
    extras = setup_arguments['extras_require']
    wheel = {'python3-opencv': 'opencv-python-headless', 'python3-yaml': 'PyYAML',
             'python3-usb': 'pyusb'}
    python = {key for key in dependencies(manifest) if key.startswith('python3-')}
    assert {wheel.get(key, key.removeprefix('python3-')) for key in python} == \
        set(extras['wheels'])
    assert {name.split('>')[0] for name in extras['bags']} == OPTIONAL
    assert set(EXTRA.values()) <= set(extras)
    assert setup_arguments['install_requires'] == [], 'a robot has them from apt'
    assert 'pytest' in extras['test'], 'colcon test runs pytest because of this'


@pytest.mark.parametrize('extra', ['ros-kilted', 'ros-jazzy'])
def test_ros_wheels_are_pinned_and_hold_every_message_package(manifest, setup_arguments, extra):
    pinned = dict(line.split('==') for line in setup_arguments['extras_require'][extra])
    brought_along = {'rcl_interfaces', 'builtin_interfaces', 'lifecycle_msgs'}  # by rclpy itself
    not_on_a_registry = {'cv_bridge', 'launch', 'launch_ros', 'tf2_ros', 'rviz2'}
    ros = {key for key in dependencies(manifest) if not key.startswith('python3-')}
    assert {f'ros-{name.replace("_", "-")}' for name in ros - brought_along - not_on_a_registry} \
        == set(pinned) - {'ros-rmw-fastrtps-cpp'}


def test_everything_beside_the_code_is_installed(setup_arguments):
    installed = {(folder, file) for folder, files in setup_arguments['data_files']
                 for file in files}
    assert ('share/ament_index/resource_index/packages',
            'tactile_nodes/resource/tactile_nodes') in installed
    assert ('share/tactile_nodes', 'package.xml') in installed
    assert ('share/tactile_nodes/launch', 'launch/hand.launch.py') in installed
    for path in (ROOT / 'config').rglob('*'):
        if path.is_file():
            name = path.relative_to(ROOT)
            assert (f'share/tactile_nodes/{name.parent}', str(name)) in installed
    for _, file in installed:
        assert not Path(file).is_absolute() and (ROOT / file).is_file()


def test_every_package_folder_is_installed(setup_arguments):
    folders = {path.parent.relative_to(ROOT) for path in
               (ROOT / 'tactile_nodes').rglob('*.py')}
    assert {str(folder).replace('/', '.') for folder in folders} == \
        set(setup_arguments['packages'])


def test_scripts_land_where_ros2_run_looks(setup_arguments):
    place = '$base/lib/tactile_nodes'
    assert setup_arguments['options'] == {'develop': {'script_dir': place},
                                          'install': {'install_scripts': place}}


def test_every_executable_has_a_main(setup_arguments):
    lines = setup_arguments['entry_points']['console_scripts']
    scripts = dict(re.fullmatch(r'(\w+) = ([\w.]+):main', line).groups() for line in lines)
    assert set(scripts) == {'tactile', 'fingertip', 'device_node', 'contact_node', 'flow_node',
                            'force_node', 'view_node', 'hand_node', 'recorder_node'}
    for module in scripts.values():
        tree = ast.parse(Path(find_spec(module).origin).read_text(encoding='utf-8'))
        assert 'main' in {node.name for node in tree.body if isinstance(node, ast.FunctionDef)}
        # `tactile up` runs the nodes with `python -m`.
        assert any(isinstance(node, ast.If) and '__name__' in ast.unparse(node.test)
                   for node in tree.body), module
