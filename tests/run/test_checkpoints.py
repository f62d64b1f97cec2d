"""Checkpoints in files: the same bits as without a stop, and next to nothing of the time."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pytest

from deblend.run.checkpoints import FileCheckpoints
from deblend.run.stored_values import read_value, write_value
from deblend.separation.chain import Chain
from deblend.separation.checkpoint import Checkpoint
from deblend.separation.contract import Separator
from deblend.separation.job import BlockResult, Job, prepare, separate_channels
from deblend.separation.loop import IterationRecord, LoopState
from deblend.separation.methods.fk import FkThreshold
from deblend.separation.methods.joint import JointThreshold
from deblend.separation.settings import SeparationSettings
from deblend.synth.build import build_line
from deblend.synth.scenes import Extent, scene_design

ITERATIONS = 9


@dataclass
class Every:
    """Keeps a checkpoint of every iteration, and hands out one of them."""

    folder: Path
    begin: int | None = None
    written: list[int] = field(default_factory=list)

    def due(self, size_bytes: int) -> bool:
        return self.begin is None

    def write(self, checkpoint: Checkpoint) -> None:
        write_value(self.folder / f"{len(self.written)}.npz", checkpoint)
        self.written.append(len(checkpoint.loop.history))

    def read(self) -> Checkpoint | None:
        if self.begin is None:
            return None
        kept: Checkpoint = read_value(self.folder / f"{self.begin}.npz")
        return kept


def job_with_swell(method: Separator) -> Job:
    line = build_line(scene_design("swell-and-spikes", Extent(12, 6, 1.2)))
    samples = line.recording.read(range(6), 0, line.recording.shape[1])
    some = slice(1000, 2500)
    samples[2, some] += 30 * np.random.default_rng(1).standard_normal(1500).astype(np.float32)
    recording = replace(line.recording, samples=samples)
    settings = SeparationSettings(iterations=ITERATIONS, learn_floor=False)
    return prepare(recording, line.shots, length_s=1.2, method=method, settings=settings)


def assert_same(one: BlockResult, other: BlockResult) -> None:
    for name in ("estimate", "residual", "pseudo_deblended"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name))
    assert one.history == other.history
    assert one.downweighted is not None
    assert other.downweighted is not None
    np.testing.assert_array_equal(one.downweighted.band, other.downweighted.band)


@pytest.mark.parametrize(
    "method",
    [JointThreshold(patch=(8, 4, 32)), Chain(FkThreshold(patch=(8, 4, 32)), JointThreshold(), 0.1)],
    ids=["joint", "chain"],
)
def test_a_block_goes_on_from_any_iteration(method: Separator, tmp_path: Path) -> None:
    job = job_with_swell(method)
    whole = separate_channels(job, range(6))
    every = Every(tmp_path)
    assert_same(separate_channels(job, range(6), checkpoints=every), whole)
    assert every.written == [1, 2, 0, *range(1, 6), 0, *range(1, 9)]  # two fresh starts
    for number in (1, 7, 12):
        told: list[IterationRecord] = []
        again = separate_channels(job, range(6), told.append, checkpoints=Every(tmp_path, number))
        assert_same(again, whole)
        assert told[0].iteration == every.written[number]


@pytest.fixture
def kept(tmp_path: Path) -> FileCheckpoints:
    return FileCheckpoints(tmp_path / "checkpoint.npz", run="now")


def some_checkpoint() -> Checkpoint:
    nothing = np.zeros((2, 3, 4), np.float32)
    history = [IterationRecord(1, 0.5, 2.0, 3.0)]
    return Checkpoint(LoopState(nothing, nothing, nothing[0], nothing[0], history), None, ())


def test_a_checkpoint_is_read_by_its_own_run_alone(kept: FileCheckpoints) -> None:
    assert kept.read() is None
    kept.write(some_checkpoint())
    found = kept.read()
    assert found is not None
    assert list(found.loop.history) == some_checkpoint().loop.history
    assert FileCheckpoints(kept.path, run="another").read() is None
    assert not kept.path.exists()


def test_a_damaged_checkpoint_is_none(kept: FileCheckpoints) -> None:
    kept.write(some_checkpoint())
    content = bytearray(kept.path.read_bytes())
    content[len(content) // 2] ^= 1
    kept.path.write_bytes(content)
    assert kept.read() is None
    assert not kept.path.exists()


def test_checkpoints_take_an_eightieth_of_the_time(
    kept: FileCheckpoints, monkeypatch: pytest.MonkeyPatch
) -> None:
    now_s = kept._ended_s
    monkeypatch.setattr("deblend.run.checkpoints.time.monotonic", lambda: now_s)
    now_s += 119.0
    assert not kept.due(1000)
    now_s += 2.0
    assert kept.due(1000)
    assert not kept.due(1_000_000_000)  # four seconds of a usual disk
    now_s += 200.0
    assert kept.due(1_000_000_000)

    def slow(path: Path, value: object) -> None:
        nonlocal now_s
        path.write_bytes(bytes(1000))
        now_s += 5.0

    monkeypatch.setattr("deblend.run.checkpoints.write_value", slow)
    kept.write(some_checkpoint())
    now_s += 399.0
    assert not kept.due(1000)
    now_s += 2.0
    assert kept.due(1000)


def test_a_checkpoint_leaves_the_disk_to_the_run(
    kept: FileCheckpoints, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("deblend.run.checkpoints.EVERY_S", 0.0)
    monkeypatch.setattr("deblend.run.checkpoints.LARGEST_SHARE", 1e9)
    assert replace(kept, spare_bytes=10).due(10)
    assert not replace(kept, spare_bytes=1 << 60).due(10)
    assert not replace(kept, path=kept.path.parent / "gone" / "checkpoint.npz").due(10)


def test_a_disk_that_takes_no_checkpoint_ends_no_run(tmp_path: Path) -> None:
    FileCheckpoints(tmp_path / "gone" / "checkpoint.npz", run="now").write(some_checkpoint())
    assert not (tmp_path / "gone").exists()
