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
    """Results of other commands, and maps.

    Parameters
    ----------
    maps : MetricMaps or None
        Metrics over shots and channels.
    injected : tuple of InjectedRow
        What came back of known events.
    panels : tuple of ComparedPanel
        Beside lines shot without overlap.
    findings : tuple of Finding
        Rows of the injection and of the comparison.
    """

    maps: MetricMaps | None = None
    injected: tuple[InjectedRow, ...] = ()
    panels: tuple[ComparedPanel, ...] = ()
    findings: tuple[Finding, ...] = ()


NO_EXTRAS: Final = Extras()
