"""The error tree: every message says what was expected, what was found and what to try."""

from __future__ import annotations


class AlignError(Exception):
    """Base of all errors that a user can meet.

    Parameters
    ----------
    message : str
        What was expected and what was found.
    remedy : str
        What to try next, in plain words.
    """

    def __init__(self, message: str, remedy: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.remedy = remedy

    @property
    def name(self) -> str:
        """The error's class name, as `--json` reports it."""
        return type(self).__name__


class PhotoError(AlignError):
    """The file cannot be read as a photograph."""


class FileFormatError(AlignError):
    """A file of ours (camera, scene, record) is malformed or of an unknown version."""


class CameraError(AlignError):
    """The camera file does not belong to this photo, or the camera cannot be determined."""


class TargetError(AlignError):
    """The target cannot be found, or is not the one that was announced."""


class ReflectionError(AlignError):
    """The target's reflection cannot be found."""


class SolveError(AlignError):
    """The corners were found but do not determine an answer."""
