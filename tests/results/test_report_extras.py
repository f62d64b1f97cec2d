"""What lies beside a run comes into its report, and what is too large or foreign does not."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from deblend.array_file import write_arrays
from deblend.errors import InputError
from deblend.files import sha256_of
from deblend.model.findings import findings_csv
from deblend.qc.injected_rows import injected_csv
from deblend.report.panels import ComparedPanel, write_panels
from deblend.results import report_extras
from deblend.results.checked_manifest import line_identity, renew_record
from deblend.results.output_folder import INJECTION, INJECTION_FINDINGS, INJECTION_LINE, MAPS
from deblend.results.report_extras import read_extras


def write_maps(folder: Path, **changes: np.ndarray) -> None:
    shape = (3, 2, 2)
    kept = np.full((*shape, 100), 2.0, np.float32)
    kept[..., 0] = np.nan  # below the lowest frequency measured
    arrays = {
        "source": np.array([1, 2, 1]),
        "shot_point": np.arange(3),
        "channel": np.array([5, 6]),
        "window_start": np.array([0.0, 1.0]),
        "window_stop": np.array([1.0, 2.0]),
        "local_similarity": np.zeros(shape, np.float32),
        "kept_energy_by_octave": kept,
        "removed_energy_by_octave": 10 * kept,
    }
    write_arrays(arrays | changes, folder / MAPS)


def test_maps_are_read_and_energies_become_a_ratio(tmp_path: Path) -> None:
    assert read_extras(tmp_path).maps is None
    write_maps(tmp_path)
    maps = read_extras(tmp_path).maps
    assert maps is not None
    assert list(maps.values) == ["local_similarity", "removed_over_kept"]
    np.testing.assert_allclose(maps.values["removed_over_kept"], 10.0, rtol=1e-6)  # ten times, dB
    assert maps.windows_s == ((0.0, 1.0), (1.0, 2.0))


def test_maps_that_are_too_large_are_left_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_maps(tmp_path)
    monkeypatch.setattr(report_extras, "MOST_BYTES", 1100)
    maps = read_extras(tmp_path).maps
    assert maps is not None
    assert list(maps.values) == ["local_similarity"]
    monkeypatch.setattr(report_extras, "MOST_BYTES", 100)
    assert read_extras(tmp_path).maps is None


def test_damaged_maps_and_foreign_files_are_refused(tmp_path: Path) -> None:
    write_maps(tmp_path, local_similarity=np.zeros((3, 2, 1), np.float32))
    with pytest.raises(InputError, match="do not have the shape"):
        read_extras(tmp_path)
    (tmp_path / MAPS).write_bytes(b"PK")
    with pytest.raises(InputError, match="cannot be read"):
        read_extras(tmp_path)
    (tmp_path / MAPS).unlink()
    with pytest.raises(InputError, match="no table with panels beside it"):
        read_extras(tmp_path, [tmp_path])


def test_an_injection_into_another_line_is_refused(tmp_path: Path) -> None:
    sources, points = np.array([1, 2, 1]), np.array([101, 102, 103])
    own, other = (line_identity(sources, points, start_ns) for start_ns in (0, 10**9))
    (tmp_path / INJECTION).write_text(injected_csv([]))
    (tmp_path / INJECTION_FINDINGS).write_text(findings_csv([]))
    with pytest.raises(InputError, match=f"holds no {INJECTION_LINE}"):
        read_extras(tmp_path, [tmp_path], own)
    (tmp_path / INJECTION_LINE).write_text(own + "\n")
    assert read_extras(tmp_path, [tmp_path], own).injected == ()
    with pytest.raises(InputError, match="an injection into another line"):
        read_extras(tmp_path, [tmp_path], other)


def test_a_benchmark_of_another_trial_is_refused(tmp_path: Path) -> None:
    trial, table = tmp_path / "source-1.sgy", tmp_path / "benchmark.csv"
    trial.write_bytes(b"samples")
    (tmp_path / "manifest.json").write_text('{"outputs": []}')
    renew_record(tmp_path, trial)
    traces = np.zeros((2, 3), np.float32)
    panel = ComparedPanel(
        "stack", "a", "b", traces, traces, np.arange(2.0), "m", 0.004, "none", 0.0, True,
        sha256_of(trial),
    )  # fmt: skip
    table.write_text(findings_csv([]))
    write_panels([panel], table.with_suffix(".npz"))
    assert read_extras(tmp_path, [table]).panels[0].title == "stack"
    trial.write_bytes(b"another")
    renew_record(tmp_path, trial)
    with pytest.raises(InputError, match="its trial is no file that this run delivered"):
        read_extras(tmp_path, [table])
