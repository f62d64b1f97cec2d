"""Silence in a line is stored like anything else, and what the store loses is never delivered."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from small_line import FAIL, LOOK, Call, SmallLine, make_small_line

from deblend.memory import PROGRAM_BYTES
from deblend.results.output_folder import UNFINISHED
from deblend.run import unfinished
from deblend.separation.job import BlockResult, Job

FOUR_BLOCKS = ("--memory-gb", (PROGRAM_BYTES + 400_000) / 1e9)
Samples = NDArray[np.float32]
pytestmark = pytest.mark.usefixtures("plain_page")


@pytest.fixture
def line(tmp_path: Path) -> SmallLine:
    line = make_small_line(tmp_path / "line")
    line.rewrite("iterations = 25", "iterations = 2\nrobust = false")
    return line


def long_gap(samples: Samples) -> Samples:
    return np.where(np.arange(samples.shape[1]) // 1500 == 1, np.float32(np.nan), samples)


def dead_channels(samples: Samples) -> Samples:
    return samples * (np.arange(len(samples)) == 0)[:, None].astype(np.float32)


def silence(samples: Samples) -> Samples:
    return np.zeros_like(samples)


def constant(samples: Samples) -> Samples:
    return np.full_like(samples, 3.0)


def almost_nothing(samples: Samples) -> Samples:
    return np.full_like(samples, 1e-30)


@pytest.mark.parametrize(
    ("spoil", "status"),
    [
        (long_gap, FAIL),
        (dead_channels, FAIL),
        (silence, LOOK),
        (constant, LOOK),
        (almost_nothing, LOOK),
    ],
)
def test_a_line_with_silence_in_it_runs(
    line: SmallLine,
    call: Call,
    spoil: Callable[[Samples], Samples],
    status: int,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # A chunk that holds nothing but silence.
    monkeypatch.setattr("deblend.run.staging.CHUNK_SAMPLES", 512)
    line.write_records(spoil(line.samples))
    done = call("separate", line.line_file)
    assert done.exit_code == status, done.stderr


def lose_file(path: Path) -> None:
    path.unlink()


def damage_file(path: Path) -> None:
    content = bytearray(path.read_bytes())
    content[100] ^= 1
    path.write_bytes(content)


@pytest.fixture
def separated(line: SmallLine, call: Call) -> SmallLine:
    """A line whose blocks are finished and not delivered."""
    assert call("separate", line.line_file, "--prepare", *FOUR_BLOCKS).exit_code == 0
    for block in range(4):
        assert call("separate", line.line_file, "--block", block).exit_code == 0
    return line


def chunk_of(line: SmallLine, channel: int) -> Path:
    """A file of the estimates of a channel."""
    stored = line.out / UNFINISHED / "estimates.zarr" / "span-0" / "source-1"
    return stored / "c" / "0" / str(channel) / "0"


def cut_file(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:1000])


def empty_file(path: Path) -> None:
    path.write_bytes(b"")


SPOILT = [lose_file, damage_file, cut_file, empty_file]


@pytest.mark.parametrize("spoil", SPOILT)
def test_a_spoilt_chunk_is_not_delivered(
    separated: SmallLine, call: Call, spoil: Callable[[Path], None]
) -> None:
    chunk = chunk_of(separated, 2)
    content = chunk.read_bytes()
    spoil(chunk)
    refused = call("separate", separated.line_file, "--finish")
    assert refused.exit_code == 2
    said = (
        "1 of 4 blocks missing: 2; the working store lost, or holds damaged, files of 1 finished "
        "block: 2."
    )
    assert said in " ".join(refused.stderr.split())
    assert not (separated.out / "delivered").exists()
    assert call("separate", separated.line_file, "--block", 2).exit_code == 0
    assert chunk.read_bytes() == content
    assert call("separate", separated.line_file, "--finish").exit_code == FAIL


def measures_of(line: SmallLine, block: int) -> Path:
    return line.out / UNFINISHED / "blocks" / f"block-{block:05d}.npz"


@pytest.mark.parametrize("file_of", [chunk_of, measures_of])
@pytest.mark.parametrize("spoil", [damage_file, empty_file])
def test_the_same_command_makes_a_spoilt_block_again_and_no_other(
    separated: SmallLine,
    call: Call,
    monkeypatch: pytest.MonkeyPatch,
    spoil: Callable[[Path], None],
    file_of: Callable[[SmallLine, int], Path],
) -> None:
    spoil(file_of(separated, 1))
    made: list[int] = []
    original = unfinished.separate_channels

    def separate(job: Job, channels: range, *others: Any) -> BlockResult:
        made.append(channels.start)
        return original(job, channels, *others)

    monkeypatch.setattr(unfinished, "separate_channels", separate)
    done = call("separate", separated.line_file)
    assert done.exit_code == FAIL
    said = "lost, or holds damaged, files of 1 finished block: 1; separating again"
    assert said in " ".join(done.stderr.split())
    assert made == [1]


def test_damage_while_a_run_finishes_is_not_delivered(
    separated: SmallLine, call: Call, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("deblend.run.unfinished.is_whole", lambda *_: True)
    damage_file(chunk_of(separated, 1))
    refused = call("separate", separated.line_file, "--finish")
    assert refused.exit_code == 2
    said = "a file of the working store holds damage"
    assert said in " ".join(refused.stderr.split())
    assert "Give the same command again" in " ".join(refused.stderr.split())
    assert not (separated.out / "delivered").exists()


@pytest.mark.parametrize("spoil", SPOILT)
def test_a_record_that_is_spoilt_in_the_store_is_read_again(
    separated: SmallLine, call: Call, spoil: Callable[[Path], None]
) -> None:
    spoil(separated.out / UNFINISHED / "records.zarr" / "c" / "0" / "0")
    done = call("separate", separated.line_file)
    assert done.exit_code == FAIL, done.stderr
    said = "the working store lost or holds damaged files of the record: reading it again"
    assert said in " ".join(done.stderr.split())
    assert "4 of 4 blocks finished" in " ".join(done.stderr.split())


@pytest.mark.parametrize("spoil", SPOILT)
def test_a_record_that_lost_a_chunk_is_not_separated(
    line: SmallLine, call: Call, spoil: Callable[[Path], None]
) -> None:
    assert call("separate", line.line_file, "--prepare", *FOUR_BLOCKS).exit_code == 0
    spoil(line.out / UNFINISHED / "records.zarr" / "c" / "0" / "0")
    refused = call("separate", line.line_file, "--block", 0)
    assert refused.exit_code == 2
    assert "a file of the working store" in " ".join(refused.stderr.split())


def test_an_impossible_sample_is_named_by_run_and_check(line: SmallLine, call: Call) -> None:
    samples = line.samples.copy()
    samples[0, 700] = 1e30
    line.write_records(samples)
    said = "channel 1 at 2025-02-03T04:05:09.050000Z (1e+30)"
    checked = call("check", "--with-samples", line.line_file)
    assert said in " ".join(checked.stdout.split())
    done = call("separate", line.line_file, *FOUR_BLOCKS)
    assert done.exit_code == FAIL, done.stderr
    (row,) = [text for text in (line.out / "findings.csv").read_text().splitlines() if said in text]
    assert row.startswith("impossible_samples")
