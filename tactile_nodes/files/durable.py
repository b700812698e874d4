# SPDX-License-Identifier: Apache-2.0
"""Small files that survive a crash and a power cut, whole: the old one or the new one."""

import os
from pathlib import Path

from tactile_nodes.errors import FileError


def write_durably(path, text):
    """Replace a text file in one step and wait until that is on the disk; FileError if not."""
    path, part = Path(path), Path(path).with_suffix('.part')
    try:
        with part.open('w', encoding='utf-8') as stream:
            stream.write(text)
            stream.flush()
            os.fsync(stream.fileno())
        part.replace(path)
        sync_folder(path.parent)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise FileError(f'cannot be written ({error.strerror})', where=str(path)) from None


def sync_folder(folder):
    """Wait until the names in a folder are on the disk."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
