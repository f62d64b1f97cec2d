"""Contents of a report of any size, made quickly: events on hyperbolas, interference, noise."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from deblend.model.findings import Finding
from deblend.model.geometry import towed_geometry
from deblend.model.shots import Shots, make_shots
from deblend.report.contents import Acquisition, Contents, Convergence, GatherSection
from deblend.report.figures import Extras
from deblend.report.metric_maps import MetricMaps
from deblend.results.report_samples import choose_places

INTERVAL_S = 0.002
WINDOWS_S = ((0.0, 1.0), (1.0, 2.0), (2.0, 3.0), (3.0, 4.0))


def made_contents(shots_each: int, channels: int, sources: int, length: int) -> Contents:
    """Contents with the gathers that a run of that size would choose.

    Parameters
    ----------
    shots_each : int
        Shots of each source.
    channels, sources, length : int
        Size of the line; samples of 2 ms.
    """
    shots = _made_shots(shots_each, sources)
    delivered = np.ones(len(shots), bool)
    geometry = towed_geometry(shots, channels, nearest_offset_m=120.0, group_interval_m=12.5)
    findings = made_findings(shots, channels)
    numbers = np.arange(1, channels + 1)
    choice = choose_places(shots, delivered, geometry, numbers, length=length, findings=findings)
    random = np.random.default_rng(1)
    sections = []
    for place in choice.places:
        rows, columns = np.broadcast_arrays(place.shots, place.channels)
        offset_m = np.abs(geometry.offset_m[rows, columns])
        after = _earth(shots, rows, offset_m, np.zeros(len(rows)), length)
        removed = _interference(shots, rows, offset_m, length)
        after += 0.01 * random.standard_normal(after.shape).astype(np.float32)
        sections.append(
            GatherSection(
                place.source,
                place.kind,
                place.number,
                place.axis,
                place.axis_label,
                after + removed,
                after,
                None,
                INTERVAL_S,
                np.ones(len(rows), bool),
                place.members,
            )
        )
    iteration = np.arange(1, 61)
    return Contents(
        title=f"made line: {shots_each} shots of each of {sources} sources, {channels} channels",
        sections=tuple(sections),
        left_out=choice.left_out,
        acquisition=_acquisition(shots, delivered),
        convergence=(Convergence(iteration, -0.5 * iteration, 0.9**iteration, "all channels"),),
        findings=tuple(findings),
        settings={"method": "none: the gathers of this page are made"},
        provenance={"made by": "python -m benchmarks.report.made_contents"},
        amplitude_unit="made unit",
    )


def made_extras(shots_each: int, channels: int, sources: int) -> Extras:
    """Five metrics over all shots, channels and windows."""
    random = np.random.default_rng(2)
    shots = _made_shots(shots_each, sources)
    shape = (len(shots), channels, len(WINDOWS_S))
    names = (
        "local_similarity",
        "correlation",
        "orthogonalisation_weight",
        "interference_weight",
        "removed_over_kept",
    )
    values = {name: (0.1 * random.standard_normal(shape)).astype(np.float32) for name in names}
    values["local_similarity"][200:300, 30:60, 2] += 0.5
    return Extras(
        maps=MetricMaps(
            shots.source, shots.shot_point, np.arange(1, channels + 1), WINDOWS_S, values
        )
    )


def _made_shots(shots_each: int, sources: int) -> Shots:
    random = np.random.default_rng(3)
    count = shots_each * sources
    times = np.arange(count) * (5.0 / sources) + random.uniform(-0.25, 0.25, count)
    return make_shots(
        np.arange(count) % sources + 1,
        1001 + np.arange(count) // sources,
        1_750_000_000 * 10**9 + np.rint(times * 1e9).astype(np.int64),
        "utc",
    )


def _wavelet(time_s: NDArray[np.float64], frequency_hz: float) -> NDArray[np.float64]:
    part = (np.pi * frequency_hz * time_s) ** 2
    return (1 - 2 * part) * np.exp(-part)


def _earth(
    shots: Shots,
    rows: NDArray[np.int64],
    offset_m: NDArray[np.float64],
    late_s: NDArray[np.float64],
    length: int,
) -> NDArray[np.float32]:
    """Events on hyperbolas that undulate along the line, fired `late_s` after the time break."""
    random = np.random.default_rng(4)
    along = shots.shot_point[rows] - shots.shot_point[0]
    reach = np.arange(round(0.16 / INTERVAL_S)) - round(0.08 / INTERVAL_S)
    gathers = np.zeros((len(rows), length), np.float32)
    for zero_s in np.sort(random.uniform(0.15, 5.0, 45)):
        speed = 1500 + 300 * zero_s
        slope, wave = random.uniform(-0.0004, 0.0004), random.uniform(0.005, 0.03)
        place = zero_s + slope * along + wave * np.sin(along / random.uniform(20, 80))
        at = np.sqrt(np.maximum(place, 0.05) ** 2 + (offset_m / speed) ** 2) + late_s
        size = random.choice([-1, 1]) * random.uniform(0.3, 1.0) / (0.2 + zero_s) ** 2
        frequency = 45 / (1 + 0.3 * zero_s)
        place_in = np.rint(np.minimum(at, 1e5) / INTERVAL_S).astype(np.int64)[:, None] + reach
        rows_in, columns_in = np.nonzero((place_in >= 0) & (place_in < length))
        samples = place_in[rows_in, columns_in]
        late = samples * INTERVAL_S - at[rows_in]
        gathers[rows_in, samples] += size * _wavelet(late, frequency)
    return gathers


def _interference(
    shots: Shots, rows: NDArray[np.int64], offset_m: NDArray[np.float64], length: int
) -> NDArray[np.float32]:
    """What the shots just before and after add to the traces."""
    gathers = np.zeros((len(rows), length), np.float32)
    for step in (-2, -1, 1, 2):
        other = np.clip(rows + step, 0, len(shots) - 1)
        late_s = (shots.fire_time_ns[other] - shots.fire_time_ns[rows]) * 1e-9
        late_s = np.where(other == rows + step, late_s, 1e3)
        gathers += _earth(shots, other, offset_m, late_s, length)
    return gathers


def _acquisition(shots: Shots, delivered: NDArray[np.bool_]) -> Acquisition:
    random = np.random.default_rng(5)
    return Acquisition(
        shots.source,
        shots.shot_point,
        shots.fire_time_ns,
        shots.time_scale,
        delivered,
        random.integers(1, 4, 20_000).astype(np.int32),
        0.125,
        int(shots.fire_time_ns[0]),
        np.full(len(shots), ""),
    )


def made_findings(shots: Shots, channels: int) -> list[Finding]:
    """About as many rows as a line of this size gives, and a few that name a place."""
    random = np.random.default_rng(6)
    rows = []
    for source in shots.sources:
        for window in WINDOWS_S:
            for other in shots.sources:
                if other != source:
                    for metric, unit in (("crosstalk", "dB"), ("interference_left", "%")):
                        value = float(random.normal(-38 if unit == "dB" else 0.5, 1))
                        message = f"Left of source {other} in the gathers of source {source}."
                        rows.append(
                            Finding(
                                metric, value, unit, "pass", message, source=source,
                                window_s=window, limit=-30.0 if unit == "dB" else 5.0,
                                other_source=other, error=1.0 if value > -38 else None,
                            )
                        )  # fmt: skip
            rows.append(
                Finding(
                    "worst_alike_window", 0.4, "", "look", "Kept and removed part are alike.",
                    source=source, shot_point=1250, channel=45, window_s=window,
                )
            )  # fmt: skip
        rows += [
            Finding(
                "noise_level", float(random.uniform(1, 2)), "made unit", "note",
                "Noise of the channel before the first arrival.", source=source, channel=channel,
            )
            for channel in range(1, channels + 1)
        ]  # fmt: skip
    return rows
