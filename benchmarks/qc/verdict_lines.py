"""The lines of `benchmarks.qc.verdict`: made scenes, wave-equation lines, recorded shots."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import msgspec
import numpy as np

from deblend.model.geometry import unknown_geometry
from deblend.model.recording import Recording
from deblend.model.shots import make_shots
from deblend.synth.blend_file import read_blend_plan
from deblend.synth.blend_line import blend_gathers
from deblend.synth.build import SceneDesign, blend_at, build_line, record_span
from deblend.synth.firing import Dither, Trouble
from deblend.synth.line import MadeLine
from deblend.synth.noise import SwellBursts, White
from deblend.synth.scenes import Extent, scene_design, scene_names

DATA: Final = Path("tests/data")
EXTENT: Final = Extent(40, 8, 2.4)
WAVE_EXTENT: Final = Extent(40, 24, 2.4)
"""So many channels that only some are tried, as in a run."""
INTERVAL_S: Final = 0.004


@dataclass(frozen=True)
class VerdictLine:
    """One line and the runs on it."""

    scene: str
    """What is left out together when the prediction is fitted."""
    kind: str
    """made, wave or recorded."""
    make: Callable[[], MadeLine]
    runs: tuple[tuple[str, int], ...]
    """Method and iterations."""


USUAL: Final = (("joint", 40), ("joint", 10), ("fk", 40), ("fk", 8), ("median", 15))
MANY: Final = (
    *(("joint", 60), ("joint", 12), ("joint", 5)),
    *(("fk", 60), ("fk", 150), ("fk", 4), ("median", 30), ("rank", 20)),
)
FEW: Final = (("joint", 60), ("joint", 12), ("fk", 60), ("fk", 8))


def verdict_lines() -> list[VerdictLine]:
    """All lines, the slow ones first."""
    return [*_long_lines(), *_wave_lines(), *_recorded_lines(), *_made_lines()]


def _long_lines() -> list[VerdictLine]:
    """Lines of so many channels that only some of them are tried."""
    long = Extent(36, 32, 2.4)
    runs = (("joint", 30), ("fk", 40))
    return [
        VerdictLine("wave long", "wave", lambda: build_line(wave_design(15, extent=long), 9), runs),
        VerdictLine(
            "three-sources long",
            "made",
            lambda: build_line(scene_design("three-sources", long), 2),
            runs,
        ),
    ]


def _made_lines() -> list[VerdictLine]:
    names = [name for name in scene_names() if name != "wave-equation"]
    lines = [VerdictLine(name, "made", lambda name=name: _made(name), USUAL) for name in names]
    late = Trouble(timing_error_rms_s=0.002)
    lines.append(
        VerdictLine(
            "wrong-times-2-ms",
            "made",
            lambda: build_line(_with_trouble(scene_design("three-sources", EXTENT), late), 1),
            USUAL,
        )
    )
    return lines


def _made(name: str) -> MadeLine:
    return build_line(scene_design(name, EXTENT), 0)


def _wave_lines() -> list[VerdictLine]:
    white, strong = (White(0.1),), (White(0.3),)
    swell = (White(0.02), SwellBursts(2.0, 0.15))
    half_ms, two_ms = Trouble(timing_error_rms_s=0.0005), Trouble(timing_error_rms_s=0.002)
    return [
        VerdictLine("wave", "wave", lambda: build_line(wave_design(6), 0), MANY),
        VerdictLine(
            "wave two sources", "wave", lambda: build_line(wave_design(7, sources=2), 1), MANY
        ),
        VerdictLine(
            "wave dither", "wave", lambda: build_line(wave_design(8, dither_s=0.05), 2), FEW
        ),
        VerdictLine(
            "wave fold 6", "wave", lambda: build_line(wave_design(9, interval_s=1.2), 3), FEW
        ),
        VerdictLine(
            "wave 0.5 ms",
            "wave",
            lambda: build_line(_with_trouble(wave_design(10), half_ms), 4),
            FEW,
        ),
        VerdictLine(
            "wave 2 ms", "wave", lambda: build_line(_with_trouble(wave_design(11), two_ms), 5), FEW
        ),
        VerdictLine(
            "wave noise", "wave", lambda: build_line(replace(wave_design(12), noise=white), 6), FEW
        ),
        VerdictLine(
            "wave loud noise",
            "wave",
            lambda: build_line(replace(wave_design(13), noise=strong), 7),
            FEW,
        ),
        VerdictLine(
            "wave swell", "wave", lambda: build_line(replace(wave_design(14), noise=swell), 8), FEW
        ),
    ]


def wave_design(
    seed: int,
    *,
    sources: int = 3,
    dither_s: float | None = None,
    interval_s: float | None = None,
    extent: Extent = WAVE_EXTENT,
) -> SceneDesign:
    """The wave-equation scene over an earth of its own."""
    design = scene_design("wave-equation", extent)
    firing = design.acquisition.firing
    if dither_s is not None:
        firing = replace(firing, dither=Dither(dither_s))
    if interval_s is not None:
        firing = replace(firing, order="sequential", interval_s=interval_s)
    acquisition = replace(
        design.acquisition, firing=firing, sources=design.acquisition.sources[:sources]
    )
    return replace(design, geology=replace(design.geology, seed=seed), acquisition=acquisition)


def _with_trouble(design: SceneDesign, trouble: Trouble) -> SceneDesign:
    return replace(design, acquisition=replace(design.acquisition, trouble=trouble))


def _recorded_lines() -> list[VerdictLine]:
    return [
        VerdictLine("two shots", "recorded", lambda: _two_shots(0.3, 1), MANY),
        VerdictLine("two shots dither", "recorded", lambda: _two_shots(0.1, 2), FEW),
        VerdictLine("receiver", "recorded", lambda: _receiver(0.5, 3), MANY),
        VerdictLine("receiver halves", "recorded", lambda: _halves(0.3, 4), FEW),
    ]


def _two_shots(dither_s: float, seed: int) -> MadeLine:
    plan = read_blend_plan(Path("examples/blend_two_shots.toml"))
    firing = msgspec.structs.replace(plan.firing, dither_s=dither_s, seed=seed)
    return blend_gathers(msgspec.structs.replace(plan, firing=firing), DATA)


def _receiver(dither_s: float, seed: int) -> MadeLine:
    """Sixty shots into one receiver, and the same in the opposite order as another source."""
    gather = _gather()
    return blended_gathers("receiver", [gather, gather[::-1]], dither_s, seed)


def _halves(dither_s: float, seed: int) -> MadeLine:
    """The first and the last thirty shots into one receiver, as two sources."""
    gather = _gather()
    return blended_gathers("receiver halves", [gather[:30], gather[30:]], dither_s, seed)


def _gather() -> np.ndarray:
    gather = np.load(DATA / "north-sea-receiver-gather.npy", allow_pickle=False)
    gather = gather - gather.mean(axis=1, keepdims=True)
    return gather[:, None].astype(np.float32)


def blended_gathers(
    name: str, gathers: list[np.ndarray], dither_s: float, seed: int, every_s: float = 5.0
) -> MadeLine:
    """A line of gathers (shot, channel, time), one a source, fired together but for a delay."""
    random = np.random.default_rng(seed)
    count, channels, length = gathers[0].shape
    nominal = np.arange(count) * every_s
    fire = np.stack([nominal + random.uniform(-dither_s, dither_s, count) for _ in gathers])
    fire_ns = np.rint((fire + 10.0) * 1e9).astype(np.int64)
    shots = make_shots(
        np.repeat(np.arange(1, len(gathers) + 1), count),
        np.tile(np.arange(count) + 1, len(gathers)),
        fire_ns.ravel(),
        "utc",
    )
    truth = np.concatenate(gathers)
    interval_ns = round(INTERVAL_S * 1e9)
    start_ns, samples = record_span(shots.fire_time_ns, length, interval_ns)
    record = blend_at(shots, truth, start_ns, interval_ns, samples)
    return MadeLine(
        name=name,
        description="Recorded gathers blended numerically.",
        recording=Recording(record, interval_s=INTERVAL_S, start=start_ns, time_scale="utc"),
        shots=shots,
        geometry=unknown_geometry(len(shots), channels),
        truth=dict(enumerate(gathers, start=1)),
        length_s=length * INTERVAL_S,
        noise_rms=None,
        true_fire_time_ns=shots.fire_time_ns,
    )
