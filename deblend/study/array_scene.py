"""Scenes of gathers in memory: arrays of NumPy or xarray that are blended as a study says."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from deblend.errors import InputError, SettingsError, reason_of
from deblend.model.timebase import NS_PER_S, interval_to_ns
from deblend.study.keys import SceneTable
from deblend.synth.recorded_gathers import SourceGathers


@dataclass(frozen=True, eq=False)
class ArrayScene:
    """Unblended gathers, one array a source; `array_scene` makes it."""

    name: str
    """In tables."""
    gathers: tuple[NDArray[np.float32], ...]
    """Of each source: (shot, channel, time), sample 0 at the time break."""
    interval_ns: int
    """Sample interval in nanoseconds."""
    size: str = "small"
    """In tables."""

    @cached_property
    def digests(self) -> list[str]:
        """What tells the samples of each source from others."""
        return [hashlib.sha256(part.tobytes()).hexdigest() for part in self.gathers]

    def sources(self) -> list[SourceGathers]:
        """As read from files: sources, shots and channels counted from 1."""
        return [
            SourceGathers(
                number,
                np.arange(1, part.shape[0] + 1),
                np.arange(1, part.shape[1] + 1),
                part,
                0,
                self.interval_ns,
            )
            for number, part in enumerate(self.gathers, start=1)
        ]


def array_scene(name: str, gathers: Any, interval_s: float | None = None) -> ArrayScene:
    """A scene of gathers that are known unblended, for `Study.scenes`.

    A blend of the study says when they fire: its ``interval_s``, or its ``fire_times_file``.

    Parameters
    ----------
    name : str
        In tables.
    gathers : array_like or xarray.DataArray
        (source, shot, channel, time); or labelled (shot, channel, time) with the coordinate
        ``source``, as `separate` and the truth of made lines are.
    interval_s : float, optional
        Sample interval in seconds; labelled gathers have it in their coordinate ``time``.

    Raises
    ------
    InputError
        If the shape is another one, a sample is not finite, or the interval is not known.
    """
    if hasattr(gathers, "dims"):
        parts, interval_s = _labelled(gathers, interval_s)
    else:
        parts = list(np.asarray(gathers, np.float32))
    where = f"scene {name}"
    if not parts or any(part.ndim != 3 or 0 in part.shape for part in parts):
        raise InputError(
            f"gathers have shape {np.shape(gathers)}",
            where=where,
            remedy="Give (source, shot, channel, time), or xarray's (shot, channel, time).",
        )
    if not all(np.isfinite(part).all() for part in parts):
        raise InputError(
            "gathers hold NaN or infinite samples", where=where, remedy="The truth is a number."
        )
    if interval_s is None:
        raise InputError(
            "the sample interval is not known", where=where, remedy="Give interval_s in seconds."
        )
    return ArrayScene(name, tuple(map(np.ascontiguousarray, parts)), interval_to_ns(interval_s))


def _labelled(gathers: Any, interval_s: float | None) -> tuple[list[NDArray[np.float32]], float]:
    time = np.asarray(gathers["time"].values, np.float64)
    if interval_s is None and len(time) > 1:
        interval_s = round(float(time[1] - time[0]) * NS_PER_S) / NS_PER_S
    if "source" in gathers.dims:
        whole = gathers.transpose("source", "shot", "channel", "time")
        return list(np.asarray(whole.values, np.float32)), interval_s or 0.0
    whole = gathers.transpose("shot", "channel", "time")
    values, source = np.asarray(whole.values, np.float32), whole["source"].values
    return [values[source == one] for one in np.unique(source)], interval_s or 0.0


def read_array_scene(table: SceneTable, folder: Path) -> ArrayScene:
    """The scene of a file of gathers: netCDF, or NumPy with the interval beside it.

    Raises
    ------
    SettingsError
        If the file cannot be read.
    """
    path = folder / (table.gathers_file or "")
    try:
        if path.suffix == ".npy":
            gathers = np.load(path, allow_pickle=False)
        else:
            import xarray

            with xarray.open_dataarray(path) as opened:
                gathers = opened.load()
    except (OSError, ValueError) as error:
        raise SettingsError(
            f"the gathers cannot be read ({reason_of(error)})",
            where=str(path),
            remedy="Give a netCDF or NumPy file of one array.",
        ) from error
    return array_scene(table.name, gathers, table.sample_interval_s)
