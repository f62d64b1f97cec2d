"""The results file of a study: one row a run in Parquet."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal

from deblend import __version__
from deblend.errors import InputError, MissingPackageError, reason_of
from deblend.files import make_folder, replacing

if TYPE_CHECKING:
    import pyarrow as pa

LAYOUT: Final = "2"
"""Version of the columns; a file of another one is refused."""
LABELS: Final = ("scene", "size", "blend", "noise", "seed", "method", "iterations")
"""What a row is called, as texts in `StudyRun.labels`; its key is made of what it stands for."""
VARIES: Final = (
    *("seconds", "sample_iterations_per_s", "peak_mib", "threads"),
    *("machine", "date", "commit", "versions"),
)
"""What differs from one time to the next, all else being equal."""
Status = Literal["done", "diverged", "timeout", "failed"]

COLUMNS: Final[dict[str, tuple[str, str, str]]] = {
    "scene": ("text", "", "Line with a known answer."),
    "size": ("text", "", "Of a standard scene."),
    "blend": ("text", "", "Label of the firing."),
    "noise": ("text", "", "Label of the noise."),
    "seed": ("whole", "", "Of delays and noise."),
    "method": ("text", "", "Label of the method."),
    "iterations": ("whole", "", "Of its loop."),
    "status": ("text", "", "done, diverged, timeout or failed."),
    "message": ("text", "", "Why it is not done, with the file and line of an error."),
    "start_db": ("number", "dB", "Truth over error of the record cut at the fire times."),
    "snr_db": ("number", "dB", "Truth over error of the estimate, all sources together."),
    "difference_start_db": ("number", "dB", "The same of differences between sources, before."),
    "difference_snr_db": ("number", "dB", "The same of differences between sources, after."),
    "worst_source_db": ("number", "dB", "snr_db of the source where it is lowest."),
    "leakage_db": ("number", "dB", "Energy of interference left in, over that of all of it."),
    "loss_db": ("number", "dB", "Energy of signal missing, over that of all of it."),
    "residual_db": ("number", "dB", "Rms that the estimate leaves of the record, over its rms."),
    "under_next_shot_db": (
        "number",
        "dB",
        "Rms error under early arrivals of later shots, over ambient noise of 1 % of the record.",
    ),
    "fold": ("number", "", "Mean blending fold of the record."),
    "dither_s": ("number", "s", "Half the range of the delays against even firing, mean."),
    "noise_percent": ("number", "%", "Rms of added noise over that of the clean record."),
    "seconds": ("number", "s", "Time of the separation."),
    "sample_iterations_per_s": ("number", "1/s", "Samples of all gathers times iterations."),
    "peak_mib": ("number", "MiB", "Largest memory of the process during the separation."),
    "start_window_db": ("list", "dB", "start_db in windows of time, early to late."),
    "start_octave_db": ("list", "dB", "start_db in octaves, low to high."),
    "snr_window_db": ("list", "dB", "snr_db in windows of time."),
    "snr_octave_db": ("list", "dB", "snr_db in octaves."),
    "difference_start_window_db": ("list", "dB", "difference_start_db in windows of time."),
    "difference_start_octave_db": ("list", "dB", "difference_start_db in octaves."),
    "difference_snr_window_db": ("list", "dB", "difference_snr_db in windows of time."),
    "difference_snr_octave_db": ("list", "dB", "difference_snr_db in octaves."),
    "unblended_window_db": ("list", "dB", "Truth over the noise of the line never blended."),
    "window_end_s": ("list", "s", "Where the windows of time end."),
    "octave_end_hz": ("list", "Hz", "Where the octaves end."),
    "sources": ("whole", "", "How many."),
    "shots": ("whole", "", "Of all sources."),
    "channels": ("whole", "", "Of the record."),
    "samples": ("whole", "", "Of a gather trace."),
    "threads": ("whole", "", "Of the process."),
    "settings": ("text", "", "Method and settings as they took effect, JSON."),
    "versions": ("text", "", "Of Python and packages, JSON."),
    "machine": ("text", "", "Processor, cores, system and load, JSON."),
    "date": ("text", "", "When, UTC."),
    "commit": ("text", "", "Of this package, where it lies in a repository."),
    "traceback": ("text", "", "Of an error."),
    "key": ("text", "", "Of the content: names the row for --repeat."),
    "content": ("text", "", "Everything that the row stands for, JSON."),
}
"""Kind, unit and meaning of each."""
Row = dict[str, Any]
Labels = tuple[str, ...]


def labels_of(row: Mapping[str, Any]) -> Labels:
    """Labels of a row, as `StudyRun.labels`."""
    return tuple(str(row[name]) for name in LABELS)


def read_results(path: Path) -> list[Row]:
    """All rows; none where there is no file.

    What writing needs is asked for here already, before anything is computed.
    """
    parquet = _parquet()
    if not path.exists():
        return []
    try:
        table = parquet.read_table(path)
    except (OSError, ValueError) as error:
        raise InputError(
            f"this is no Parquet file that can be read ({reason_of(error)})",
            where=str(path),
            remedy="Name another results file, or remove this one.",
        ) from error
    about = {key.decode(): value.decode() for key, value in (table.schema.metadata or {}).items()}
    layout = about.get("deblend_study")
    if layout != LAYOUT:
        raise InputError(
            f"the results are of layout {layout or 'unknown'}, and this is layout {LAYOUT}",
            where=str(path),
            remedy="Keep that file and let the study write to another one.",
        )
    made_by = about.get("deblend", "unknown")
    if made_by != __version__:
        raise InputError(
            f"the results are of deblend {made_by}, and this is deblend {__version__}: scores of "
            "two versions do not belong into one table",
            where=str(path),
            remedy="Keep that file and let the study write to another one.",
        )
    rows: list[Row] = table.to_pylist()
    return rows


def write_results(path: Path, rows: Iterable[Row]) -> None:
    """Write all rows; the file appears only when it is complete."""
    parquet = _parquet()
    import pyarrow as pa

    schema = _schema()
    table = pa.Table.from_pylist(
        [{name: row.get(name) for name in COLUMNS} for row in rows], schema=schema
    )
    make_folder(path.parent)
    with replacing(path) as stream:
        parquet.write_table(table, stream, compression="zstd")


def _schema() -> pa.Schema:
    import pyarrow as pa

    kinds = {
        "text": pa.string(),
        "whole": pa.int64(),
        "number": pa.float64(),
        "list": pa.list_(pa.float64()),
    }
    return pa.schema(
        [
            pa.field(name, kinds[kind], metadata={"unit": unit, "meaning": meaning})
            for name, (kind, unit, meaning) in COLUMNS.items()
        ],
        metadata={"deblend_study": LAYOUT, "deblend": __version__},
    )


def _parquet() -> Any:
    try:
        import pyarrow.parquet as parquet
    except ImportError as error:
        raise MissingPackageError(
            "results of studies need the package pyarrow, which is not installed",
            remedy="Install it: python -m pip install 'deblend[study]'.",
        ) from error
    return parquet


def settings_text(settings: Mapping[str, Any]) -> str:
    """Settings that may change a score, in one cell."""
    kept = {key: value for key, value in settings.items() if key not in ("length_s", "seed")}
    return json.dumps(kept, sort_keys=True)
