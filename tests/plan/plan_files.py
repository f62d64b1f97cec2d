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
name = "trial"
[target]
record_length_s = 7.0
window_s = [1.6, 4.4]
[streamers]
count = 8
separation_m = 90.0
length_m = 4800.0
group_interval_m = 10.0
[sources]
count = 4
[firing]
scheme = "in sequence"
shot_interval_m = 10.0
[dither]
law = "uniform"
range_s = 0.25
[trial]
line_length_km = 5.0
"""

TARGET = TargetTable(record_length_s=7.0, window_s=(1.6, 4.4))


def written(folder: Path, text: str = PLAN, name: str = "plan.toml") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def alternative(
    *,
    streamers: int = 8,
    separation_m: float = 90.0,
    length_m: float = 4800.0,
    group_interval_m: float = 10.0,
    count: int = 4,
    shot_interval_m: float = 10.0,
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


def uniform(range_s: float = 0.25, **others: object) -> DitherTable:
    return DitherTable(law="uniform", range_s=range_s, **others)  # type: ignore[arg-type]
