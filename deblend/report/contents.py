"""What a page is made of: findings and small samples, kept in one file beside the results."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, Final, Literal, get_args

import msgspec
import numpy as np
from numpy.typing import NDArray

from deblend.array_file import json_array, json_value, read_arrays, write_arrays
from deblend.errors import DeblendError, InputError
from deblend.model.findings import Finding
from deblend.model.timebase import TimeScale, check_time_scale
from deblend.report.dataclass_arrays import Arrays, arrays_of, restore, texts_of

SectionKind = Literal["common channel", "shot"]
FORMAT: Final = "deblend report contents 1"


@dataclass(frozen=True, eq=False)
class GatherSection:
    """One gather of one source, before and after separation."""

    source: int | str
    """Whose gather it is."""
    kind: SectionKind
    """What the traces have in common."""
    number: int
    """The channel number, or the shot point."""
    axis: NDArray[np.float64]
    """(trace,): What tells the traces apart: shot points, channel numbers or offsets."""
    axis_label: str
    """Name and unit of `axis`, for instance ``"shot point"``."""
    before: NDArray[np.float32]
    after: NDArray[np.float32]
    """(trace, time): Pseudo-deblended and separated amplitudes in the recorded unit; NaN where
    unknown."""
    truth: NDArray[np.float32] | None
    """(trace, time), or None: The answer, where the line was made."""
    interval_s: float
    """Sample interval in seconds; sample 0 is the time break."""
    live: NDArray[np.bool_]
    """(trace,): False for traces without an estimate (misfires, shots not delivered, dead
    channels)."""
    members: NDArray[np.int64] | None = None
    """(trace,): Shot points of a common-channel gather, channel numbers of a shot gather: where a
    trace is on the maps."""

    def __post_init__(self) -> None:
        shape = self.before.shape
        _require(self.kind in get_args(SectionKind), f"section kind {self.kind!r} is not known")
        _require(len(shape) == 2 and min(shape) > 0, f"a section has shape {shape}")
        _require(self.after.shape == shape, f"before is {shape}, after is {self.after.shape}")
        if self.truth is not None:
            _require(self.truth.shape == shape, f"before is {shape}, truth is {self.truth.shape}")
        for name in ("axis", "live", "members"):
            column = getattr(self, name)
            if column is not None:
                length = column.shape
                _require(length == shape[:1], f"{name} has shape {length} for {shape[0]} traces")
        _require(0 < self.interval_s < 3600, f"the sample interval is {self.interval_s} s")

    @property
    def removed(self) -> NDArray[np.float32]:
        """What the separation took away: before less after; NaN where both are infinite."""
        with np.errstate(invalid="ignore"):
            return self.before - self.after


@dataclass(frozen=True, eq=False)
class Acquisition:
    """When which source fired, and how the shots overlap."""

    source: NDArray[np.int64] | NDArray[np.str_]
    """(shot,): Which source fired."""
    shot_point: NDArray[np.int64]
    """(shot,): Shot point number."""
    fire_time_ns: NDArray[np.int64]
    """(shot,): Time break, nanoseconds since 1970 of `time_scale`."""
    time_scale: TimeScale
    """Scale of all instants here."""
    delivered: NDArray[np.bool_]
    """(shot,): Whether the shot is in the output."""
    fold: NDArray[np.int32]
    """(instant,): Blending fold along the record: shots active at that instant."""
    fold_interval_s: float
    """Time between two values of `fold`, in seconds."""
    fold_start_ns: int
    """Instant of the first value of `fold`."""
    reason: NDArray[np.str_] | None = None
    """(shot,): Why a shot is not in the output, in a few words; empty where it is."""

    def __post_init__(self) -> None:
        check_time_scale(self.time_scale)
        count = self.source.shape
        _require(len(count) == 1 and count[0] > 0, f"the sources have shape {count}")
        _require(self.source.dtype.kind in "iuU", f"the sources have type {self.source.dtype}")
        for name in ("shot_point", "fire_time_ns", "delivered", "reason"):
            column = getattr(self, name)
            if column is not None:
                _require(column.shape == count, f"{name} is {column.shape}, source is {count}")
        _require(self.fold.ndim == 1, f"the blending fold has shape {self.fold.shape}")
        _require(int(self.fold.min(initial=0)) >= 0, "the blending fold is negative somewhere")
        _require(self.fold_interval_s > 0, f"the fold interval is {self.fold_interval_s} s")

    @property
    def sources(self) -> tuple[int | str, ...]:
        """Sources that occur, sorted."""
        return tuple(np.unique(self.source).tolist())


@dataclass(frozen=True, eq=False)
class Convergence:
    """How one block of channels came to its result."""

    iteration: NDArray[np.int64]
    """(iteration,): Iteration number."""
    residual_db: NDArray[np.float64]
    """(iteration,): Weighted residual rms over record rms, in dB."""
    strictness: NDArray[np.float64]
    """(iteration,): Threshold over the reference amplitude."""
    label: str = ""
    """Which block, for instance ``"channels 1-60"``."""

    def __post_init__(self) -> None:
        shapes = {self.iteration.shape, self.residual_db.shape, self.strictness.shape}
        _require(
            len(shapes) == 1 and self.iteration.ndim == 1,
            f"iteration, residual and strictness have shapes {sorted(shapes)}",
        )


@dataclass(frozen=True, eq=False)
class Contents:
    """Everything that a page shows."""

    title: str
    """Name of the line or survey."""
    sections: tuple[GatherSection, ...]
    """Gathers chosen for the page."""
    acquisition: Acquisition
    """Fire times and blending fold."""
    convergence: tuple[Convergence, ...]
    """One a block of channels."""
    findings: tuple[Finding, ...]
    """All rows measured."""
    settings: dict[str, str] = field(default_factory=dict)
    provenance: dict[str, str] = field(default_factory=dict)
    """What was asked for; what it was made from and with."""
    amplitude_unit: str = "recorded unit"
    """Unit of the amplitudes of `sections`."""
    left_out: int = 0
    """Gathers that findings name and that `sections` has no room for."""


class _Text(msgspec.Struct, forbid_unknown_fields=True):
    """The part of the file that is text."""

    format: Literal["deblend report contents 1"]
    title: str
    sections: list[dict[str, Any]]
    time_scale: TimeScale
    fold_interval_s: float
    fold_start_ns: int
    convergence: list[str]
    findings: list[Finding]
    settings: dict[str, str]
    provenance: dict[str, str]
    amplitude_unit: str
    left_out: int = 0


def write_contents(contents: Contents, path: Path) -> None:
    """Write `contents` as one ``.npz`` file; the final name appears only when it is complete."""
    arrays: Arrays = {"text": json_array(_text_of(contents))}
    arrays |= arrays_of(contents.acquisition, "acquisition")
    for k, section in enumerate(contents.sections):
        arrays |= arrays_of(section, f"section{k}")
    for k, block in enumerate(contents.convergence):
        arrays |= arrays_of(block, f"convergence{k}")
    write_arrays(arrays, Path(path))


def read_contents(path: Path) -> Contents:
    """Read what `write_contents` wrote, checked."""
    arrays = read_arrays(Path(path))
    try:
        text = msgspec.convert(json_value(arrays["text"]), _Text)
        return _assemble(text, arrays)
    except DeblendError as error:
        reason = error.what
    except (KeyError, ValueError, TypeError, RecursionError, msgspec.MsgspecError) as error:
        reason = str(error)
    raise InputError(
        f"is no contents of a report: {reason}",
        where=str(path),
        remedy="The file is damaged or comes from another version; run the line again.",
    )


def _text_of(contents: Contents) -> dict[str, object]:
    """Text of the file; the words of the acquisition stand beside those of the contents."""
    words = texts_of(contents)
    return (
        words
        | texts_of(words.pop("acquisition"))
        | {
            "format": FORMAT,
            "sections": [texts_of(section) for section in contents.sections],
            "convergence": [block.label for block in contents.convergence],
            "findings": [asdict(finding) for finding in contents.findings],
        }
    )


def _assemble(text: _Text, arrays: Arrays) -> Contents:
    """Contents from both halves of the file."""
    words = msgspec.structs.asdict(text)
    del words["format"]
    scalars = {name: words.pop(name) for name in ("time_scale", "fold_interval_s", "fold_start_ns")}
    words["sections"] = tuple(
        restore(GatherSection, f"section{k}", one, arrays) for k, one in enumerate(text.sections)
    )
    words["convergence"] = tuple(
        restore(Convergence, f"convergence{k}", {"label": label}, arrays)
        for k, label in enumerate(text.convergence)
    )
    words["findings"] = tuple(text.findings)
    return Contents(acquisition=restore(Acquisition, "acquisition", scalars, arrays), **words)


def _require(holds: bool, what: str) -> None:
    if not holds:
        raise InputError(what, remedy="Correct what was handed to the report.")
