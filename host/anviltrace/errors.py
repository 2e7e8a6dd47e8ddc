"""Every error this package raises on purpose, split by the moment it happens.

Each is also a natural built-in, so ``except OSError`` or ``except ValueError`` works for callers who do
not know us. A message says what happened, the value and the limit, and what to do next. ``exit_code`` is
what the command line returns; the README lists the codes.
"""

from __future__ import annotations


class AnviltraceError(Exception):
    """Base of the family. ``exit_code`` 1 is never used by a subclass."""

    exit_code = 1


class OpenError(AnviltraceError, OSError):
    """The port cannot be opened: it does not exist, another program holds it, or its scheme is unknown."""

    exit_code = 3


class TalkError(AnviltraceError, OSError):
    """The port is open but no sensible conversation takes place."""

    exit_code = 4


class SilentError(TalkError, TimeoutError):
    """Nothing, or no answer to a request, came within the time allowed."""


class VersionError(TalkError):
    """The board speaks another version of the wire protocol."""


class RefusedError(TalkError):
    """The board understood a request and declined it. ``code`` is the refusal code of the wire protocol."""

    def __init__(self, message: str, code: int = 0) -> None:
        super().__init__(message)
        self.code = code


class UnpluggedError(TalkError):
    """The port went away while it was in use."""


class InstallError(TalkError):
    """The script could not be put on the board."""


class RecordError(AnviltraceError, RuntimeError):
    """A recording could not be carried through as planned."""

    exit_code = 5


class ArchiveError(AnviltraceError, OSError):
    """The archive cannot be opened, read or written."""

    exit_code = 6


class NewerArchiveError(ArchiveError):
    """The archive was written by a newer version of this program."""


class DamageError(ArchiveError):
    """Stored bytes do not agree with their checksum."""

    exit_code = 7


class PlanError(AnviltraceError, ValueError):
    """A file the user wrote (plan, tools, scenario) asks for something impossible or cannot be read."""

    exit_code = 8


class LackingError(PlanError):
    """A file does not say something that only a person can: ``what`` is the name of the value that lacks."""

    def __init__(self, message: str, what: str) -> None:
        super().__init__(message)
        self.what = what


class VirtualRigError(AnviltraceError, RuntimeError):
    """The virtual rig could not be set up or its board process died."""

    exit_code = 9


class CalibrationError(AnviltraceError, ValueError):
    """A calibration cannot be made from what is there, or cannot be applied."""

    exit_code = 10


class AnalysisError(AnviltraceError, ValueError):
    """A run, or a group of runs, cannot be analysed or reported."""

    exit_code = 11


class CheckFailedError(AnviltraceError, RuntimeError):
    """A rig did not pass its check."""

    exit_code = 12
