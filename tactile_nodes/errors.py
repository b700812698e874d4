# SPDX-License-Identifier: Apache-2.0
"""The errors of this package: each says what, where, found, expected and what to do."""

import reprlib
import unicodedata

_LONGEST = 1000          # characters of what was found


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
            text += f', found {_short.repr(self.found)[:_LONGEST]}'
        if self.expected is not None:
            text += f', expected {self.expected}'
        return escaped(text + '.' + (f' {self.fix}' if self.fix else ''))


def escaped(text):
    """Return the text with control characters, which a terminal would obey, written as escapes."""
    return ''.join(character if character in '\n\t'
                   or unicodedata.category(character) not in ('Cc', 'Cs')
                   else character.encode('unicode_escape').decode() for character in text)


class _Short(reprlib.Repr):
    """Says what was found in few words, however large it is."""

    def __init__(self):
        super().__init__()
        self.maxlevel = 3
        self.maxlist = self.maxtuple = self.maxdict = self.maxset = self.maxfrozenset = 20
        self.maxstring = self.maxlong = self.maxother = _LONGEST

    def repr_int(self, value, level):
        try:
            return super().repr_int(value, level)
        except ValueError:                     # Python does not print more than 4300 digits
            return 'a huge number'


_short = _Short()


class FileError(TactileError):
    """A file that is missing, unreadable or wrong; `where` is the file and the key."""


class DataError(TactileError, ValueError):
    """An array or a setting handed to the core has the wrong shape, type or range."""


class DeviceError(TactileError):
    """A fingertip that cannot be opened or refuses a setting."""


class DeviceLost(DeviceError):
    """The fingertip is not there, or not to be had, at the moment: worth trying again."""


class FrameTimeout(DeviceError):
    """No frame came within the time given."""


class EndOfRecording(DeviceError):
    """A recording that does not repeat has no more frames."""
