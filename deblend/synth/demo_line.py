"""The line that `deblend demo` makes: four sources in turn over an invented bay."""

from __future__ import annotations

from deblend.model.timebase import parse_instant
from deblend.synth.acquisition import Acquisition, Streamer, TowedSource
from deblend.synth.arrivals import Decay, DiffractorCloud, DirectArrival
from deblend.synth.build import SceneDesign
from deblend.synth.firing import Dither, Firing
from deblend.synth.geology import Geology
from deblend.synth.multiples import GuidedWaves, Multiple
from deblend.synth.noise import Background, SwellBursts
from deblend.synth.reflectors import Fault, Reflector, Surface
from deblend.synth.signature import Signature

SHOTS_PER_SOURCE = 64


def demo_design() -> SceneDesign:
    """Four sources that fire in turn every 1.25 s into records of 3.1 s."""
    return SceneDesign(
        name="herringbone-bay-07",
        description="Four sources in turn every 1.25 s with a dither of 0.24 s either way; "
        "the gathers are 3.1 s long, so that two to three shots overlap at any time.",
        geology=_geology(),
        acquisition=_acquisition(),
        noise=(Background(0.012), SwellBursts(0.05, 0.03)),
        length_s=3.1,
    )


def _geology() -> Geology:
    sea_bed = Reflector(Surface(92.0, 0.004, 0.012, 1.5, 900.0, 20.0), 0.34, 1500.0)
    faults = (Fault(260.0, 24.0, 18.0), Fault(640.0, -37.0, -9.0))
    layers = (
        Reflector(Surface(310.0, 0.03, -0.05, 6.0, 700.0, 35.0), 0.55, 1580.0),
        Reflector(Surface(560.0, -0.05, 0.08, 12.0, 1100.0, -25.0), -0.5, 1660.0, faults),
        Reflector(Surface(905.0, 0.08, 0.04, 16.0, 1500.0, 60.0), 0.8, 1790.0, faults),
        Reflector(Surface(1290.0, -0.03, -0.09, 20.0, 1900.0, 10.0), 0.7, 1930.0, faults[:1]),
        Reflector(Surface(1750.0, 0.06, 0.06, 0.0), -0.9, 2080.0, faults[1:]),
        Reflector(Surface(2260.0, 0.02, -0.03, 25.0, 2600.0, 45.0), 1.0, 2230.0),
        Reflector(Surface(2790.0, -0.07, 0.05, 18.0, 2200.0, -40.0), -0.8, 2370.0, faults),
        Reflector(Surface(3330.0, 0.04, -0.06, 30.0, 3100.0, 15.0), 1.0, 2490.0),
    )
    span = (-250.0, 950.0)
    return Geology(
        parts=(
            DirectArrival(),
            sea_bed,
            *layers,
            Multiple((sea_bed, sea_bed)),
            Multiple((sea_bed, sea_bed, sea_bed)),
            Multiple((sea_bed, layers[1])),
            Multiple((layers[0], layers[0])),
            Multiple((sea_bed, layers[2])),
            DiffractorCloud(10, span, (-320.0, 320.0), (90.0, 420.0), 0.14, (1510.0, 1620.0), 11),
            DiffractorCloud(32, span, (-520.0, 520.0), (450.0, 3300.0), 0.35, (1640.0, 2480.0), 12),
        ),
        decay=Decay(loss_db=44.0, first_s=0.11, last_s=2.8),
        guided=(GuidedWaves(92.0, 0.05),),
    )


def _acquisition() -> Acquisition:
    starboard = (-67.5, -22.5, 22.5, 67.5)
    volumes_period_s = (0.128, 0.131, 0.126, 0.13)
    sources = tuple(
        TowedSource(
            crossline,
            signature=Signature(4.0, 38.0, 95.0, 6.5, bubble_period_s=period),
        )
        for crossline, period in zip(starboard, volumes_period_s, strict=True)
    )
    return Acquisition(
        sources=sources,
        streamer=Streamer(28, 12.5, 165.0, 9.0, crossline_m=15.0, feather_deg=2.5),
        firing=Firing("sequential", 1.25, SHOTS_PER_SOURCE, Dither(0.24)),
        speed_m_s=2.1,
        start_ns=parse_instant("2024-03-19T05:41:08.350", "gps"),
        time_scale="gps",
        heading_deg=63.0,
        origin_x_m=437_200.0,
        origin_y_m=6_214_850.0,
        line_name="1064",
        first_shot_point=2041,
    )
