from pathlib import Path

import pytest

from deblend.errors import InputError, SettingsError
from deblend.synth.acquisition import Acquisition, Streamer, TowedSource
from deblend.synth.arrivals import Decay, DirectArrival
from deblend.synth.build import SceneDesign, build_line
from deblend.synth.firing import Dither, Firing
from deblend.synth.geology import Geology
from deblend.synth.multiples import GuidedWaves, Multiple
from deblend.synth.noise import White
from deblend.synth.reflectors import Fault, Reflector, Surface
from deblend.synth.scene_file import read_scene_file
from deblend.synth.signature import Signature

SCENE = """
name = "mine"
length_s = 1.2

[decay]
loss_db = 45.0
first_s = 0.1
last_s = 1.0

[[geology]]
piece = "DirectArrival"
[[geology]]
piece = "Reflector"
label = "bottom"
strength = 0.4
velocity_m_s = 1500
surface = {depth_m = 150.0, crossline_slope = 0.02}
faults = [{inline_m = 20.0, throw_m = 10.0}]
[[geology]]
piece = "Multiple"
bounces = ["bottom", "bottom"]
[[geology]]
piece = "GuidedWaves"
water_depth_m = 150.0
strength = 0.05

[[noise]]
piece = "White"
level = 0.1

[acquisition]
sources = [{crossline_m = -25.0}, {crossline_m = 25.0, signature = {depth_m = 5.0}}]
streamer = {channel_count = 3}
firing = {order = "sequential", interval_s = 0.8, shots_per_source = 4, dither = {range_s = 0.1}}
"""


def written(folder: Path, text: str = SCENE) -> Path:
    path = folder / "scene.toml"
    path.write_text(text)
    return path


def test_a_file_makes_the_same_plan_as_python(tmp_path: Path) -> None:
    bottom = Reflector(Surface(150.0, crossline_slope=0.02), 0.4, 1500, faults=(Fault(20.0, 10.0),))
    expected = SceneDesign(
        "mine",
        "",
        Geology(
            (DirectArrival(), bottom, Multiple((bottom, bottom))),
            Decay(45.0, 0.1, 1.0),
            (GuidedWaves(150.0, 0.05),),
        ),
        Acquisition(
            (TowedSource(-25.0), TowedSource(25.0, signature=Signature(depth_m=5.0))),
            Streamer(3),
            Firing("sequential", 0.8, 4, Dither(0.1)),
        ),
        (White(0.1),),
        1.2,
    )
    plan = read_scene_file(written(tmp_path))
    assert plan == expected
    assert build_line(plan).gathers.shape == (8, 3, 300)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('piece = "White"', 'piece = "Wite"', "noise 1: piece 'Wite' is not known.*'White'"),
        ('piece = "White"', "", "piece None is not known"),
        ('"DirectArrival"', '"Spikes"', "geology 1: piece 'Spikes' is not known"),
        ("throw_m", "trow_m", "faults: unknown key 'trow_m'.*'throw_m'"),
        ("range_s", "rnge_s", "dither: unknown key 'rnge_s'.*'range_s'"),
        ("channel_count", "channels", "unknown key 'channels'"),
        ("length_s = 1.2", "lenth_s = 1.2", "unknown key 'lenth_s'.*'length_s'"),
        ("length_s = 1.2", "", "key 'length_s' is missing"),
        ("length_s = 1.2", 'length_s = "long"', "'long' is no number"),
        ('["bottom", "bottom"]', '["top", "bottom"]', "no Reflector has the label 'top'"),
        ("level = 0.1", 'level = "high"', r"noise 1 \(White\): a value cannot be used: expected"),
        ("[decay]", "[decay", "this is no TOML text"),
        ("streamer = {channel_count = 3}", "streamer = 3", "streamer: this is no table"),
        ("[[noise]]", "[noise]", "this is no list of tables"),
    ],
)
def test_what_a_scene_file_gets_wrong(tmp_path: Path, old: str, new: str, message: str) -> None:
    assert old in SCENE
    with pytest.raises(SettingsError, match=message):
        read_scene_file(written(tmp_path, SCENE.replace(old, new)))


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("channel_count = 3", "channel_count = 0", "acquisition: a streamer of 0 channels"),
        ("loss_db = 45.0", "loss_db = 5.0", "decay: a loss of 5"),
        ('["bottom", "bottom"]', '["bottom"]', r"geology 3 \(Multiple\): a multiple with 1"),
    ],
)
def test_impossible_values_name_their_place(
    tmp_path: Path, old: str, new: str, message: str
) -> None:
    with pytest.raises(InputError, match=message):
        read_scene_file(written(tmp_path, SCENE.replace(old, new)))


def test_a_scene_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="cannot be read"):
        read_scene_file(tmp_path / "none.toml")
