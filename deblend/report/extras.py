"""What a report shows besides its contents, where it was measured."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from deblend.model.findings import Finding
from deblend.qc.injected_rows import InjectedRow
from deblend.report.metric_maps import MetricMaps
from deblend.report.panels import ComparedPanel


@dataclass(frozen=True, eq=False)
class Extras:
    """Results of other commands, and maps."""

    maps: MetricMaps | None = None
    """Metrics over shots and channels."""
    injected: tuple[InjectedRow, ...] = ()
    """What came back of known events."""
    panels: tuple[ComparedPanel, ...] = ()
    """Beside lines shot without overlap."""
    findings: tuple[Finding, ...] = ()
    """Rows of the injection and of the comparison."""


NO_EXTRAS: Final = Extras()
