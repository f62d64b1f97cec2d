"""Formats of continuous records: one table, and the readers that other packages publish.

A package publishes a reader by a line of its own metadata::

    [project.entry-points."deblend.readers"]
    name = "package.module:reader"

where ``reader`` is a `Reader`, or another object or module with the same three functions.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache, partial
from pathlib import Path
from typing import Final

from deblend.errors import DeblendError, RecordError
from deblend.model.recording import Recording
from deblend.model.shots import Shots
from deblend.plugins import PluginGroup
from deblend.records.file_bytes import open_file
from deblend.records.segd.open import looks_like_segd, open_segd, read_segd_shots
from deblend.records.segy.open import looks_like_segy, open_segy

FIRST_BYTES: Final = 256
"""How much of a file `Reader.is_mine` gets to see."""


@dataclass(frozen=True)
class Reader:
    """One format of continuous records."""

    is_mine: Callable[[Path, bytes], bool]
    """Whether a file is of this format, by its path and its first `FIRST_BYTES` bytes, fewer where
    it is shorter. False wherever that is not certain."""
    open: Callable[..., Recording]
    """Recording of ``(paths, *, time_scale, start_is_exact, start_offset_s)``, headers read only;
    arguments and errors as of `deblend.records.open.open_recording`, every path a file."""
    shots: Callable[..., Shots | None]
    """Source events of ``(paths, *, time_scale)``; None where the format carries no fire times."""


def _no_shots(paths: Sequence[Path], *, time_scale: str) -> None:
    """Shots of a format without fire times: none."""


PUBLISHED: Final = PluginGroup(group="deblend.readers", kind="reader", others="readers")
"""Readers of other packages."""
READERS: Final[dict[str, Reader]] = {
    "SEG-D": Reader(lambda path, begin: looks_like_segd(begin), open_segd, read_segd_shots),
    "SEG-Y": Reader(lambda path, begin: looks_like_segy(begin), open_segy, _no_shots),
}
"""Built-in readers by the name of their format; they are asked before any other."""
_Published = tuple[dict[str, Reader], tuple[str, ...]]
_FALLBACK: Final = "SEG-Y"
"""Reads what no reader knows: its files may begin with anything, and it says what is wrong."""


@dataclass(frozen=True)
class ChosenReader:
    """The reader of some files."""

    name: str
    """Of the format."""
    reader: Reader
    broken: tuple[str, ...] = ()
    """What kept published readers from being asked; empty where a reader knew the files."""

    @contextmanager
    def naming_broken_readers(self) -> Iterator[None]:
        """Add to the refusal of a file that another reader may have known why it was not asked."""
        try:
            yield
        except RecordError as error:
            if not self.broken:
                raise
            remedy = " ".join((error.remedy, *self.broken))
            raise RecordError(error.what, where=error.where, remedy=remedy) from error


def choose_reader(paths: Sequence[Path]) -> ChosenReader:
    """The reader that knows some files, by their first bytes.

    A published reader that cannot be loaded, or fails when asked, is passed over.

    Raises
    ------
    RecordError
        If the files are of several formats, or one is empty or cannot be read.
    """
    published = cache(_published)
    chosen = [_reader_of(path, published) for path in paths]
    names = [one.name for one in chosen]
    known = next((name for name in names if name != _FALLBACK), _FALLBACK)
    if set(names) != {known}:
        other = next(path for path, name in zip(paths, names, strict=True) if name != known)
        raise RecordError(
            f"the file is no {known}, but {paths[names.index(known)]} is",
            where=str(other),
            remedy="Open files of one format at a time.",
        )
    return max(chosen, key=lambda one: len(one.broken))


def _reader_of(path: Path, published: Callable[[], _Published]) -> ChosenReader:
    with open_file(path) as file:
        if not file.size:
            raise RecordError(
                "the file is empty: it has 0 bytes",
                where=str(path),
                remedy="It may be truncated; copy it again or leave it out.",
            )
        begin = file.read(0, min(FIRST_BYTES, file.size), "the begin")
    for name, reader in READERS.items():
        if reader.is_mine(path, begin):
            return ChosenReader(name, reader)
    readers, broken = published()
    for name, reader in readers.items():
        try:
            ask = partial(reader.is_mine, path, begin)
            if PUBLISHED.guarded(ask, name, str(path)):
                return ChosenReader(name, reader)
        except DeblendError as error:
            broken = (*broken, str(error))
    return ChosenReader(_FALLBACK, READERS[_FALLBACK], broken)


def _published() -> _Published:
    """Readers of other packages, and what is wrong with those that cannot be used."""
    readers: dict[str, Reader] = {}
    broken = []
    for name in PUBLISHED.names():
        try:
            reader = PUBLISHED.load(name)
        except DeblendError as error:
            broken.append(str(error))
            continue
        missing = [part for part in ("is_mine", "open", "shots") if not hasattr(reader, part)]
        if missing:
            broken.append(f"reader {name!r} lacks {', '.join(missing)}.")
        else:
            readers[name] = reader
    return readers, tuple(broken)
