"""The error tree: each error says what is wrong, where, and what to do."""

from __future__ import annotations

from typing import Final

_LONGEST: Final = 2000
"""Characters of a part of a message; a name or value from a file may be of any length."""


class DeblendError(Exception):
    """Root of every error that deblend raises on purpose.

    Parameters
    ----------
    what : str
        What is wrong, with the offending value and its unit.
    where : str, optional
        File, line, shot point or channel concerned.
    remedy : str, optional
        What the user can do about it, as a sentence.
    """

    def __init__(self, what: str, *, where: str = "", remedy: str = "") -> None:
        self.what = _shortened(what)
        self.where = _shortened(where)
        self.remedy = _shortened(remedy)
        super().__init__(self.what, self.where, self.remedy)

    def __reduce__(self) -> tuple[object, ...]:
        """Pickled by name of the type and its three parts, for errors that come from workers."""
        return _rebuilt, (type(self), self.what, self.where, self.remedy)

    def __str__(self) -> str:
        place = f"{self.where}: " if self.where else ""
        advice = f" {self.remedy}" if self.remedy else ""
        return f"{place}{self.what}.{advice}"


def _shortened(text: str) -> str:
    """Begin and end of a text that is too long for a message."""
    half = _LONGEST // 4
    return text if len(text) <= _LONGEST else f"{text[:half]} ... {text[-half:]}"


class InputError(DeblendError, ValueError):
    """A value handed in by the caller cannot be used."""


class RecordError(InputError):
    """Continuous records cannot be read or do not fit together."""


class ShotTableError(InputError):
    """A shot table cannot be read or contradicts itself."""


class NavigationError(InputError):
    """A navigation file cannot be read, or does not fit the shots."""


class TimeError(InputError):
    """An instant, an interval or a time scale cannot be used."""


class SettingsError(InputError):
    """A setting of a method, of the line file or of the command line is wrong."""


class SeparationError(DeblendError, RuntimeError):
    """The separation could not go on; a separator method broke its contract, for instance."""


class OutputError(DeblendError, OSError):
    """Results cannot be written where they were asked for."""


class ClusterError(DeblendError, RuntimeError):
    """Workers or their scheduler cannot be used, or went away."""


class MissingPackageError(DeblendError, ImportError):
    """An optional package is needed and not installed."""


def reason_of(error: Exception) -> str:
    """What an error of another library says, without the number and the path of the file."""
    if isinstance(error, UnicodeDecodeError):
        line = error.object[: error.start].count(b"\n") + 1
        value = error.object[error.start]
        return f"line {line}, byte {error.start + 1} (value {value:#04x}) is not UTF-8 text"
    return (isinstance(error, OSError) and error.strerror) or str(error).rstrip(".")


def _rebuilt(kind: type[DeblendError], what: str, where: str, remedy: str) -> DeblendError:
    return kind(what, where=where, remedy=remedy)
