"""The line of a run: a scene with its blend, noise and seed."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
from numpy.typing import NDArray

from deblend.errors import SettingsError
from deblend.plan.delay_table import read_delay_table
from deblend.records.shot_table import read_shots
from deblend.study.array_scene import ArrayScene
from deblend.study.keys import BlendTable, NoiseTable, SceneTable
from deblend.synth.blend_file import (
    BlendKeys,
    FiringTable,
    OutputTable,
    SourceTable,
    read_blend_plan,
)
from deblend.synth.blend_line import blend_gathers, blend_parts
from deblend.synth.build import SceneDesign, build_line
from deblend.synth.firing import Dither, Firing, GivenFiring
from deblend.synth.line import MadeLine
from deblend.synth.scene_file import noise_from, read_scene_file
from deblend.synth.scenes import QUIET_END_S, scene_design
from deblend.words import counted

WINDOWS = 6
Rows = tuple[tuple[float, ...], ...]


@dataclass(frozen=True)
class GathersScene:
    """Gathers of a plan, whose files are looked for in the folder of the study."""

    name: str
    """In tables."""
    plan: BlendKeys
    """Which gathers play which source, and when they fire."""
    size: str = "small"
    """In tables."""


Scene = SceneTable | GathersScene | ArrayScene


def make_line(
    scene: Scene, blend: BlendTable, noise: NoiseTable, seed: int, folder: Path
) -> MadeLine:
    """Make a line; the same arguments give the same line."""
    _check_blend(blend)
    if isinstance(scene, ArrayScene):
        plan = _fired(_array_plan(scene, blend), scene.name, blend, noise, seed, folder)
        return blend_parts(plan, scene.sources(), folder)
    if isinstance(scene, GathersScene):
        plan = _fired(scene.plan, scene.name, blend, noise, seed, folder)
        return blend_gathers(plan, folder)
    if scene.gathers_file is not None:
        plan = read_blend_plan(folder / scene.gathers_file)
        plan = _fired(plan, scene.name, blend, noise, seed, folder)
        return blend_gathers(plan, folder / (scene.gathers_folder or ""))
    if scene.scene_file is not None:
        design = read_scene_file(folder / scene.scene_file)
    else:
        design = scene_design(scene.name, scene.size)
    design = _blended(design, blend, seed, folder)
    if noise.pieces is not None:
        design = replace(design, noise=noise_from(noise.pieces, f"noise {noise.label}"))
    return build_line(design, seed)


def _check_blend(blend: BlendTable) -> None:
    given = [name for name, value in msgspec.structs.asdict(blend).items() if value is not None]
    both = [name for name in given if name not in ("label", "fire_times_file", "sources")]
    if blend.fire_times_file is not None and both:
        raise SettingsError(
            f"blend {blend.label!r} has a table of fire times and {both[0]} beside it",
            remedy="Leave the other keys out: the table says when every shot fires.",
        )


def _blended(design: SceneDesign, blend: BlendTable, seed: int, folder: Path) -> SceneDesign:
    acquisition = design.acquisition
    firing = acquisition.firing
    if blend.dither_s is not None:
        firing = replace(firing, dither=Dither(blend.dither_s, firing.dither.law))
    sources = acquisition.sources[: blend.sources]
    if blend.sources is not None and len(sources) < blend.sources:
        raise SettingsError(
            f"blend {blend.label!r} asks for {counted(blend.sources, 'source')} and the scene has "
            f"{len(sources)}",
            where=f"scene {design.name}",
            remedy="Take fewer, or a scene with more.",
        )
    firing = replace(firing, **_changes(blend, ("order", "interval_s", "shots_per_source")))
    if blend.fire_times_file is not None:
        rows = _fire_times(folder / blend.fire_times_file, len(sources))
        firing = GivenFiring("random", firing.interval_s, len(rows[0]), given_s=rows)
    elif blend.delays_file is not None:
        firing = _delayed(firing, folder / blend.delays_file, len(sources), seed)
    return replace(design, acquisition=replace(acquisition, sources=sources, firing=firing))


def _changes(blend: BlendTable, names: tuple[str, ...]) -> dict[str, Any]:
    return {name: value for name in names if (value := getattr(blend, name)) is not None}


def _fire_times(path: Path, sources: int) -> Rows:
    """Fire times after the first shot, one row a source."""
    shots = read_shots(path, time_scale="utc")  # only differences count
    first = shots.fire_time_ns.min()
    return _even_rows(
        [(shots.fire_time_ns[shots.rows_of(one)] - first) * 1e-9 for one in shots.sources],
        sources,
        path,
    )


def _delayed(firing: Firing, path: Path, sources: int, seed: int) -> Firing:
    """A firing with the delays of a table in place of its own."""
    table = read_delay_table(path)
    delays = _even_rows(
        [table.delay_s[table.source == one] for one in np.unique(table.source)], sources, path
    )
    even = replace(firing, dither=Dither(0.0), shots_per_source=len(delays[0]))
    times = even.times_s(sources, seed) + np.array(delays)
    return GivenFiring(
        "random", firing.interval_s, len(delays[0]), given_s=tuple(map(tuple, times.tolist()))
    )


def _even_rows(rows: list[NDArray[np.float64]], sources: int, path: Path) -> Rows:
    counts = sorted({len(row) for row in rows})
    if len(rows) != sources or len(counts) != 1:
        shots = " to ".join(str(count) for count in {counts[0]: 0, counts[-1]: 0})
        raise SettingsError(
            f"the table has {counted(len(rows), 'source')} of {shots} shots each, and the line "
            f"{counted(sources, 'source')}",
            where=str(path),
            remedy="Give each source of the scene the same number of shots.",
        )
    return tuple(tuple(row.tolist()) for row in rows)


def _fired(
    plan: BlendKeys, name: str, blend: BlendTable, noise: NoiseTable, seed: int, folder: Path
) -> BlendKeys:
    """A plan of gathers with the firing of a blend."""
    if noise.pieces or _changes(blend, ("sources", "shots_per_source", "delays_file")):
        raise SettingsError(
            f"recorded gathers can only be fired in another way, not as {blend.label!r} with "
            f"noise {noise.label!r}",
            where=f"scene {name}",
            remedy="Change order, interval_s and dither_s, or give a fire_times_file.",
        )
    if blend.fire_times_file is not None:
        firing = FiringTable(table=str((folder / blend.fire_times_file).resolve()))
    else:
        changes = _changes(blend, ("order", "interval_s", "dither_s"))
        firing = msgspec.structs.replace(plan.firing, seed=seed, **changes)
    return msgspec.structs.replace(plan, firing=firing)


def _array_plan(scene: ArrayScene, blend: BlendTable) -> BlendKeys:
    if blend.interval_s is None and blend.fire_times_file is None:
        raise SettingsError(
            f"blend {blend.label!r} does not say when gathers of arrays fire",
            where=f"scene {scene.name}",
            remedy="Give interval_s, with dither_s, or fire_times_file.",
        )
    return BlendKeys(
        name=scene.name,
        time_scale="utc",
        sources=[SourceTable(source=part.source, files=[]) for part in scene.sources()],
        firing=FiringTable(),
        output=OutputTable(folder="unused"),
    )


def windows_of(line: MadeLine) -> list[tuple[float, float]]:
    """Six equal windows: to the deepest event of a made line, over all of a recorded trace."""
    end = line.length_s if line.noise_rms is None else line.length_s - QUIET_END_S
    step = end / WINDOWS
    return [(k * step, (k + 1) * step) for k in range(WINDOWS)]
