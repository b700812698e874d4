# SPDX-License-Identifier: Apache-2.0
"""The no-contact reference of a running finger, kept for the case that its process dies.

A finger that comes back in the middle of a grasp cannot take a new reference, and must not: what
touches it would become its zero. The file is fresh only while its finger runs, and gone when the
finger ends in order, so nothing old is ever taken up. Nothing in it is executed.
"""

import hashlib
import os
import tempfile
import time
import zipfile
from contextlib import suppress
from pathlib import Path

import numpy as np

from tactile_nodes.core.reference import Reference
from tactile_nodes.errors import DataError

FRESH = 30.0         # s since it was last in use


class KeptReference:
    """A file of this user on this machine; failing to write it is no error.

    Parameters
    ----------
    owner : str
        Everything that must be the same for the reference to be of use.
    """

    def __init__(self, owner):
        base = os.environ.get('XDG_RUNTIME_DIR') or tempfile.gettempdir()
        name = hashlib.sha256(owner.encode()).hexdigest()[:32]
        self._path = Path(base, f'tactile_nodes_{os.getuid()}', f'{name}.npz')

    def keep(self, reference):
        """Write a Reference that is in use from now on."""
        folder = self._path.parent
        try:
            folder.mkdir(mode=0o700, exist_ok=True)
            if not self._is_mine(folder):
                return
            with tempfile.NamedTemporaryFile(dir=folder, delete=False) as file:
                try:
                    np.savez(file, mean=reference.mean_q8, noise=reference.noise_q8,
                             frames=reference.frames)
                    os.replace(file.name, self._path)
                except BaseException:
                    os.unlink(file.name)
                    raise
        except OSError:
            return
        self.refresh()

    def refresh(self):
        """Note that it is still in use."""
        now = time.monotonic_ns()      # so that it does not matter when somebody sets the clock
        with suppress(OSError):
            os.utime(self._path, ns=(now, now))

    def find(self):
        """Return the Reference if one was in use a moment ago, else None."""
        try:
            age = time.monotonic_ns() - self._path.stat().st_mtime_ns
            if not 0 <= age < FRESH * 1e9 or not self._is_mine(self._path.parent):
                return None
            with np.load(self._path, allow_pickle=False) as arrays:
                return Reference(arrays['mean'], arrays['noise'], int(arrays['frames']))
        except (OSError, ValueError, TypeError, KeyError, EOFError, zipfile.BadZipFile, DataError):
            return None

    def forget(self):
        """Remove it: the next start is a new one."""
        with suppress(OSError):        # not there, or in a folder of somebody else
            self._path.unlink()

    @staticmethod
    def _is_mine(folder):
        """Whether nobody else can put anything there."""
        about = folder.lstat()
        return about.st_uid == os.getuid() and not about.st_mode & 0o077
