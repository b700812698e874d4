# SPDX-License-Identifier: Apache-2.0
"""Where this package's own files and other packages' executables are."""

import os
from pathlib import Path

from tactile_nodes.errors import FileError

PACKAGE = 'tactile_nodes'


def shipped(path):
    """Path of a file that comes with this package, such as 'config/four_finger_hand.yaml'.

    The files lie beside the running code: in the source tree, or in `share/tactile_nodes` of the
    prefix that pip or colcon installed it into.

    Raises
    ------
    FileError
        There is no such file.
    """
    above = Path(__file__).resolve().parents
    source, *prefixes = [above[2], *(folder / 'share' / PACKAGE for folder in above[3:])]
    for share in (source, *prefixes):
        if (share / 'package.xml').is_file():
            if (share / path).exists():
                return share / path
            break
    raise FileError('a file of this package is missing', where=str(path),
                    fix='Install the package again.')


def find_executable(package, name):
    """Path of another ROS package's executable, or None where it is not installed.

    It is looked for in `lib/<package>` of every prefix in AMENT_PREFIX_PATH, as `ros2 run` does.
    """
    for prefix in os.environ.get('AMENT_PREFIX_PATH', '').split(os.pathsep):
        path = Path(prefix) / 'lib' / package / name
        if prefix and os.access(path, os.X_OK):
            return path
    return None
