"""Errors a user can mend: each carries one clear line and ends a command with exit code 2."""

from __future__ import annotations


class PlacerError(Exception):
    """Base of every error caused by what the user supplied."""


class CueError(PlacerError):
    """The cue file, or a file it names, says something that cannot be done."""


class AudioError(PlacerError):
    """A stem cannot be read or cannot be used."""


class FolderError(PlacerError):
    """A run folder cannot be written, read or continued."""


class StorageError(PlacerError):
    """A shared study cannot be reached or belongs to another cue."""
