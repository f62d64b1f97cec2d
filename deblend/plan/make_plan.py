"""A plan from its file to its numbers."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from deblend.errors import SettingsError
from deblend.model.findings import Finding
from deblend.model.timebase import TimeScale
from deblend.plan.as_shot import AsShot, as_shot
from deblend.plan.contents import PlanContents, Prediction
from deblend.plan.delay_table import read_delay_table
from deblend.plan.numbers import alternative_numbers
from deblend.plan.plan_file import Plan, read_plan
from deblend.plan.signature import SignatureMeasures


@dataclass(frozen=True)
class ShotLine:
    """A line that was shot by a plan."""

    shots: Path
    """Shot table (CSV)."""
    time_scale: TimeScale
    """Of its fire times."""
    alternative: str | None = None
    """By which it was shot; the first one if None."""
    delays: Path | None = None
    """Table of delays that was loaded."""


def make_plan(
    path: Path,
    *,
    simulate: bool = False,
    shot: ShotLine | None = None,
    on_progress: Callable[[str], None] | None = None,
) -> PlanContents:
    """Read a plan file and work it out.

    `simulate` also fires each alternative over a made earth and separates it.
    """
    plan = read_plan(path)
    columns = tuple(
        alternative_numbers(
            alternative, plan.target, plan.tables.get(alternative.name), plan.reference
        )
        for alternative in plan.columns
    )
    signatures, findings = _signatures(plan)
    return PlanContents(
        plan.name,
        plan.target,
        columns,
        _predictions(plan, on_progress) if simulate else (),
        tuple(signatures),
        tuple(findings),
        None if shot is None else _shot(plan, shot),
    )


def _signatures(plan: Plan) -> tuple[list[SignatureMeasures], list[Finding]]:
    if not plan.signatures:
        return [], []
    from deblend.plan.read_signatures import read_signatures

    return read_signatures(plan)


def _predictions(plan: Plan, on_progress: Callable[[str], None] | None) -> tuple[Prediction, ...]:
    from deblend.plan.simulation import predict

    return tuple(predict(plan, on_progress))


def _shot(plan: Plan, line: ShotLine) -> AsShot:
    from deblend.records.shot_table import read_shots

    names = [alternative.name for alternative in plan.columns]
    name = plan.alternatives[0].name if line.alternative is None else line.alternative
    if name not in names:
        raise SettingsError(
            f"no alternative is called {name!r}",
            where=str(plan.path),
            remedy=f"Alternatives: {', '.join(names)}.",
        )
    table = plan.tables.get(name)
    if line.delays is not None:
        table = read_delay_table(line.delays)
    shots = read_shots(line.shots, time_scale=line.time_scale)
    return as_shot(plan.columns[names.index(name)], plan.target, shots, table)
