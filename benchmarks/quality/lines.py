"""Lines with a known answer that methods are scored on: standard scenes, variants, real shots."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Final

import msgspec

from deblend.synth.blend_keys import read_blend_plan
from deblend.synth.blend_plan import blend_gathers
from deblend.synth.build import build_line
from deblend.synth.line import MadeLine
from deblend.synth.scenes import Size, make_scene, scene_names, scene_plan, signal_windows_s

REAL_SHOTS: Final = "two-real-shots"
NOISE_FREE: Final = "white-noise-free"
"""The white-noise scene without its noise: what a method reaches where noise costs nothing."""
SIZES: Final[tuple[Size, ...]] = ("small", "full")
WINDOWS: Final = 6
_PLAN: Final = Path(__file__).parents[2] / "examples" / "blend_two_shots.toml"
_INPUTS: Final = Path(__file__).parents[2] / "tests" / "data"
_REAL_INTERVAL_S: Final = 3.0


def line_names() -> tuple[str, ...]:
    """Everything that can be scored."""
    return (*scene_names(), NOISE_FREE, REAL_SHOTS)


def make_line(name: str, size: Size, seed: int) -> MadeLine | None:
    """Make a line; None where the recorded shots it needs are not there."""
    if name == REAL_SHOTS:
        return _real_shots(seed)
    if name == NOISE_FREE:
        return build_line(replace(scene_plan("white-noise", size), noise=()), seed)
    return make_scene(name, size, seed)


def windows_of(name: str, line: MadeLine) -> list[tuple[float, float]]:
    """Six equal windows: to the deepest event, or over the whole trace of the recorded shots."""
    if name != REAL_SHOTS:
        return signal_windows_s(line, WINDOWS)
    step = line.length_s / WINDOWS
    return [(k * step, (k + 1) * step) for k in range(WINDOWS)]


def _real_shots(seed: int) -> MadeLine | None:
    """Two recorded shots as two sources, 120 shots into one receiver; see `real_shots`."""
    plan = read_blend_plan(_PLAN)
    files = [_INPUTS / name for source in plan.sources for name in source.files]
    if plan.firing is None or not all(path.exists() for path in files):
        return None
    firing = msgspec.structs.replace(
        plan.firing, interval_s=_REAL_INTERVAL_S, dither_s=0.3, seed=seed
    )
    return blend_gathers(msgspec.structs.replace(plan, firing=firing), _INPUTS)
