"""Reads what other steps and commands left, for the report of a run."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.array_file import read_arrays, unpacked_bytes
from deblend.errors import InputError
from deblend.model.findings import Finding
from deblend.qc.injected_rows import InjectedRow, read_injected
from deblend.report.figures import Extras
from deblend.report.metric_maps import MetricMaps
from deblend.report.panels import ComparedPanel, read_panels
from deblend.results.checked_manifest import recorded_outputs
from deblend.results.judge import read_findings
from deblend.results.output_folder import INJECTION, INJECTION_FINDINGS, INJECTION_LINE, MAPS

_LABELS = ("source", "shot_point", "channel", "window_start", "window_stop")
_METRICS = (
    "local_similarity",
    "correlation",
    "orthogonalisation_weight",
    "interference_weight",
)
MOST_BYTES: Final = 1 << 30
"""Maps that take more are not shown: a page of few cells is not worth the memory."""
_ENERGIES = ("kept_energy_by_octave", "removed_energy_by_octave")


def read_extras(folder: Path, others: Sequence[Path] = (), identity: str = "") -> Extras:
    """What there is besides the contents of a report; the maps are read if they are there.

    `others` are folders of `deblend inject`, and tables of `deblend benchmark-line` with the panels
    beside them; `identity` is the `line_identity` of this line.

    Raises
    ------
    InputError
        If a file is damaged, or one of `others` is neither, or is of another line.
    """
    maps = folder / MAPS
    injected: list[InjectedRow] = []
    panels: list[ComparedPanel] = []
    findings: list[Finding] = []
    for path in others:
        if (path / INJECTION).exists():
            _refuse_other_line(path, identity)
            injected += read_injected(path / INJECTION)
            findings += read_findings(path / INJECTION_FINDINGS)
        elif path.suffix == ".csv" and path.with_suffix(".npz").exists():
            own = read_panels(path.with_suffix(".npz"))
            _refuse_other_trial(folder, path, own)
            panels += own
            findings += read_findings(path)
        else:
            raise InputError(
                f"holds no {INJECTION}, and is no table with panels beside it",
                where=str(path),
                remedy="Name a folder that `deblend inject` wrote or a table that "
                "`deblend benchmark-line` wrote.",
            )
    return Extras(
        maps=read_maps(maps) if maps.exists() else None,
        injected=tuple(injected),
        panels=tuple(panels),
        findings=tuple(findings),
    )


def _refuse_other_line(injection: Path, identity: str) -> None:
    try:
        told = (injection / INJECTION_LINE).read_text(encoding="utf-8").strip()
    except (OSError, ValueError):
        told = ""
    if told != identity:
        raise InputError(
            "is an injection into another line" if told else f"holds no {INJECTION_LINE}",
            where=str(injection),
            remedy="Name the folder of an injection into this line, or inject again.",
        )


def _refuse_other_trial(folder: Path, table: Path, panels: Sequence[ComparedPanel]) -> None:
    delivered = {record["sha256"] for record in recorded_outputs(folder).values()}
    if any(panel.trial_sha256 not in delivered for panel in panels):
        raise InputError(
            "its trial is no file that this run delivered",
            where=str(table),
            remedy="Compare a file of the folder delivered of this run with the benchmark.",
        )


def read_maps(path: Path) -> MetricMaps | None:
    """The maps of `results.quality_maps`; None without labels or beyond `MOST_BYTES`.

    Raises
    ------
    InputError
        If the file is damaged.
    """
    if unpacked_bytes(path, (*_LABELS, *_METRICS)) > MOST_BYTES:
        return None
    arrays = read_arrays(path, (*_LABELS, *_METRICS))
    if any(name not in arrays for name in _LABELS):
        return None
    values = {
        name: arrays[name].astype(np.float32, copy=False) for name in _METRICS if name in arrays
    }
    energies = [_all_octaves(path, name) for name in _ENERGIES]
    if all(energy is not None for energy in energies):
        kept, removed = energies
        with np.errstate(divide="ignore", invalid="ignore"):
            level = 10 * np.log10(np.asarray(removed) / np.asarray(kept))
        values["removed_over_kept"] = np.where(np.isfinite(level), level, np.nan).astype(np.float32)
    windows = zip(arrays["window_start"].tolist(), arrays["window_stop"].tolist(), strict=True)
    return MetricMaps(
        arrays["source"], arrays["shot_point"], arrays["channel"], tuple(windows), values
    )


def _all_octaves(path: Path, name: str) -> NDArray[np.floating] | None:
    """Energy of all octaves together."""
    if unpacked_bytes(path, (name,)) > MOST_BYTES:
        return None
    found = read_arrays(path, (name,))
    return np.nansum(found[name], axis=-1) if name in found else None
