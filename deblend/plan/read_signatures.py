"""Signatures of a plan: read from text or SEG-Y, measured, held against the reference."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.errors import InputError, SettingsError
from deblend.model.findings import Finding
from deblend.model.timebase import NS_PER_S
from deblend.plan.keys import SignatureTable
from deblend.plan.plan_file import Plan
from deblend.plan.signature import (
    BAR_IN_MICROPASCAL,
    PASCAL_PER_BAR,
    FarField,
    SignatureMeasures,
    against_reference,
    at_one_metre,
    measure,
    prepared,
)
from deblend.plan.text_lines import number_of, read_text_lines
from deblend.records.segy.gathers import open_trace_file
from deblend.words import counted, did_you_mean

SEGY: Final = (".sgy", ".segy")
GHOSTS: Final = ("with source ghost", "without ghost")
HEADER: Final = ("interval_ms", "unit", "range_m", "ghost", "filter", "depth_m", "positive_is")
LONGEST: Final = 1_000_000


def read_signatures(plan: Plan) -> tuple[list[SignatureMeasures], list[Finding]]:
    """Read and measure every signature that the plan names."""
    measures = [
        measure(
            prepared(
                _far_field(name, table, plan.resolve(table.file)),
                gate_s=table.gate_s,
                low_cut_hz=table.low_cut_hz,
                high_cut_hz=table.high_cut_hz,
            )
        )
        for name, table in plan.signatures.items()
    ]
    names = [name for name, table in plan.signatures.items() if table.reference]
    if len(names) > 1:
        raise SettingsError(
            f"signatures {names[0]!r} and {names[1]!r} are both the reference",
            where=f"{plan.path}, signatures",
            remedy="Say reference = true of one.",
        )
    findings = [
        Finding(
            "signature_ghost_not_stated",
            float("nan"),
            "",
            "look",
            f"It is not stated whether {one.far_field.name} holds the source ghost.",
            source=one.far_field.name,
        )
        for one in measures
        if one.far_field.ghost not in GHOSTS
    ]
    for reference in (one for one in measures if one.far_field.name in names):
        for other in measures:
            if other is not reference:
                findings += against_reference(reference, other)
    return measures, findings


def _far_field(name: str, table: SignatureTable, path: Path) -> FarField:
    if path.suffix.lower() in SEGY:
        samples, interval_s = _from_segy(path, table.trace)
        header: dict[str, str] = {}
    else:
        text = read_signature_text(path)
        samples, header = text.samples, text.header
        if "interval_ms" not in header:
            raise InputError(
                "the sample interval is not stated",
                where=str(path),
                remedy="Add the header line # interval_ms: VALUE.",
            )
        interval_s = number_of(header["interval_ms"], str(path)) * 1e-3
    if not 0.0 < interval_s <= 0.02:
        raise InputError(
            f"a sample interval of {interval_s} s fits no signature",
            where=str(path),
            remedy="Give milliseconds, above 0 and at most 20.",
        )
    sign = header.get("positive_is", table.positive_is)
    return FarField(
        name,
        _in_bar_metres(samples, table, header, path) * (-1.0 if sign == "rarefaction" else 1.0),
        interval_s,
        table.ghost or header.get("ghost", "not stated"),
        table.filter or header.get("filter", "not stated"),
        len(samples) * interval_s,
        table.depth_m or _optional(header, "depth_m", path),
    )


def _from_segy(path: Path, trace: int) -> tuple[NDArray[np.float64], float]:
    traces = open_trace_file(path, ())
    if trace > traces.trace_count:
        raise InputError(
            f"trace {trace} is asked for and the file has {traces.trace_count}",
            where=str(path),
            remedy="Count traces from 1.",
        )
    samples = traces.read(np.array([trace - 1]))[0, :LONGEST].astype(np.float64)
    if not np.isfinite(samples).all():
        raise InputError(
            "the signature holds samples that are no numbers",
            where=f"{path}, trace {trace}",
            remedy="Export it again.",
        )
    return samples, traces.interval_ns / NS_PER_S


def _in_bar_metres(
    samples: NDArray[np.float64], table: SignatureTable, header: dict[str, str], path: Path
) -> NDArray[np.float64]:
    unit = table.unit or header.get("unit")
    range_m = table.range_m or _optional(header, "range_m", path)
    if unit == "bar-m":
        return samples
    if unit == "µPa·m":
        return samples / BAR_IN_MICROPASCAL
    if unit not in ("bar", "Pa"):
        raise InputError(
            f"the unit of the samples is {unit or 'not stated'}",
            where=str(path),
            remedy="State unit: bar-m, µPa·m, or bar or Pa together with range_m.",
        )
    if range_m is None or range_m <= 0.0:
        raise InputError(
            f"a pressure in {unit} has no distance",
            where=str(path),
            remedy="Give range_m, the distance from source to hydrophone.",
        )
    return at_one_metre(samples / (PASCAL_PER_BAR if unit == "Pa" else 1.0), range_m)


def _optional(header: dict[str, str], name: str, path: Path) -> float | None:
    return number_of(header[name], str(path)) if name in header else None


@dataclass(frozen=True, eq=False)
class SignatureText:
    """A text file as read."""

    header: dict[str, str]
    """What its header lines say."""
    samples: NDArray[np.float64]
    """(time,): In the unit of the header."""


def read_signature_text(path: Path) -> SignatureText:
    """Read a signature from a text file.

    Header lines are ``# name: value`` with the names interval_ms, unit, range_m, ghost, filter,
    depth_m and positive_is; other comments begin with ##. Every other line holds one sample.
    """
    header: dict[str, str] = {}
    samples: list[float] = []
    remedy = "Give a text file in UTF-8, or SEG-Y with the ending .sgy or .segy."
    for number, line in enumerate(read_text_lines(path, "signature", remedy), start=1):
        text, where = line.strip(), f"{path}, line {number}"
        if not text or text.startswith("##"):
            continue
        if text.startswith("#"):
            name, value = _header_line(text, where)
            header[name] = value
        else:
            samples.append(number_of(text, where))
    if len(samples) < 16:
        raise InputError(
            f"the signature has {counted(len(samples), 'sample')}",
            where=str(path),
            remedy="Give one sample a line, at least 16.",
        )
    return SignatureText(header, np.array(samples))


def _header_line(text: str, where: str) -> tuple[str, str]:
    name, colon, value = text.lstrip("# ").partition(":")
    name = name.strip()
    if not colon or name not in HEADER:
        raise InputError(
            f"header line {text!r} is not known",
            where=where,
            remedy=did_you_mean(
                name,
                HEADER,
                f"Write # name: value with {', '.join(HEADER)}; begin other comments with ##.",
            ),
        )
    return name, value.strip()
