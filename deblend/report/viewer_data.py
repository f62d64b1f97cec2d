"""What the interactive part of a page draws from: gathers and maps as text, small enough."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import zip_longest
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from deblend.report.aligned import alignments
from deblend.report.codes import LEVELS, MU, UNKNOWN, ZERO, encode, pack
from deblend.report.contents import Contents, GatherSection
from deblend.report.drawing import display_clip, fewer_samples, trace_ticks
from deblend.report.metric_maps import MetricMaps, cells, metric_meaning

MOST_BYTES: Final = 11_000_000
"""Text of all gathers and maps of a page, which leaves room for the rest within 15 MB."""
BYTES_A_SAMPLE: Final = 1.0
"""Text that a sample takes at most (measured on the made lines: 0.8 to 1.0)."""
MAP_LEVELS: Final = 99
"""Steps of the colour scale of a map."""
ROWS: Final = (250, 1000)
"""Fewest and most rows of a gather; more do not fit on a screen."""
QUIETEST_DB: Final = -12.0
"""Lowest gain; what is clipped there is clipped at every gain."""


@dataclass(frozen=True, eq=False)
class ViewerData:
    """Descriptions for the page, and blocks of text that they refer to by name."""

    facts: dict[str, Any]
    """Sources, gathers, maps: numbers and short texts."""
    blocks: dict[str, str]
    """Packed samples."""
    left_out: int
    """Gathers that found no room."""


def viewer_data(
    contents: Contents, maps: MetricMaps | None, most_bytes: int = MOST_BYTES
) -> ViewerData:
    """Gathers and maps of a page.

    Above `most_bytes` of text in all, rows get coarser, then gathers of least use are left out.
    """
    sections = list(contents.sections)
    map_facts, map_blocks = ([], {}) if maps is None else _maps(maps)
    room = most_bytes - sum(len(block) for block in map_blocks.values())
    rows = _row_count(sections, room)
    blocks: dict[str, str] = {}
    gathers: list[tuple[int, dict[str, Any]]] = []
    for place in _in_turn(sections):
        facts, parts = _gather(sections[place], contents, rows, f"gather{place}")
        room -= sum(len(part) for part in parts.values())
        if room < 0 and gathers:
            break
        gathers.append((place, facts))
        blocks |= parts
    facts = {
        "code": {"mu": MU, "zero": ZERO, "levels": LEVELS, "unknown": UNKNOWN},
        "map_levels": MAP_LEVELS,
        "sources": [str(source) for source in _sources(sections)],
        "gathers": [one for _, one in sorted(gathers, key=lambda pair: pair[0])],
        "maps": map_facts,
        "map_axes": {} if maps is None else _map_axes(maps),
        "unit": contents.amplitude_unit,
        "quietest_db": QUIETEST_DB,
    }
    return ViewerData(facts, blocks | map_blocks, len(sections) - len(gathers))


def _sources(sections: list[GatherSection]) -> list[int | str]:
    return list(dict.fromkeys(section.source for section in sections))


def _row_count(sections: list[GatherSection], most_bytes: int) -> int:
    """Rows in which all gathers have room, within `ROWS`."""
    traces = sum(len(section.axis) * (2 + (section.truth is not None)) for section in sections)
    return int(np.clip(most_bytes / BYTES_A_SAMPLE / max(traces, 1), *ROWS))


def _in_turn(sections: list[GatherSection]) -> list[int]:
    """Gathers of all sources in turn, so that a cut meets the last of each."""
    own = [
        [k for k, section in enumerate(sections) if section.source == source]
        for source in _sources(sections)
    ]
    return [k for turn in zip_longest(*own) for k in turn if k is not None]


def _gather(
    section: GatherSection, contents: Contents, rows: int, name: str
) -> tuple[dict[str, Any], dict[str, str]]:
    """Facts and packed samples of one gather.

    After and removed are kept, and before is their sum; with a truth the error is kept, too, and
    the truth is after less error. So no part is the small difference of two coarse numbers.
    """
    clip = display_clip(section)
    top = clip * 10 ** (-QUIETEST_DB / 20)
    parts = {"after": section.after, "removed": section.removed}
    if section.truth is not None:
        with np.errstate(invalid="ignore"):
            parts["error"] = section.after - section.truth
    count = min(rows, section.before.shape[1])
    codes = {
        part: encode(_drawn(traces, section.live, count), top) for part, traces in parts.items()
    }
    places, labels = trace_ticks(section.axis)
    members = section.axis if section.members is None else section.members
    length_s = section.before.shape[1] * section.interval_s
    facts = {
        "name": name,
        "source": str(section.source),
        "kind": section.kind,
        "number": section.number,
        "traces": len(section.axis),
        "rows": count,
        "length_s": length_s,
        "row_s": length_s / count,
        "clip": clip,
        "top": top,
        "axis_label": section.axis_label,
        "axis": np.where(np.isfinite(section.axis), section.axis, 0.0).round(3).tolist(),
        "ticks": places,
        "tick_labels": labels,
        "members": np.rint(np.nan_to_num(members, posinf=0, neginf=0)).astype(np.int64).tolist(),
        "parts": list(codes),
        "aligned": [
            {
                "label": one.label,
                "other": str(one.other),
                "times": str(one.other) + (f"{one.shots_later:+d}" if one.shots_later else ""),
                "rows_later": [
                    None if shift != shift else round(shift, 2)
                    for shift in (one.delay_s * count / length_s).tolist()
                ],
            }
            for one in alignments(section, contents.acquisition)
        ],
    }
    return facts, {f"{name}-{part}": pack(code) for part, code in codes.items()}


def _drawn(traces: NDArray[np.float32], live: NDArray[np.bool_], rows: int) -> NDArray[np.float64]:
    """Means over the rows; NaN where half of a row or more is not known."""
    known = np.isfinite(traces) & live[:, None]
    means = fewer_samples(np.where(known, traces, 0.0), rows)
    means[fewer_samples(known.astype(np.float64), rows) < 0.5] = np.nan
    return means


def _maps(maps: MetricMaps) -> tuple[list[dict[str, Any]], dict[str, str]]:
    facts: list[dict[str, Any]] = []
    blocks: dict[str, str] = {}
    for fact, codes in _map_codes(maps):
        fact["name"] = name = f"map{len(facts)}"
        facts.append(fact)
        blocks[name] = pack(codes)
    return facts, blocks


def _map_codes(maps: MetricMaps) -> Iterator[tuple[dict[str, Any], NDArray[np.uint8]]]:
    """Codes from 1 over the limits of the metric, 0 where nothing was measured."""
    for metric, values in maps.values.items():
        low, high = maps.limits(metric)
        for source in np.unique(maps.source).tolist():
            own = values[maps.rows_of(source)]
            for window in range(len(maps.windows_s)):
                cell, step = cells(own[..., window])
                part = np.clip((np.nan_to_num(cell) - low) / (high - low), 0, 1)
                codes = np.where(np.isfinite(cell), 1 + np.rint(MAP_LEVELS * part), 0).astype(
                    np.uint8
                )
                yield (
                    {
                        "metric": metric,
                        "source": str(source),
                        "window": window,
                        "low": low,
                        "high": high,
                        "shape": list(cell.shape),
                        "step": list(step),
                    },
                    codes,
                )


def _map_axes(maps: MetricMaps) -> dict[str, Any]:
    return {
        "channel": maps.channel.astype(int).tolist(),
        "shot_point": {
            str(source): maps.shot_point[maps.rows_of(source)].astype(int).tolist()
            for source in np.unique(maps.source).tolist()
        },
        "windows": [f"{start:.4g} to {stop:.4g} s" for start, stop in maps.windows_s],
        "metrics": {metric: metric_meaning(metric) for metric in maps.values},
    }
