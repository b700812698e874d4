# SPDX-License-Identifier: Apache-2.0
"""The errors of this package: each says what, where, found, expected and what to do."""


class TactileError(Exception):
    """A problem that the user can act on; printed as one message, never as a traceback.

    Parameters
    ----------
    what : str
        What is wrong, in a few words.
    where : str, optional
        File and key, device or topic it is about.
    found, expected : object, optional
        The value met and a description of what would be right.
    fix : str, optional
        What to do about it, as a sentence.
    """

    def __init__(self, what, *, where=None, found=None, expected=None, fix=None):
        self.what, self.where, self.found = what, where, found
        self.expected, self.fix = expected, fix
        super().__init__(self._message())

    def _message(self):
        text = self.what if self.where is None else f'{self.where}: {self.what}'
        if self.found is not None:
            text += f', found {self.found!r}'
        if self.expected is not None:
            text += f', expected {self.expected}'
        return text + '.' + (f' {self.fix}' if self.fix else '')


class FileError(TactileError):
    """A file that is missing, unreadable or wrong; `where` is the file and the key."""


class DataError(TactileError, ValueError):
    """An array or a setting handed to the core has the wrong shape, type or range."""


class DeviceError(TactileError):
    """A fingertip that cannot be opened or refuses a setting."""


class DeviceLost(DeviceError):
    """The fingertip went away while it was open."""


class FrameTimeout(DeviceError):
    """No frame came within the time given."""


class EndOfRecording(DeviceError):
    """A recording that does not repeat has no more frames."""
