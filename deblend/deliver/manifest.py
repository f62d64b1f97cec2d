"""The manifest: from what, with what and how the delivered gathers were made, in JSON."""

from __future__ import annotations

import json
import os
import platform
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final

from deblend import __version__
from deblend.errors import OutputError, reason_of
from deblend.files import json_values, sha256_of, write_text
from deblend.model.findings import Finding
from deblend.versions import installed_versions

PACKAGES: Final = (
    "numpy",
    "scipy",
    "numba",
    "zarr",
    "dask",
    "xarray",
    "msgspec",
    "matplotlib",
    "segyio",
)


@dataclass(frozen=True)
class FileRecord:
    """A file, its size in bytes and its SHA-256."""

    path: str
    size_bytes: int
    sha256: str


@dataclass(frozen=True)
class Manifest:
    """What the manifest states beyond versions and platform."""

    line: str
    """Name of the line."""
    started_utc: str
    ended_utc: str
    """ISO 8601 instants of the run."""
    time_scale: str
    """Scale of the record and of the fire times."""
    inputs: tuple[FileRecord, ...]
    outputs: tuple[FileRecord, ...]
    """Files read, and files delivered; paths count from the folder of the manifest."""
    read_again: Mapping[str, str]
    """Who read each delivered file a second time and found it as written, or why nobody did."""
    settings: Mapping[str, Any]
    """Settings of the run as they took effect."""
    shots_delivered: Mapping[str, int]
    """Delivered shots by source."""
    shots_not_delivered: Mapping[str, int]
    """Other shots of the table by reason."""
    unexplained_residual: Mapping[str, str]
    """What was done with it and what that means."""
    findings: tuple[Finding, ...]
    """Every row of the findings table."""


def file_record(path: Path, *, relative_to: Path | None = None) -> FileRecord:
    """Size and checksum of a file."""
    try:
        name = Path(os.path.relpath(path, relative_to)) if relative_to else path
        return FileRecord(name.as_posix(), path.stat().st_size, sha256_of(path))
    except OSError as error:
        raise OutputError(
            f"the checksum cannot be taken ({reason_of(error)})",
            where=str(path),
            remedy="Keep the input in place until the run has ended.",
        ) from error


def write_manifest(manifest: Manifest, path: Path) -> None:
    """Write the manifest as JSON; numbers that JSON has no word for become null."""
    content = {
        "deblend": __version__,
        **asdict(manifest),
        "versions": installed_versions(PACKAGES),
        "platform": platform.platform(),
    }
    write_text(path, json.dumps(json_values(content), indent=2, ensure_ascii=False) + "\n")
