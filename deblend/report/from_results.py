"""Sections for the figures from labelled gathers, as `deblend.separate` returns them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from deblend.errors import InputError
from deblend.report.contents import GatherSection, SectionKind

if TYPE_CHECKING:
    import xarray


def section_of(
    before: xarray.DataArray,
    after: xarray.DataArray,
    source: int | str,
    *,
    channel: int | None = None,
    shot_point: int | None = None,
    truth: xarray.DataArray | None = None,
) -> GatherSection:
    """One gather, to be drawn by `section_figure`, `aligned_figure` or `spectra_figure`.

    Parameters
    ----------
    before, after : xarray.DataArray, dimensions (shot, channel, time)
        Pseudo-deblended and separated gathers with the coordinates of `make_gathers`.
    source : int or str
        Whose gather.
    channel : int, optional
        Channel number of a common-channel gather.
    shot_point : int, optional
        Shot point of a shot gather; give one of the two.
    truth : xarray.DataArray, optional
        The answer, like `after`.

    Raises
    ------
    InputError
        If neither or both are given, or the line does not hold such a gather.
    """
    if (channel is None) == (shot_point is None):
        raise InputError("a gather has a channel or a shot point", remedy="Give one of the two.")
    rows = np.asarray(after.source.values == source) & np.asarray(after.live.values, np.bool_)
    columns = np.ones(after.sizes["channel"], np.bool_)
    points, channels = after.shot_point.values, after.channel.values
    kind: SectionKind
    if channel is not None:
        columns, kind, number = channels == channel, "common channel", channel
    else:
        assert shot_point is not None
        rows, kind, number = rows & (points == shot_point), "shot", shot_point
    if not (rows.any() and columns.any()):
        raise InputError(
            f"there is no gather of source {source!r}, {kind} {number}",
            remedy="Name a source, channel or shot point of the line.",
        )
    place = np.ix_(np.flatnonzero(rows), np.flatnonzero(columns))
    length = after.sizes["time"]
    parts = {
        name: np.asarray(gathers.values[place], np.float32).reshape(-1, length)
        for name, gathers in (("before", before), ("after", after), ("truth", truth))
        if gathers is not None
    }
    members = (points[rows] if kind == "common channel" else channels[columns]).astype(np.int64)
    return GatherSection(
        source=source,
        kind=kind,
        number=number,
        axis=members.astype(np.float64),
        axis_label="shot point" if kind == "common channel" else "channel",
        before=parts["before"],
        after=parts["after"],
        truth=parts.get("truth"),
        interval_s=float(after.time.values[1] - after.time.values[0]),
        live=np.ones(len(members), np.bool_),
        members=members,
    )
