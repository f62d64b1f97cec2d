"""A plan through files, the command line, the simulation and back."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from deblend.cli.main import main
from deblend.errors import InputError, SettingsError
from deblend.plan.delay_table import read_delay_table
from deblend.plan.make_plan import ShotLine, make_plan
from deblend.plan.plan_file import read_plan
from deblend.plan.read_signatures import read_signatures
from deblend.plan.simulation import predict
from deblend.plan.words import SHOT_COLUMNS
from deblend.plan.write_plan import write_plan
from deblend.records.shot_table import write_shots
from deblend.synth.acquisition import Acquisition, Streamer, TowedSource, true_shots
from deblend.synth.firing import Dither, Firing
from deblend.synth.segy_write import write_continuous_segy

ROOT = Path(__file__).parents[2]
EXAMPLE = ROOT / "examples" / "plan.toml"
SMALL = """
name = "small"
[target]
record_length_s = 3.0
window_s = [1.0, 2.5]
[streamers]
count = 4
separation_m = 80.0
length_m = 1800.0
group_interval_m = 10.0
[sources]
count = 2
volume_cubic_inch = 1600.0
[firing]
scheme = "near-simultaneous"
shot_interval_m = 20.0
[dither]
law = "uniform"
range_s = 0.25
[trial]
line_length_km = 2.0
[simulation]
seeds = 2
shots = 16
channels = 8
iterations = 4
"""


def call(*arguments: object) -> Result:
    return CliRunner().invoke(main, ["plan", *(str(part) for part in arguments)])


def small(folder: Path, more: str = "") -> Path:
    path = folder / "plan.toml"
    path.write_text(SMALL + more, encoding="utf-8")
    return path


def test_the_example_makes_a_page_tables_and_firing_tables(tmp_path: Path) -> None:
    out = tmp_path / "out"
    result = call(EXAMPLE, "--out", out)
    assert result.exit_code == 3, result.output
    assert result.stdout.endswith("verdict: fail\n")
    for words in ("crossline bin", "reference: two sources", "high-pressure air", "permit"):
        assert words.lower() in result.output.lower()
    page = (out / "plan.html").read_text()
    for words in ("Formulas", "Cautions", "soft start", "11.25", "licensed practice decide"):
        assert words.lower() in page.lower()
    assert page.count("data:image/png") == 7
    assert "http://" not in page.replace("http://www.w3.org", "")
    content = json.loads((out / "plan.json").read_text())
    assert [one["name"] for one in content["alternatives"]][1] == "four in sequence"
    # 10 m at 4.6 knots take 4.2257 s, less twice 0.2 s; the last group is at 110 + 479 x 10 m
    wide = content["alternatives"][2]["usual_speed"]
    assert len(wide["offset_m"]) == len(wide["clean_record_length_s"]) == 480
    assert wide["clean_record_length_s"][-1] == pytest.approx(3.8257 + 4900 / 1500, abs=1e-3)
    # a record of 7 s every 4.2257 s: fold 2 for 0.6565 of the time, and a shot meets it more often
    seen = (0.3435 * 1 + 0.6565 * 4) / (0.3435 * 1 + 0.6565 * 2)
    assert np.mean(wide["mean_blending_fold"]) == pytest.approx(seen, abs=0.03)
    for one in content["alternatives"]:
        assert all(row["formula"] for row in one["quantities"])
    table = read_delay_table(out / "delays-two-pairs-together.csv")
    assert table.offset_s == pytest.approx(0.2)
    assert np.abs(table.delay_s).max() <= 0.2
    # every shot of a sail line has its delay: 20 km, both sources every 20 m
    assert len(table.source) == 2 * round(20_000 / 20.0)
    assert call(EXAMPLE, "--out", out).exit_code == 2


@pytest.mark.parametrize(
    ("limits", "verdict", "status"),
    [
        ("", "note", 0),
        ("limits.smallest_shot_spacing_m = 19.5\n", "fail", 3),
        ("vessel.speed_kn = [2.5, 4.5, 4.8]\n", "look", 1),
    ],
)
def test_the_exit_status_is_that_of_the_worst_finding(
    tmp_path: Path, limits: str, verdict: str, status: int
) -> None:
    plan = small(tmp_path, f'[[alternatives]]\nname = "own"\n{limits}')
    result = call(plan)
    assert result.exit_code == status, result.output
    assert result.stdout.endswith(f"verdict: {verdict}\n")
    shown = call(plan, "--json")
    assert shown.exit_code == status
    assert json.loads(shown.stdout)["verdict"] == verdict


def test_the_conventional_line_is_not_judged(tmp_path: Path) -> None:
    # Two shots of the conventional line lie 18.75 m apart, nearer than this permit allows.
    plan = small(tmp_path, "[reference]\nlimits.smallest_shot_spacing_m = 20.0\n")
    assert "fail" in {
        finding["verdict"]
        for finding in json.loads(call(plan, "--json").stdout)["alternatives"][0]["findings"]
    }
    assert call(plan).exit_code in (0, 1)


def test_json_is_json_and_keys_are_listed() -> None:
    result = call(EXAMPLE, "--json")
    assert json.loads(result.stdout)["cautions"]
    keys = call("--keys").output
    for key in ("shot_interval_m", "guns_cubic_inch", "may_swap_order", "[signatures.NAME]"):
        assert key in keys


def test_wrong_use_is_told(tmp_path: Path) -> None:
    for option in ("--delays", "--alternative"):
        wrong = call(EXAMPLE, option, tmp_path / "some")
        assert wrong.exit_code == 2
        assert f"{option} is given without --shots" in wrong.output
    result = call(tmp_path / "none.toml")
    assert result.exit_code == 2
    assert "cannot be read" in result.output


def test_predicted_separation_has_starts_spread_and_a_warning(tmp_path: Path) -> None:
    reference, both = predict(read_plan(small(tmp_path)))
    assert reference.reason.startswith("Shots do not overlap")
    assert both.snr_db.shape == (2, 2, 6)
    rows = both.rows()
    assert len(rows) == 6
    for _, start, mean, low, high in rows:
        assert low <= mean <= high
        assert start < 3.0
    assert np.mean([row[2] - row[1] for row in rows]) > 2.0
    contents = make_plan(tmp_path / "plan.toml", simulate=True)
    files = write_plan(contents, tmp_path / "out")
    assert "not a promise" in files[0].read_text()


def test_more_sources_than_the_made_earth_takes(tmp_path: Path) -> None:
    path = small(tmp_path, '[[alternatives]]\nname = "seven"\nsources.count = 7\n')
    assert "at most 6 sources" in predict(read_plan(path))[1].reason


def shots_of_a_line(folder: Path) -> Path:
    acquisition = Acquisition(
        (TowedSource(-20.0), TowedSource(20.0)),
        Streamer(8),
        Firing("near-simultaneous", 8.64, 60, Dither(0.25)),
        speed_m_s=2.315,
    )
    path = folder / "shots.csv"
    shots = true_shots(acquisition, seed=2).shots
    points = np.empty(len(shots), dtype=np.int64)
    for source in shots.sources:
        points[shots.rows_of(source)] = np.arange(60) + 1
    write_shots(path, replace(shots, shot_point=points))
    return path


def test_a_line_as_shot_is_held_against_its_plan(tmp_path: Path) -> None:
    plan, shots = small(tmp_path), shots_of_a_line(tmp_path)
    result = call(plan, "--shots", shots, "--time-scale", "utc", "--out", tmp_path / "out")
    assert result.exit_code == 0, result.output
    assert "line as shot, against small" in result.output
    assert all(name in result.output for name in SHOT_COLUMNS)  # none is cut short
    content = json.loads((tmp_path / "out" / "plan.json").read_text())
    assert [row["fired"] for row in content["line_as_shot"]["sources"]] == [60, 60]
    assert "As shot, against small" in (tmp_path / "out" / "plan.html").read_text()
    bare = tmp_path / "bare.csv"
    bare.write_text(
        "\n".join(",".join(line.split(",")[:3]) for line in shots.read_text().splitlines()),
        encoding="utf-8",
    )
    assert bare.read_text().startswith("source,shot_point,fire_time")
    blind = call(plan, "--shots", bare, "--time-scale", "utc", "--out", tmp_path / "blind")
    for text in (blind.output, (tmp_path / "blind" / "plan.html").read_text()):
        assert "Speed over ground unknown" in text
        assert "– to –" not in text
        assert "nan to" not in text
    with pytest.raises(SettingsError, match="no alternative is called 'other'"):
        make_plan(plan, shot=ShotLine(shots, "utc", "other"))


def segy_signature(path: Path) -> None:
    time = np.arange(400) * 0.0005
    pulse = 0.5 * np.exp(-0.5 * ((time - 0.02) / 0.0006) ** 2)
    write_continuous_segy(
        path,
        np.stack([0.0 * pulse, -pulse]).astype(np.float32),
        interval_ns=500_000,
        start_ns=0,
        time_scale="utc",
        channel_numbers=[1, 2],
    )


def test_a_signature_from_segy_in_bar_at_a_range(tmp_path: Path) -> None:
    segy_signature(tmp_path / "far.sgy")
    table = (
        '[signatures.far]\nfile = "far.sgy"\ntrace = 2\nunit = "bar"\nrange_m = 100.0\n'
        'positive_is = "rarefaction"\nghost = "without ghost"\n'
    )
    (one,), findings = read_signatures(read_plan(small(tmp_path, table)))
    assert one.zero_to_peak == pytest.approx(50.0, rel=1e-4)  # 0.5 bar at 100 m is 50 bar-m
    assert findings == []


@pytest.mark.parametrize(
    ("table", "message"),
    [
        ('file = "far.sgy"', "the unit of the samples is not stated"),
        ('file = "far.sgy"\nunit = "bar"', "has no distance"),
        ('file = "far.sgy"\nunit = "bar-m"\ntrace = 9', "trace 9 is asked for"),
        ('file = "far.txt"', "the sample interval is not stated"),
        ('file = "none.txt"', "cannot be read"),
    ],
)
def test_signatures_that_say_too_little(tmp_path: Path, table: str, message: str) -> None:
    segy_signature(tmp_path / "far.sgy")
    (tmp_path / "far.txt").write_text("# unit: bar-m\n" + "1\n" * 20)
    plan = read_plan(small(tmp_path, f"[signatures.far]\n{table}\n"))
    with pytest.raises(InputError, match=message):
        read_signatures(plan)


def test_a_ghost_that_is_not_stated_is_a_finding(tmp_path: Path) -> None:
    (tmp_path / "far.txt").write_text("# unit: bar-m\n# interval_ms: 1\n" + "1\n2\n1\n0\n" * 5)
    plan = read_plan(small(tmp_path, '[signatures.far]\nfile = "far.txt"\n'))
    _, findings = read_signatures(plan)
    assert [finding.metric for finding in findings] == ["signature_ghost_not_stated"]
