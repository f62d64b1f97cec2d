"""What `deblend blend` does: recorded gathers blended numerically into a line with the answer."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from deblend.errors import ShotTableError
from deblend.model.geometry import unknown_geometry
from deblend.model.recording import Recording
from deblend.model.shots import Shots, make_shots
from deblend.model.timebase import NS_PER_S, parse_instant
from deblend.records.shot_table import read_shots
from deblend.synth.blend_file import BlendKeys, FiringTable
from deblend.synth.build import blend_at, record_span
from deblend.synth.firing import Dither, Firing
from deblend.synth.line import MadeLine
from deblend.synth.recorded_gathers import SourceGathers, check_same_shape, read_source
from deblend.words import counted


def blend_gathers(plan: BlendKeys, folder: str | Path) -> MadeLine:
    """Blend the gathers that a plan names; names in it count from `folder`.

    The noise of every gather goes into the record with it, and stays in the truth. The noise of
    recorded gathers is not known (`noise_rms` is None), and the geometry holds no positions.

    Raises
    ------
    RecordError
        If gathers cannot be read or do not fit together.
    ShotTableError
        If the firing names a shot or a source that the gathers do not hold.
    SettingsError
        If a header word is not known.
    """
    folder = Path(folder)
    gathers = [
        read_source(
            entry.source,
            [folder / name for name in entry.files],
            shot_word=entry.shot_word,
            channel_word=entry.channel_word,
            keep=entry.keep,
        )
        for entry in plan.sources
    ]
    return blend_parts(plan, gathers, folder)


def blend_parts(plan: BlendKeys, gathers: list[SourceGathers], folder: Path) -> MadeLine:
    """Blend gathers that are in memory already, by the firing of a plan; see `blend_gathers`."""
    check_same_shape(gathers)
    if plan.firing.table is None:
        shots = drawn_shots(plan, gathers)
    else:
        shots = read_shots(folder / plan.firing.table, time_scale=plan.time_scale)
    return _blended(plan, gathers, shots, truth_of(shots, gathers, plan.firing.table or ""))


def drawn_shots(plan: BlendKeys, gathers: list[SourceGathers]) -> Shots:
    """Shot table of a drawn firing, in the order of time.

    A source with fewer shots than another stops earlier.
    """
    times = _drawn_times(plan.firing, gathers)
    start_ns = parse_instant(plan.firing.start, plan.time_scale)
    fire_ns = start_ns + np.rint(np.concatenate(times) * NS_PER_S).astype(np.int64)
    order = np.argsort(fire_ns, kind="stable")
    source = np.repeat([part.source for part in gathers], [len(p.shot_point) for p in gathers])
    shot_point = np.concatenate([part.shot_point for part in gathers])
    return make_shots(
        source[order],
        shot_point[order],
        fire_ns[order],
        plan.time_scale,
        line=np.full(len(order), plan.name),
    )


def _drawn_times(firing: FiringTable, gathers: list[SourceGathers]) -> list[NDArray[np.float64]]:
    counts = [len(part.shot_point) for part in gathers]
    law = Firing(
        firing.order,
        firing.interval_s or 0.0,
        max(counts),
        Dither(firing.dither_s, firing.dither_law),
    )
    times = law.times_s(len(gathers), firing.seed)
    return [row[:count] for row, count in zip(times, counts, strict=True)]


def truth_of(shots: Shots, gathers: list[SourceGathers], where: str = "") -> NDArray[np.float32]:
    """Gathers of all shots of a table, shape (shot, channel, time); misfires are zero."""
    truth = np.zeros((len(shots), *gathers[0].amplitude.shape[1:]), dtype=np.float32)
    held = {str(part.source): part for part in gathers}
    for source in shots.sources:
        part = held.get(str(source))
        if part is None:
            raise ShotTableError(
                f"the firing names source {source}, for which there are no gathers",
                where=where,
                remedy=f"Sources with gathers: {', '.join(held)}.",
            )
        rows = shots.rows_of(source)
        wanted = shots.shot_point[rows]
        index = np.minimum(np.searchsorted(part.shot_point, wanted), len(part.shot_point) - 1)
        absent = wanted[part.shot_point[index] != wanted]
        if absent.size:
            raise ShotTableError(
                f"the firing names {counted(absent.size, 'shot')} of source {source} that its "
                f"gathers do not hold, the first of them {absent[0]}",
                where=where,
                remedy=f"Its gathers hold shots {part.shot_point[0]} to {part.shot_point[-1]}.",
            )
        truth[rows] = part.amplitude[index]
    truth[~shots.live] = 0.0
    return truth


def _blended(
    plan: BlendKeys, gathers: list[SourceGathers], shots: Shots, truth: NDArray[np.float32]
) -> MadeLine:
    interval_ns = gathers[0].interval_ns
    length = truth.shape[2]
    start_ns, sample_count = record_span(shots.fire_time_ns, length, interval_ns)
    record = blend_at(shots, truth, start_ns, interval_ns, sample_count)
    missing = sum(part.missing for part in gathers)
    return MadeLine(
        name=plan.name,
        description=f"{len(shots.sources)} sources blended numerically from recorded gathers"
        + (f"; {missing} traces missing in them are zero." if missing else "."),
        recording=Recording(
            record,
            interval_s=interval_ns / NS_PER_S,
            start=start_ns,
            time_scale=plan.time_scale,
            channels=[int(number) for number in gathers[0].channels],
        ),
        shots=shots,
        geometry=unknown_geometry(len(shots), truth.shape[1]),
        truth={source: truth[shots.rows_of(source)] for source in shots.sources},
        length_s=length * interval_ns / NS_PER_S,
        noise_rms=None,
        true_fire_time_ns=shots.fire_time_ns,
    )
