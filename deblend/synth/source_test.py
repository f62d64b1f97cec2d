"""The source test that `deblend make` makes: four lines over one invented earth, with the answer.

Two sources in turn, which is the usual way, two together, three in turn and three together. All
lines see the same earth and the same sea; their sources differ in volume, their tracks by metres
and their streamers in feathering, as lines do that are sailed one after the other.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from deblend.files import csv_text, filling, write_text
from deblend.progress import Progress, Step, silent
from deblend.synth.acquisition import Acquisition, Streamer, TowedSource
from deblend.synth.build import SceneDesign, build_line
from deblend.synth.earths import EarthLimits, varied_earth, velocity_m_s
from deblend.synth.firing import Dither, Firing, Order
from deblend.synth.geology import Geology
from deblend.synth.noise import Background, Record
from deblend.synth.p190_write import p190_text
from deblend.synth.signature import Signature
from deblend.synth.write import write_line

Size = Literal["small", "full"]

SOURCE_TEST: Final = "source-test"
"""Its name among the scenes."""
BENCHMARK: Final = "two-in-turn"
SPEED_M_S: Final = 2.3
POINT_S: Final = 5.4
"""From one shot point to the next of lines that fire together, and of two in turn."""
REFERENCE_IN3: Final = 3000.0
"""Volume at which the signature has its gain of one."""
SEA_RMS: Final = 2e-3
"""Of the ambient noise, in the unit of the direct arrival."""
QUIET_END_S: Final = 0.35
SYSTEM: Final = "EPSG:32631"
"""Of the positions, as it would be stated; the place is nowhere."""


@dataclass(frozen=True)
class _Extent:
    points: int
    """Shot points of the lines that fire together."""
    channels: int
    length_s: float


_EXTENTS: Final[dict[Size, _Extent]] = {
    "small": _Extent(48, 16, 2.0),
    "full": _Extent(160, 60, 3.2),
}


@dataclass(frozen=True)
class LineOfTest:
    """One line of the test, in what it differs from the others."""

    name: str
    starboard_m: tuple[float, ...]
    """Of each source from the track."""
    volume_in3: float
    """Of each source."""
    order: Order
    interval_s: float
    """From one shot to the next, or from one shot point to the next where all fire together."""
    dither_s: float
    off_track_m: tuple[float, float]
    """Ahead and to starboard of where the line was planned."""
    feather_deg: float


LINES: Final = (
    LineOfTest(BENCHMARK, (-25.0, 25.0), 3000.0, "sequential", POINT_S, 0.0, (0.0, 0.0), 1.0),
    LineOfTest(
        "two-together", (-25.0, 25.0), 2400.0, "near-simultaneous", POINT_S, 0.3, (1.7, 2.4), 1.8
    ),
    LineOfTest(
        "three-in-turn", (-37.5, 0.0, 37.5), 2000.0, "sequential", 1.8, 0.2, (-2.2, -1.6), 0.3
    ),
    LineOfTest(
        "three-together",
        (-37.5, 0.0, 37.5),
        1600.0,
        "near-simultaneous",
        POINT_S,
        0.3,
        (0.8, 3.3),
        2.2,
    ),
)


@dataclass(frozen=True)
class Ambient:
    """Ambient noise of one level, however strong the sources are."""

    rms: float
    """In the unit of the direct arrival."""

    def make(self, record: Record, random: np.random.Generator) -> NDArray[np.float32]:
        """As `Background`."""
        return Background(self.rms / record.signal_rms).make(record, random)


def source_test_designs(size: Size = "small") -> tuple[SceneDesign, ...]:
    """The four lines, the benchmark first."""
    extent = _EXTENTS[size]
    limits = EarthLimits(
        last_s=extent.length_s - QUIET_END_S,
        line_m=SPEED_M_S * POINT_S * extent.points,
        layers=round(4.5 * extent.length_s),
        diffractors=round(24 * extent.length_s),
        inline_slope=0.1,
        crossline_slope=0.1,
    )
    earth = varied_earth(limits, seed=11)
    return tuple(_design(line, extent, earth) for line in LINES)


def _design(line: LineOfTest, extent: _Extent, earth: Geology) -> SceneDesign:
    ahead_m, starboard_m = line.off_track_m
    count = len(line.starboard_m)
    around_s = line.interval_s * (count if line.order == "sequential" else 1)
    words = {"sequential": "in turn", "near-simultaneous": "together"}[line.order]
    return SceneDesign(
        name=line.name,
        description=f"{count} sources of {line.volume_in3:g} cubic inches {words} every "
        f"{line.interval_s:g} s, dither {line.dither_s:g} s either way.",
        geology=earth,
        acquisition=Acquisition(
            sources=tuple(
                TowedSource(place_m + starboard_m, ahead_m, signature_of(line.volume_in3))
                for place_m in line.starboard_m
            ),
            # The reference of the streamer is the track, and its head moves with the vessel.
            streamer=Streamer(
                extent.channels,
                nearest_offset_m=120.0 - ahead_m,
                crossline_m=starboard_m,
                feather_deg=line.feather_deg,
            ),
            firing=Firing(
                line.order,
                line.interval_s,
                round(extent.points * POINT_S / around_s),
                Dither(line.dither_s),
            ),
            speed_m_s=SPEED_M_S,
            origin_x_m=512_000.0,
            origin_y_m=6_148_000.0,
            line_name=str(1001 + LINES.index(line)),
        ),
        noise=(Ambient(SEA_RMS),),
        length_s=extent.length_s,
    )


def signature_of(volume_in3: float) -> Signature:
    """What a source of a volume radiates: amplitude and bubble period go with its cube root [1]_.

    References
    ----------
    .. [1] W. Dragoset, 2000, Introduction to air guns and air-gun arrays, The Leading Edge 19(8),
       892-897.
    """
    size = (volume_in3 / REFERENCE_IN3) ** (1.0 / 3.0)
    return Signature(4.0, 45.0, 105.0, 6.0, bubble_period_s=0.13 * size, gain=size)


def write_source_test(
    folder: Path, size: Size = "small", seed: int = 0, progress: Progress = silent
) -> Path:
    """Write the four lines, each in a folder of its own, velocities and ``trial.toml``.

    `seed` is that of dither and noise; each line has its own. Returns the trial file.

    Raises
    ------
    OutputError
        If the folder is not empty or cannot be written.
    """
    designs = source_test_designs(size)
    with filling(folder) as folder:
        for number, design in enumerate(designs):
            progress(Step("make", number, len(designs), design.name))
            _write_line(design, folder / design.name, seed * len(designs) + number)
        write_text(folder / "velocities.csv", _velocity_text(designs[0].length_s))
        path = folder / "trial.toml"
        write_text(path, _trial_text())
    return path


def _write_line(design: SceneDesign, folder: Path, seed: int) -> None:
    made = build_line(design, seed)
    line_file = write_line(made, folder)
    write_text(folder / "positions.p190", p190_text(made.shots, made.geometry))
    text = line_file.read_text(encoding="utf-8")
    navigation = f'\n[navigation]\nfiles = ["positions.p190"]\nfrom_system = "{SYSTEM}"\n'
    write_text(line_file, text + navigation)
    signature = design.acquisition.sources[0].signature
    write_text(folder / "signature.csv", _signature_text(signature, design.interval_s))


def _velocity_text(length_s: float) -> str:
    """The rms velocities of the reflectors of the earth."""
    times = np.arange(0.0, length_s + 0.1, 0.1)
    rows = [(0, f"{time:.1f}", f"{velocity_m_s(float(time)):.1f}") for time in times]
    return csv_text(("position_m", "time_s", "rms_velocity_m_s"), rows)


def _signature_text(signature: Signature, interval_s: float) -> str:
    """Far-field signature with the ghost of the source, 0.5 s from the time break."""
    count = 1024
    frequency = np.asarray(np.fft.rfftfreq(count, interval_s), np.float64)
    samples = np.fft.irfft(signature.spectrum(frequency, interval_s), count)
    shown = samples[: round(0.5 / interval_s)]
    rows = [(f"{k * interval_s:.4f}", f"{value:.6g}") for k, value in enumerate(shown)]
    return csv_text(("time_s", "amplitude"), rows)


def _trial_text() -> str:
    parts = [
        "# Four lines over one ground. Lines that are not separated yet are separated first.",
        'name = "source test"',
        f"benchmark = {json.dumps(BENCHMARK)}",
        'velocities = "velocities.csv"',
    ]
    for line in LINES:
        parts += [
            "",
            "[[lines]]",
            f"name = {json.dumps(line.name)}",
            f'line = "{line.name}/line.toml"',
            f"volumes_in3 = {[line.volume_in3] * len(line.starboard_m)}",
            f'signature = "{line.name}/signature.csv"',
        ]
    return "\n".join(parts) + "\n"
