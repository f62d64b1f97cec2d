"""The line of a run: a scene with its blend, noise and seed."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import msgspec

from deblend.errors import SettingsError
from deblend.study.keys import BlendTable, NoiseTable, SceneTable
from deblend.synth.blend_file import BlendKeys, read_blend_plan
from deblend.synth.blend_line import blend_gathers
from deblend.synth.build import SceneDesign, build_line
from deblend.synth.firing import Dither
from deblend.synth.line import MadeLine
from deblend.synth.scene_file import noise_from, read_scene_file
from deblend.synth.scenes import QUIET_END_S, scene_design
from deblend.words import counted

WINDOWS = 6


@dataclass(frozen=True)
class GathersScene:
    """Gathers of a plan, whose files are looked for in the folder of the study."""

    name: str
    """In tables."""
    plan: BlendKeys
    """Which gathers play which source, and when they fire."""
    size: str = "small"
    """In tables."""


def make_line(
    scene: SceneTable | GathersScene, blend: BlendTable, noise: NoiseTable, seed: int, folder: Path
) -> MadeLine:
    """Make a line; the same arguments give the same line."""
    if isinstance(scene, GathersScene):
        return _recorded(scene, blend, noise, seed, folder)
    if scene.gathers_file is not None:
        plan = read_blend_plan(folder / scene.gathers_file)
        place = folder / (scene.gathers_folder or "")
        return _recorded(GathersScene(scene.name, plan), blend, noise, seed, place)
    if scene.scene_file is not None:
        design = read_scene_file(folder / scene.scene_file)
    else:
        design = scene_design(scene.name, scene.size)
    design = _blended(design, blend)
    if noise.pieces is not None:
        design = replace(design, noise=noise_from(noise.pieces, f"noise {noise.label}"))
    return build_line(design, seed)


def _blended(plan: SceneDesign, blend: BlendTable) -> SceneDesign:
    acquisition = plan.acquisition
    firing = acquisition.firing
    if blend.dither_s is not None:
        firing = replace(firing, dither=Dither(blend.dither_s, firing.dither.law))
    changes = {
        name: value
        for name in ("order", "interval_s", "shots_per_source")
        if (value := getattr(blend, name)) is not None
    }
    sources = acquisition.sources[: blend.sources]
    if blend.sources is not None and len(sources) < blend.sources:
        raise SettingsError(
            f"blend {blend.label!r} asks for {counted(blend.sources, 'source')} and the scene has "
            f"{len(sources)}",
            where=f"scene {plan.name}",
            remedy="Take fewer, or a scene with more.",
        )
    firing = replace(firing, **changes)
    return replace(plan, acquisition=replace(acquisition, sources=sources, firing=firing))


def _recorded(
    scene: GathersScene, blend: BlendTable, noise: NoiseTable, seed: int, folder: Path
) -> MadeLine:
    if noise.pieces or blend.sources is not None or blend.shots_per_source is not None:
        raise SettingsError(
            f"recorded gathers can only be fired in another way, not as {blend.label!r} with "
            f"noise {noise.label!r}",
            where=f"scene {scene.name}",
            remedy="Change order, interval_s and dither_s only.",
        )
    changes = {
        name: value
        for name in ("order", "interval_s", "dither_s")
        if (value := getattr(blend, name)) is not None
    }
    firing = msgspec.structs.replace(scene.plan.firing, seed=seed, **changes)
    return blend_gathers(msgspec.structs.replace(scene.plan, firing=firing), folder)


def windows_of(line: MadeLine) -> list[tuple[float, float]]:
    """Six equal windows: to the deepest event of a made line, over all of a recorded trace."""
    end = line.length_s if line.noise_rms is None else line.length_s - QUIET_END_S
    step = end / WINDOWS
    return [(k * step, (k + 1) * step) for k in range(WINDOWS)]
