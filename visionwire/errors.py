"""Errors that own their sentence and their exit code."""

from __future__ import annotations

from enum import IntEnum


class ExitCode(IntEnum):
    """What the command's exit status says."""

    CONFORMING = 0
    NONCONFORMING = 1
    USAGE = 2
    UNDECIDED = 3
    FILE = 4


class VisionwireError(Exception):
    """One sentence: what is wrong, with which file, what to do; where it names several places, each in a line below."""

    exit_code = ExitCode.FILE

    def __str__(self) -> str:
        return "\n  ".join(map(str, self.args))


class UsageError(VisionwireError):
    """The words of the call are off."""

    exit_code = ExitCode.USAGE


class InputError(VisionwireError):
    """A file that the call names cannot be read, or something is wrong in it, whatever that is."""

    exit_code = ExitCode.FILE


class PhotoError(InputError):
    """A picture that cannot be read."""


class LimitsError(VisionwireError):
    """A limit set that cannot be used."""

    exit_code = ExitCode.USAGE


class LimitsFileError(InputError, LimitsError):
    """The file of a limit set cannot be read or used."""


class PlanError(VisionwireError):
    """A safety that no rule allows, or a plan that cannot be used."""

    exit_code = ExitCode.USAGE


class PlanFileError(InputError, PlanError):
    """The file of a plan cannot be read or is none."""


class ArchiveError(InputError):
    """An archive, its ledger or what it is joined with cannot be used."""


class OutputError(VisionwireError):
    """A file that cannot be written."""


def install(extra: str) -> str:
    """Say how an extra is added, wherever visionwire was cloned to."""
    return f'pip install ".[{extra}]" in the folder of visionwire'


def one_line(text: str) -> str:
    """Make text from outside, such as a file's name, fit for one line of a terminal: what breaks lines is escaped."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text)
