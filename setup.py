# SPDX-License-Identifier: Apache-2.0
"""Package metadata for pip and colcon; all of it, because colcon reads it from here."""

import re
from pathlib import Path

from setuptools import find_packages, setup

NAME = 'tactile_nodes'
SHARE = f'share/{NAME}'
VERSION = re.search(r"^__version__ = '(.+)'$", Path(NAME, '__init__.py').read_text(), re.M)[1]
NODES = ('fingertip', 'device_node', 'contact_node', 'flow_node', 'force_node', 'view_node',
         'hand_node', 'recorder_node')


def shared_files():
    """(folder below the prefix, files) for everything that lies beside the code."""
    folders = {}
    for path in sorted([*Path('launch').rglob('*.py'), *Path('config').rglob('*.*')]):
        folders.setdefault(f'{SHARE}/{path.parent.as_posix()}', []).append(path.as_posix())
    return [('share/ament_index/resource_index/packages', [f'{NAME}/resource/{NAME}']),
            (SHARE, ['package.xml']), *folders.items()]


def ros_wheels(rclpy, rmw, messages):
    """ROS from wheels, for machines without a ROS installation."""
    names = ('sensor', 'geometry', 'std', 'diagnostic', 'visualization')
    return [f'ros-rclpy=={rclpy}', f'ros-rmw-fastrtps-cpp=={rmw}', f'ros-std-srvs=={messages}',
            *(f'ros-{name}-msgs=={messages}' for name in names)]


setup(
    name=NAME,
    version=VERSION,
    description='Camera-based tactile fingertips for ROS 2',
    long_description='Contact, depth, marker motion, wrench and slip from the cameras inside soft '
                     'fingertips, as standard ROS 2 messages.',
    maintainer='tactile_nodes maintainers',
    maintainer_email='maintainers@tactile-nodes.invalid',
    license='Apache-2.0',
    packages=find_packages(include=[NAME, f'{NAME}.*']),
    python_requires='>=3.10',
    # Empty on purpose: a robot has these from apt, which pip does not see. package.xml names them.
    install_requires=[],
    extras_require={
        'wheels': ['numpy', 'scipy', 'opencv-python-headless', 'PyYAML', 'matplotlib', 'rich',
                   'pyusb', 'h5py'],
        'bags': ['mcap>=1.5', 'rosbags', 'zstandard'],
        'cluster': ['distributed'],
        'ros-kilted': ros_wheels('9.1.2', '9.3.3', '5.5.1'),
        'ros-jazzy': ros_wheels('7.1.6', '8.4.3', '5.3.6'),
        # other methods, to measure beside ours
        'bench': ['scikit-image', 'trackpy'],
        # colcon runs pytest because it is named here.
        'test': ['pytest', 'pytest-timeout', 'psutil', 'ruff>=0.17,<0.18', 'scikit-fem', 'tamaas',
                 'OpenPIV', 'GTC', 'lifelines', 'distributed', 'hypothesis'],
    },
    data_files=shared_files(),
    entry_points={'console_scripts': ['tactile = tactile_nodes.cli.main:main',
                                      *(f'{node} = tactile_nodes.nodes.{node}:main'
                                        for node in NODES)]},
    # Where `ros2 run` and launch look; pip ignores it and puts the scripts into bin.
    options={'develop': {'script_dir': f'$base/lib/{NAME}'},
             'install': {'install_scripts': f'$base/lib/{NAME}'}},
)
