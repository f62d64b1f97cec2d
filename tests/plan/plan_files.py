"""Plan files for the tests, as text and as read."""

from __future__ import annotations

from pathlib import Path

from deblend.plan.keys import (
    Alternative,
    DitherTable,
    FiringTable,
    SourcesTable,
    StreamersTable,
    TargetTable,
)

PLAN = """
name = "tests"
[target]
record_length_s = 8.0
window_s = [2.0, 5.0]
[streamers]
count = 12
separation_m = 100.0
length_m = 6000.0
group_interval_m = 12.5
[sources]
count = 3
[firing]
scheme = "in sequence"
shot_interval_m = 12.5
[dither]
law = "uniform"
range_s = 0.3
[trial]
line_length_km = 4.0
"""

TARGET = TargetTable(record_length_s=8.0, window_s=(2.0, 5.0))


def written(folder: Path, text: str = PLAN, name: str = "plan.toml") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def alternative(
    *,
    streamers: int = 12,
    separation_m: float = 100.0,
    length_m: float = 6000.0,
    group_interval_m: float = 12.5,
    count: int = 3,
    shot_interval_m: float = 12.5,
    scheme: str = "in sequence",
    dither: DitherTable | None = None,
    sources: SourcesTable | None = None,
) -> Alternative:
    return Alternative(
        name="made",
        streamers=StreamersTable(
            count=streamers,
            separation_m=separation_m,
            length_m=length_m,
            group_interval_m=group_interval_m,
        ),
        sources=sources or SourcesTable(count=count),
        firing=FiringTable(scheme=scheme, shot_interval_m=shot_interval_m),  # type: ignore[arg-type]
        dither=dither or DitherTable(),
    )


def uniform(range_s: float = 0.3, **others: object) -> DitherTable:
    return DitherTable(law="uniform", range_s=range_s, **others)  # type: ignore[arg-type]
