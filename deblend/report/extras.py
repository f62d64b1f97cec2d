"""What a report shows besides its contents, where it was measured."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from deblend.report.metric_maps import MetricMaps


@dataclass(frozen=True, eq=False)
class Extras:
    """Results of other commands, and maps.

    Parameters
    ----------
    maps : MetricMaps or None
        Metrics over shots and channels.
    """

    maps: MetricMaps | None = None


NO_EXTRAS: Final = Extras()
