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

_TEXTS: Final = (
    *("scene", "size", "blend", "noise", "method", "status", "message"),
    *("settings", "versions", "machine", "date", "commit", "traceback", "key", "content"),
)
_WHOLE: Final = ("seed", "iterations", "sources", "shots", "channels", "samples", "threads")
_LISTS: Final = (
    *(
        f"{prefix}{name}_{kind}_db"
        for prefix in ("", "difference_")
        for name in ("start", "snr")
        for kind in ("window", "octave")
    ),
    *("unblended_window_db", "window_end_s", "octave_end_hz"),
)
_NUMBERS: Final = (
    *("start_db", "snr_db", "difference_start_db", "difference_snr_db", "worst_source_db"),
    *("leakage_db", "loss_db", "residual_db", "under_next_shot_db"),
    *("fold", "dither_s", "noise_percent"),
    *("seconds", "sample_iterations_per_s", "peak_mib"),
)
COLUMNS: Final = (
    *("scene", "size", "blend", "noise", "seed", "method", "iterations", "status", "message"),
    *_NUMBERS,
    *_LISTS,
    *("sources", "shots", "channels", "samples", "threads"),
    *("settings", "versions", "machine", "date", "commit", "traceback", "key", "content"),
)
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

    kinds = (
        dict.fromkeys(_TEXTS, pa.string())
        | dict.fromkeys(_WHOLE, pa.int64())
        | dict.fromkeys(_NUMBERS, pa.float64())
        | dict.fromkeys(_LISTS, pa.list_(pa.float64()))
    )
    return pa.schema(
        [(name, kinds[name]) for name in COLUMNS],
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
