"""What an unfinished run was asked to do, how it was cut, and of what input, so that it can go on.

A plan is made once and kept. Going on with another line file, other input or other software would
mix two results into one; that is refused, and what changed is said.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import msgspec

from deblend.errors import InputError, OutputError
from deblend.files import write_text
from deblend.line.line_file import LineFile
from deblend.line.line_keys import LineKeys
from deblend.words import counted

_FREE_KEYS: Final = ("output.", "run.")
"""Keys that do not change the result of a given plan."""
_PIECES: Final = 16
_PIECE_BYTES: Final = 1 << 16


@dataclass(frozen=True)
class InputFile:
    """A file and what it was."""

    path: str
    size_bytes: int
    digest: str
    """SHA-256 of samples of its content."""
    modified_ns: int = 0
    """When it was written last; does not count where a run goes on, as with a copy."""

    @property
    def content(self) -> tuple[int, str]:
        """What makes it another file."""
        return self.size_bytes, self.digest


@dataclass(frozen=True)
class RunPlan:
    """Everything that a block needs to be separated by any process."""

    line_path: str
    """The line file; its content is in `keys`."""
    keys: LineKeys
    """As they were."""
    settings: dict[str, str | int | float | bool]
    """Settings as they took effect."""
    versions: dict[str, str]
    """Software."""
    inputs: tuple[InputFile, ...]
    """Records and tables."""
    spans: tuple[tuple[int, int], ...]
    channels: tuple[tuple[int, int], ...]
    """How the line is cut into spans of slots and blocks of channels."""
    block_bytes: int
    memory_bytes: int
    """What the arrays of a block take, and the budget of one process."""
    started_utc: str
    """When the run began."""

    @property
    def line(self) -> LineFile:
        """The line file."""
        return LineFile(Path(self.line_path), self.keys)

    @property
    def count(self) -> int:
        """Number of blocks."""
        return len(self.spans) * len(self.channels)

    @property
    def channel_step(self) -> int:
        """Channels of a block."""
        return self.channels[0][1] - self.channels[0][0]

    @property
    def cut(self) -> str:
        """How the line is cut, in words."""
        if self.count == 1:
            return "one piece"
        spans = f" in {len(self.spans)} spans of shots" if len(self.spans) > 1 else ""
        return f"{self.count} blocks of {counted(self.channel_step, 'channel')}{spans}"

    def place(self, number: int) -> tuple[int, range]:
        """Span and channels of a block; blocks of one span follow each other."""
        span, block = divmod(number, len(self.channels))
        return span, range(*self.channels[block])


def utc_now() -> str:
    """Time stamp of now, to the millisecond."""
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def input_files(paths: list[Path]) -> tuple[InputFile, ...]:
    """What each input is now."""
    return tuple(_input_file(path) for path in dict.fromkeys(paths))


def write_plan(plan: RunPlan, path: Path) -> None:
    """Keep a plan as JSON."""
    text = msgspec.json.format(msgspec.json.encode(plan), indent=1)
    write_text(path, text.decode("utf-8") + "\n")


def read_plan(path: Path) -> RunPlan:
    """Read a plan back.

    Raises
    ------
    OutputError
        If it cannot be read.
    """
    try:
        return msgspec.json.decode(path.read_bytes(), type=RunPlan)
    except (OSError, msgspec.DecodeError) as error:
        raise OutputError(
            f"the plan of the unfinished run cannot be read ({error})",
            where=str(path),
            remedy="Begin anew with --restart.",
        ) from error


def refuse_missing(plan: RunPlan) -> None:
    """Say which inputs of an unfinished run are gone.

    Raises
    ------
    InputError
        If any is.
    """
    gone = [file.path for file in plan.inputs if not Path(file.path).exists()]
    if gone:
        more = f", and {len(gone) - 1} more" if len(gone) > 1 else ""
        raise InputError(
            f"an input of the unfinished run is missing{more}",
            where=gone[0],
            remedy="Put it back where it was, or begin anew with --restart.",
        )


def refuse_changed(earlier: RunPlan, now: RunPlan, where: Path) -> None:
    """Refuse to go on with something else than was begun.

    Raises
    ------
    InputError
        If line file, input or software changed; says what.
    """
    found = changes(earlier, now)
    if found:
        more = f"; and {len(found) - 4} more" if len(found) > 4 else ""
        raise InputError(
            f"the unfinished run in this folder was begun with something else: "
            f"{'; '.join(found[:4])}{more}",
            where=str(where),
            remedy="Put it back as it was to go on, or begin anew with --restart.",
        )


def refuse_altered(before: Sequence[InputFile]) -> None:
    """Refuse inputs that were written to since this process opened them.

    Raises
    ------
    InputError
        If any was; says which.
    """
    now = input_files([Path(file.path) for file in before])
    altered = [file.path for file, later in zip(before, now, strict=True) if file != later]
    if altered:
        more = f", and so were {len(altered) - 1} more" if len(altered) > 1 else ""
        raise InputError(
            f"an input was changed while the run was at work{more}: its results would be of what "
            "is not there any more",
            where=altered[0],
            remedy="Put it back as it was and give the same command again, or begin anew with "
            "--restart.",
        )


def changes(earlier: RunPlan, now: RunPlan) -> list[str]:
    """What is asked, of what input, with what software that was not so before; in words."""
    return list(_changes(earlier, now))


def _changes(earlier: RunPlan, now: RunPlan) -> Iterator[str]:
    if earlier.line_path != now.line_path:
        yield f"the line file was {earlier.line_path} and is {now.line_path}"
    before, after = (dict(_flat(msgspec.to_builtins(plan.keys), "")) for plan in (earlier, now))
    named = {name.rpartition(".")[2] for name in _changed(before, after)}
    for name in _changed(before, after):
        if not name.startswith(_FREE_KEYS):
            old, new = (_value_text(keys.get(name)) for keys in (before, after))
            yield f"{name} was {old} and is {new}"
    for word, was, now_is in (
        ("setting", earlier.settings, now.settings),
        ("version of", earlier.versions, now.versions),
    ):
        for name in _changed(was, now_is):
            if word != "setting" or name not in named:
                yield f"{word} {name} was {was.get(name)} and is {now_is.get(name)}"
    yield from _changed_inputs(earlier.inputs, now.inputs)


def _changed(before: Mapping[str, Any], after: Mapping[str, Any]) -> list[str]:
    """Names whose values differ."""
    return [name for name in {**before, **after} if before.get(name) != after.get(name)]


def _changed_inputs(before: Sequence[InputFile], after: Sequence[InputFile]) -> Iterator[str]:
    content = [[file.content for file in files] for files in (before, after)]
    renamed = [(old.path, new.path) for old, new in zip(before, after, strict=False)]
    renamed = [(old, new) for old, new in renamed if old != new]
    if renamed and content[0] == content[1]:
        more = f", and so with {len(renamed) - 1} more" if len(renamed) > 1 else ""
        yield f"{renamed[0][0]} is now {renamed[0][1]}{more}"
        return
    files, files_now = ({file.path: file for file in some} for some in (before, after))
    for path in {**files, **files_now}:
        if path not in files_now:
            yield f"{path} is no longer an input"
        elif path not in files:
            yield f"{path} is a new input"
        elif files[path].content != files_now[path].content:
            yield f"the content of {path} changed"


def _flat(value: Any, name: str) -> Iterator[tuple[str, Any]]:
    if isinstance(value, Mapping):
        for key, part in value.items():
            yield from _flat(part, f"{name}.{key}".lstrip("."))
    else:
        yield name, value


def _value_text(value: Any) -> str:
    return "not given" if value is None else repr(value)


def _input_file(path: Path) -> InputFile:
    """Size, and a digest of the whole of a small file or of pieces spread over a large one."""
    try:
        status = path.stat()
        size = status.st_size
        digest = hashlib.sha256()
        last = max(0, size - _PIECE_BYTES)
        with path.open("rb") as file:
            for piece in range(_PIECES):
                begin = last * piece // (_PIECES - 1) if size > _PIECES * _PIECE_BYTES else None
                if begin is None:
                    digest.update(file.read())
                    break
                file.seek(begin, os.SEEK_SET)
                digest.update(file.read(_PIECE_BYTES))
    except OSError as error:
        raise InputError(
            f"an input cannot be read ({error.strerror})",
            where=str(path),
            remedy="Keep the input in place until the run has ended.",
        ) from error
    return InputFile(str(path), size, digest.hexdigest(), status.st_mtime_ns)
