"""Gathers: amplitudes (shot, channel, time) with their labels, for the public edge."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from deblend.model.geometry import Geometry
from deblend.model.recording import Recording
from deblend.model.shots import Shots

if TYPE_CHECKING:
    import xarray

GatherKind = Literal["pseudo-deblended", "estimate", "truth"]


def make_gathers(
    amplitude: NDArray[np.floating],
    shots: Shots,
    channel_numbers: NDArray[np.int64],
    interval_s: float,
    *,
    kind: GatherKind,
    live: NDArray[np.bool_],
    geometry: Geometry | None = None,
    amplitude_unit: str = "recorded unit",
) -> xarray.DataArray:
    """Labelled gathers.

    Parameters
    ----------
    amplitude : ndarray of float, shape (shot, channel, time)
        One row a shot, in the order of `shots`; sample 0 is the time break.
    channel_numbers : ndarray of int64, shape (channel,)
        What the columns are.
    interval_s : float
        Sample interval in seconds.
    kind : {"pseudo-deblended", "estimate", "truth"}
        What the amplitudes are.
    live : ndarray of bool, shape (shot,)
        False where the row is empty.
    geometry : Geometry, optional
        Adds the coordinate ``offset`` in metres.

    Returns
    -------
    xarray.DataArray
        Dimensions (shot, channel, time) with coordinates source, shot_point, fire_time
        (nanoseconds since 1970), live, channel, time (seconds after the time break).
    """
    import xarray

    coords: dict[str, object] = {
        "source": ("shot", shots.source),
        "shot_point": ("shot", shots.shot_point),
        "fire_time": (
            "shot",
            shots.fire_time_ns,
            # "ns since 1970" in the units would be read back as a date, of no time scale.
            {
                "units": "ns",
                "long_name": "time break after 1970-01-01T00:00:00",
                "scale": shots.time_scale,
            },
        ),
        "live": ("shot", live),
        "channel": ("channel", channel_numbers),
        "time": (
            "time",
            np.arange(amplitude.shape[2]) * interval_s,
            {"units": "s", "long_name": "time after firing"},
        ),
    }
    if geometry is not None:
        coords["offset"] = (("shot", "channel"), geometry.offset_m, {"units": "m"})
    return xarray.DataArray(
        amplitude,
        dims=("shot", "channel", "time"),
        coords=coords,
        name="amplitude",
        attrs={"kind": kind, "units": amplitude_unit},
    )


def make_record(
    samples: NDArray[np.floating], recording: Recording, *, name: str = "amplitude"
) -> xarray.DataArray:
    """Labelled samples of a whole record.

    Parameters
    ----------
    samples : ndarray of float, shape (channel, time)
        In the place of those of the recording.
    recording : Recording
        Which has channels, times and unit.
    name : str, optional
        What the samples are.

    Returns
    -------
    xarray.DataArray
        Dimensions (channel, time); time in seconds after the start of the record.
    """
    import xarray

    seconds = np.arange(samples.shape[1]) * recording.interval_s
    about = {"units": "s", "long_name": "time after the start of the record"}
    return xarray.DataArray(
        samples,
        dims=("channel", "time"),
        coords={"channel": recording.channel_numbers, "time": ("time", seconds, about)},
        name=name,
        attrs={
            "units": recording.amplitude_unit,
            "start_ns": recording.start_ns,
            "interval_ns": recording.interval_ns,
            "time_scale": recording.scale,
        },
    )
