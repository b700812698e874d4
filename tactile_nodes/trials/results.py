# SPDX-License-Identifier: Apache-2.0
"""What is written of a processed recording, whole or not at all: table of wrenches, movie."""

import os
from pathlib import Path

import cv2

from tactile_nodes.errors import FileError

COLUMNS = ('t', 'fx', 'fy', 'fz', 'tx', 'ty', 'tz', 'sd_fx', 'sd_fy', 'sd_fz', 'sd_tx', 'sd_ty',
           'sd_tz', 'cx', 'cy', 'area', 'contact', 'stick_ratio', 'slip')


class _Part:
    """A file that gets its name when it is closed, and is removed when an error comes before."""

    def __init__(self, path):
        self.path = Path(path)
        self._part = self.path.with_name(f'.part.{self.path.name}')

    def __enter__(self):
        return self

    def __exit__(self, kind, *_):
        try:
            self._close()
            if kind is None:
                os.replace(self._part, self.path)
        except OSError as error:
            raise FileError(f'cannot be written ({error.strerror})',
                            where=str(self.path)) from None
        finally:
            self._part.unlink(missing_ok=True)


class WrenchTable(_Part):
    """CSV with one line per frame; a context manager.

    The columns are `COLUMNS`: t is the image's stamp, s to the ns; wrench and its standard
    deviation, N and N*m, inf where not measured; place of the contact, m, empty without; its
    area, m^2; contact and slip 0 or 1. Numbers are written so that they read back as they were.
    """

    def __init__(self, path):
        super().__init__(path)
        try:
            self._file = self._part.open('w', encoding='ascii')
        except OSError as error:
            raise FileError(f'cannot be written ({error.strerror})', where=str(path)) from None
        self._file.write(','.join(COLUMNS) + '\n')

    def add(self, stamp_ns, contact, estimate):
        """Write the line of one frame."""
        place = contact.centroid if contact.in_contact else ('', '')
        values = (*estimate.wrench, *estimate.sd, *place, contact.area)
        words = [value if value == '' else repr(float(value)) for value in values]
        self._file.write(','.join((
            f'{stamp_ns // 10**9}.{stamp_ns % 10**9:09d}', *words, f'{contact.in_contact:d}',
            repr(float(estimate.stick_ratio)), f'{estimate.slipping:d}')) + '\n')

    def _close(self):
        self._file.flush()
        os.fsync(self._file.fileno())
        self._file.close()


class Movie(_Part):
    """MP4 of pictures that come one by one; a context manager.

    Parameters
    ----------
    path : path
    frame_rate : float
        Hz.
    """

    def __init__(self, path, frame_rate):
        super().__init__(path)
        self._rate, self._writer = frame_rate, None

    def add(self, picture):
        """Write a picture, (H, W, 3) uint8 bgr."""
        if self._writer is None:
            height, width, _ = picture.shape
            self._writer = cv2.VideoWriter(str(self._part), cv2.VideoWriter_fourcc(*'mp4v'),
                                           self._rate, (width, height))
            if not self._writer.isOpened():
                raise FileError('cannot be written', where=str(self.path),
                                fix='This OpenCV may lack MP4: leave --overlay out.')
        self._writer.write(picture)

    def _close(self):
        if self._writer is not None:
            self._writer.release()
