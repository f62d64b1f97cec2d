"""Bad input through the command line: one clear line, status 2, nothing left behind."""

from __future__ import annotations

import re
from collections.abc import Callable

import numpy as np
import pytest
from click.testing import Result
from small_line import CHANNEL_COUNT, INTERVAL_NS, Call, SmallLine

from deblend.synth.segy_write import write_continuous_segy


def first_record(line: SmallLine, **changes: int) -> None:
    """Write the second file of the line anew with something else in its headers."""
    channels = changes.get("channels", CHANNEL_COUNT)
    middle = line.samples.shape[1] // 2
    write_continuous_segy(
        line.folder / "records" / "1.sgy",
        np.resize(line.samples[:, middle:], (channels, line.samples.shape[1] - middle)),
        interval_ns=changes.get("interval_ns", INTERVAL_NS),
        start_ns=line.start_ns + middle * INTERVAL_NS,
        time_scale="utc",
        channel_numbers=np.arange(1, channels + 1),
    )


def no_files(line: SmallLine) -> None:
    line.rewrite("records/*.sgy", "records/*.segy")


def truncated(line: SmallLine) -> None:
    path = line.folder / "records" / "1.sgy"
    path.write_bytes(path.read_bytes()[:-100])


def headers_only(line: SmallLine) -> None:
    for path in (line.folder / "records").iterdir():
        path.write_bytes(path.read_bytes()[:3600])


def empty_file(line: SmallLine) -> None:
    (line.folder / "records" / "1.sgy").write_bytes(b"")


def zero_length(line: SmallLine) -> None:
    """Zero samples a trace, in both places where the headers say it."""
    for path in (line.folder / "records").iterdir():
        content = bytearray(path.read_bytes()[: 3600 + CHANNEL_COUNT * 480])
        content[3220:3222] = bytes(2)
        content[3268:3272] = bytes(4)
        path.write_bytes(content)


def other_interval(line: SmallLine) -> None:
    first_record(line, interval_ns=2_000_000)


def other_channels(line: SmallLine) -> None:
    first_record(line, channels=CHANNEL_COUNT - 1)


def edit_shots(old: str, new: str) -> Callable[[SmallLine], None]:
    def edit(line: SmallLine) -> None:
        path = line.folder / "shots.csv"
        text = path.read_text()
        assert re.search(old, text)
        path.write_text(re.sub(old, new, text, count=1))

    return edit


def no_table(line: SmallLine) -> None:
    line.rewrite('file = "shots.csv"', "")


def fires_twice(line: SmallLine) -> None:
    path = line.folder / "shots.csv"
    rows = path.read_text().splitlines()
    path.write_text("\n".join([*rows, rows[1]]) + "\n")


def mixed_scales(line: SmallLine) -> None:
    line.rewrite('time_scale = "utc"', 'time_scale = "gps"')


def full_folder(line: SmallLine) -> None:
    line.out.mkdir()
    (line.out / "notes.txt").write_text("mine")


def file_for_folder(line: SmallLine) -> None:
    line.out.write_text("a file")


def no_truth(line: SmallLine) -> None:
    (line.folder / "truth" / "source-2.npy").unlink()


def nothing_inside(line: SmallLine) -> None:
    path = line.folder / "shots.csv"
    path.write_text(path.read_text().replace("2025-02-03", "2025-02-04"))


def too_long(line: SmallLine) -> None:
    line.rewrite("length_s = 0.64", "length_s = 100.0")


def unknown_key(line: SmallLine) -> None:
    line.rewrite("iterations", "itterations")


def unknown_method(line: SmallLine) -> None:
    line.rewrite("[separation.settings]\npatch = [20, 1, 32]", 'method = "fkk"')


def unknown_residual(line: SmallLine) -> None:
    line.rewrite("iterations = 25", 'residual = "leaveout"')


@pytest.mark.parametrize(
    ("spoil", "message"),
    [
        (no_files, r"no file matches: \S+/records/\*\.segy"),
        (truncated, r"1\.sgy: .*(truncated|bytes)"),
        (headers_only, r"\.sgy: "),
        (empty_file, r"1\.sgy: "),
        (zero_length, r"\.sgy: .*sample"),
        (other_interval, r"1\.sgy.*2 ms|1\.sgy.*2000|1\.sgy.*interval"),
        (other_channels, r"1\.sgy.*3 channels|1\.sgy.*channel"),
        (edit_shots("fire_time", "fired"), r"shots\.csv.*fire_time"),
        (edit_shots(r"2025-02-03T", "03/02/2025 "), r"shots\.csv, line 2.*not an ISO 8601"),
        (no_table, r"line\.toml: .* names no shot table, and SEG-Y records carry no fire times"),
        (fires_twice, r"source 1 fires twice at 2025-02-03T"),
        (mixed_scales, r"(UTC|utc)"),
        (full_folder, r"separated: the output folder is not empty: it holds notes\.txt"),
        (file_for_folder, r"separated: the output folder cannot be read"),
        (no_truth, r"source-2\.npy: the true gathers cannot be read"),
        (nothing_inside, r"none of the 40 shots"),
        (too_long, r"gathers of 100\.0 s were asked of a record of"),
        (unknown_key, r"'itterations' in table \[separation\]. Did you mean 'iterations'"),
        (
            unknown_method,
            r"line\.toml, table \[separation\]: separator method 'fkk' .* Did you mean 'fk'",
        ),
        (
            unknown_residual,
            r"line\.toml: residual in table \[separation\] is 'leaveout', .* "
            r"Give \"add_to_each_shot\" or",
        ),
    ],
    ids=lambda value: getattr(value, "__name__", None),
)
def test_one_line_and_nothing_else(
    line: SmallLine, call: Call, spoil: Callable[[SmallLine], None], message: str
) -> None:
    spoil(line)
    before = sorted(line.folder.rglob("*"))
    result: Result = call("separate", line.line_file)
    assert result.exit_code == 2
    said = [row for row in result.stderr.splitlines() if row.startswith("error: ")]
    assert len(said) == 1
    assert re.search(message, said[0]), said[0]
    assert "Traceback" not in result.output
    assert "not foreseen" not in said[0]
    assert sorted(line.folder.rglob("*")) == before


@pytest.mark.parametrize("spoil", [no_files, truncated, mixed_scales, full_folder, unknown_key])
def test_check_says_so_too(line: SmallLine, call: Call, spoil: Callable[[SmallLine], None]) -> None:
    spoil(line)
    checked, separated = (call(command, line.line_file) for command in ("check", "separate"))
    assert checked.exit_code == 2
    assert checked.stderr.splitlines()[-1] == separated.stderr.splitlines()[-1]


@pytest.mark.parametrize("command", ["check", "separate"])
def test_what_cannot_be_delivered_is_refused_before_the_work(
    line: SmallLine, call: Call, command: str
) -> None:
    path = line.folder / "shots.csv"
    path.write_text(path.read_text().replace(",1007,", ",3000000000,"))
    refused = call(command, line.line_file)
    assert refused.exit_code == 2
    said = "source point 3000000000 does not fit the 4 bytes that SEG-Y gives it"
    assert said in " ".join(refused.stderr.split())
    assert not line.out.exists()
