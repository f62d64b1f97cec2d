"""The standard scenes of `deblend make`: lines with the answer, from easy to hard."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from typing import Final, Literal, get_args

from deblend.errors import InputError
from deblend.synth.acquisition import Acquisition, Streamer, TowedSource
from deblend.synth.arrivals import Diffractor, EarthPart
from deblend.synth.build import SceneDesign, build_line
from deblend.synth.earths import EarthLimits, varied_earth
from deblend.synth.firing import Dither, Firing, Order, Trouble
from deblend.synth.line import MadeLine
from deblend.synth.noise import (
    Background,
    Noise,
    OtherVessel,
    PropellerTone,
    Spikes,
    SwellBursts,
    Tugging,
    White,
)
from deblend.synth.reflectors import Reflector, Surface
from deblend.synth.signature import Signature
from deblend.synth.wave_earth import FastBody, WaveEarth
from deblend.words import did_you_mean

Size = Literal["small", "full"]


@dataclass(frozen=True)
class Extent:
    """How large a scene is."""

    shots_per_source: int
    channels: int
    """Counts."""
    length_s: float
    """Of the gathers."""


EXTENTS: Final[dict[Size, Extent]] = {
    "small": Extent(48, 8, 2.4),
    "full": Extent(108, 20, 3.2),
}
SPEED_M_S: Final = 2.3
NO_TROUBLE: Final = Trouble()
QUIET_END_S: Final = 0.35
"""From the deepest event to the end of the gathers, for the tail of the signature."""


def make_scene(name: str, size: Size = "small", seed: int = 0) -> MadeLine:
    """Make a standard scene, one of `scene_names`.

    Small takes seconds to separate, full about a minute. `seed` is that of dither, noise and
    trouble; the earth belongs to the scene.

    Raises
    ------
    InputError
        If the name or the size is not known.
    """
    return build_line(scene_design(name, size), seed)


def scene_names() -> tuple[str, ...]:
    """Names of the standard scenes."""
    return tuple(_SCENES)


def signal_windows_s(line: MadeLine, count: int = 6) -> list[tuple[float, float]]:
    """Equal windows from the time break to the deepest event of a standard scene, in seconds."""
    step = (line.length_s - QUIET_END_S) / count
    return [(k * step, (k + 1) * step) for k in range(count)]


def scene_design(name: str, size: Size | Extent = "small") -> SceneDesign:
    """What a standard scene is made of, to be changed in one thing or in extent."""
    if name not in _SCENES:
        remedy = did_you_mean(name, _SCENES, f"Scenes: {', '.join(_SCENES)}.")
        raise InputError(f"scene {name!r} is not known", remedy=remedy)
    if not isinstance(size, Extent):
        if size not in get_args(Size):
            raise InputError(f"size {size!r} is not known", remedy="Use small or full.")
        size = EXTENTS[size]
    return replace(_SCENES[name](size), name=name)


def _design(
    description: str,
    sources: tuple[TowedSource, ...],
    extent: Extent,
    *,
    order: Order = "near-simultaneous",
    interval_s: float = 5.4,
    overlap: float | None = None,
    dither_s: float = 0.3,
    loss_db: float = 50.0,
    trouble: Trouble = NO_TROUBLE,
    noise: tuple[Noise, ...] = (),
    feather_deg: float = 1.5,
    more: tuple[EarthPart, ...] = (),
) -> SceneDesign:
    """A line over the standard earth and `more` parts, cut to the extent.

    `overlap` is the length of the gathers over the interval, in place of `interval_s`.
    """
    if overlap is not None:
        interval_s = extent.length_s / overlap
    turn = len(sources) if order == "sequential" else 1
    limits = EarthLimits(
        last_s=extent.length_s - QUIET_END_S,
        line_m=SPEED_M_S * interval_s * turn * extent.shots_per_source,
        loss_db=loss_db,
        layers=round(4.5 * extent.length_s),
        diffractors=round(48 * extent.length_s),
    )
    earth = varied_earth(limits, seed=4)
    return SceneDesign(
        name="",
        description=description,
        geology=replace(earth, parts=(*earth.parts, *more)),
        acquisition=Acquisition(
            sources=sources,
            streamer=Streamer(extent.channels, 12.5, 140.0, 8.0, feather_deg=feather_deg),
            firing=Firing(order, interval_s, extent.shots_per_source, Dither(dither_s)),
            trouble=trouble,
            speed_m_s=SPEED_M_S,
        ),
        noise=noise,
        length_s=extent.length_s,
    )


def _abreast(count: int, separation_m: float = 50.0) -> tuple[TowedSource, ...]:
    """Like sources side by side, centred on the track."""
    signature = Signature(4.0, 45.0, 105.0, 6.0, bubble_period_s=0.13)
    return tuple(
        TowedSource((number - 0.5 * (count - 1)) * separation_m, signature=signature)
        for number in range(count)
    )


def _wave_equation(extent: Extent) -> SceneDesign:
    """The firing of the scene with three sources, at lower frequencies, in computed waves."""
    # Both ghosts come from the sea surface of the model.
    signature = Signature(4.0, 16.0, 33.0, 6.0, surface_coefficient=0.0, bubble_period_s=0.13)
    sources = tuple(replace(source, signature=signature) for source in _abreast(3))
    design = _design(
        "Three sources near-simultaneous, dither 0.3 s either way, acoustic waves of up to 33 Hz "
        "by finite differences: faults, a fast body and random scatterers.",
        sources,
        extent,
    )
    firing, streamer = design.acquisition.firing, design.acquisition.streamer
    line_m = SPEED_M_S * firing.interval_s * extent.shots_per_source
    behind_m = streamer.nearest_offset_m + streamer.group_interval_m * streamer.channel_count
    earth = WaveEarth(
        inline_m=(-behind_m - 10.0, line_m + 10.0),
        depth_m=820.0 * (extent.length_s - QUIET_END_S),
        body=FastBody(0.4 * line_m, 330.0 * extent.length_s),
        layers=round(4.5 * extent.length_s),
        scatterers=round(0.2 * (line_m + behind_m) * extent.length_s),
        seed=6,
    )
    return replace(design, geology=earth)


_UNLIKE_SIGNATURES: Final = (
    Signature(4.0, 45.0, 105.0, 6.0, bubble_period_s=0.130),
    Signature(6.0, 60.0, 108.0, 5.0, bubble_period_s=0.092, primary_to_bubble=9.0, gain=0.5),
    Signature(3.0, 30.0, 90.0, 9.0, bubble_period_s=0.171, primary_to_bubble=25.0, gain=0.25),
)

_SCENES: Final[dict[str, Callable[[Extent], SceneDesign]]] = {
    "two-sources": partial(
        _design,
        "Two sources near-simultaneous, dither 0.3 s either way.",
        _abreast(2),
    ),
    "three-sources": partial(
        _design,
        "Three sources near-simultaneous, dither 0.3 s either way.",
        _abreast(3),
    ),
    "five-in-turn": partial(
        _design,
        "Five sources in turn at blending fold 6, dither 0.2 s either way.",
        _abreast(5, 25.0),
        order="sequential",
        overlap=6.0,
        dither_s=0.2,
    ),
    "long-records": partial(
        _design,
        "Three sources near-simultaneous, records 1.5 times the shot interval, 60 dB from the "
        "direct arrival to the deepest event.",
        _abreast(3),
        overlap=1.5,
        loss_db=60.0,
    ),
    "unlike-sources": partial(
        _design,
        "Three sources of other strength, depth, bandwidth and bubble, far apart; one reflector "
        "and one diffractor are seen by a single source each.",
        (
            TowedSource(-90.0, 0.0, _UNLIKE_SIGNATURES[0]),
            TowedSource(15.0, 4.0, _UNLIKE_SIGNATURES[1]),
            TowedSource(110.0, -3.0, _UNLIKE_SIGNATURES[2]),
        ),
        more=(
            Reflector(Surface(640.0, 0.06, -0.12), 0.6, 1780.0, seen_by=(2,)),
            Diffractor(250.0, 180.0, 980.0, 1.2, 1850.0, seen_by=(3,)),
        ),
    ),
    "white-noise": partial(
        _design,
        "Three sources near-simultaneous under white noise of 10 % of the signal rms.",
        _abreast(3),
        loss_db=40.0,
        noise=(White(0.1),),
    ),
    "swell-and-spikes": partial(
        _design,
        "Three sources near-simultaneous; swell bursts of 2 to 10 Hz on 15 % of the traces and "
        "spikes on 0.5 % of the samples, over white noise of 2 %.",
        _abreast(3),
        loss_db=40.0,
        noise=(White(0.02), SwellBursts(2.0, 0.15), Spikes(10.0, 0.005)),
    ),
    "wrong-times": partial(
        _design,
        "Three sources near-simultaneous; the fire times of the table are wrong by 0.5 ms rms.",
        _abreast(3),
        trouble=Trouble(timing_error_rms_s=0.0005),
    ),
    "small-dither": partial(
        _design,
        "Three sources near-simultaneous with a dither of only 0.05 s either way.",
        _abreast(3),
        dither_s=0.05,
    ),
    "gaps-and-misfires": partial(
        _design,
        "Four sources that fire at random, each on its own; misfires, two gaps in the record, "
        "six degrees of feathering, white noise of 1 %.",
        _abreast(4, 40.0),
        order="random",
        trouble=Trouble(misfires=5, gaps_s=((41.0, 0.8), (97.3, 2.5))),
        noise=(White(0.01),),
        feather_deg=6.0,
    ),
    "traffic": partial(
        _design,
        "Three sources near-simultaneous; ambient noise, tugging on the front channels, propeller "
        "tones and the shots of another vessel.",
        _abreast(3),
        loss_db=40.0,
        noise=(
            Background(0.02),
            Tugging(0.5, reach_channels=3.0),
            PropellerTone(0.05),
            OtherVessel(0.08, interval_s=9.7),
        ),
    ),
    "wave-equation": _wave_equation,
}
