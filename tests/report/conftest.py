"""A small invented line as the contents of a page."""

from __future__ import annotations

import numpy as np
import pytest

from deblend.model.findings import Finding
from deblend.report.contents import Acquisition, Contents, Convergence, GatherSection


def invented_section(source: int | str = 1, *, truth: bool = True) -> GatherSection:
    random = np.random.default_rng(5)
    shape = (24, 101)
    answer = random.standard_normal(shape).astype(np.float32)
    before = answer + 2 * random.standard_normal(shape).astype(np.float32)
    return GatherSection(
        source=source,
        kind="common channel",
        number=17,
        axis=1001.0 + 4 * np.arange(24),
        axis_label="shot point",
        before=before,
        after=answer + np.float32(0.1) * before,
        truth=answer if truth else None,
        interval_s=0.004,
        live=np.arange(24) != 7,
    )


def invented_acquisition() -> Acquisition:
    random = np.random.default_rng(6)
    count = 96
    start = 1_750_000_000 * 10**9
    nominal = np.arange(count) * 2.5e9
    delivered = np.ones(count, np.bool_)
    delivered[[0, 5]] = False
    return Acquisition(
        source=1 + np.arange(count) % 4,
        shot_point=1001 + np.arange(count),
        fire_time_ns=start + (nominal + random.uniform(-2e8, 2e8, count)).astype(np.int64),
        time_scale="gps",
        delivered=delivered,
        fold=random.integers(0, 5, 3000).astype(np.int32),
        fold_interval_s=0.1,
        fold_start_ns=start,
        reason=np.where(delivered, "", "partly outside the record"),
    )


def invented_findings() -> tuple[Finding, ...]:
    rows = [Finding("dead_channel", float("nan"), "", "look", "Channel 3 is dead.", channel=3)]
    for source in (1, 2, 3, 4):
        for window in (None, (0.0, 0.2), (0.2, 0.4)):
            for metric, value in (
                ("snr", 20.123 + source),
                ("snr_start", -4.7),
                ("snr_noise_limit", 35.5),
            ):
                rows.append(
                    Finding(metric, value, "dB", "note", "made up", source=source, window_s=window)
                )
    return tuple(rows)


@pytest.fixture(scope="session")
def contents() -> Contents:
    iteration = np.arange(1, 21)
    return Contents(
        title="Invented line 7",
        sections=(invented_section(1), invented_section(2, truth=False)),
        acquisition=invented_acquisition(),
        convergence=(
            Convergence(iteration, -2.0 * iteration, 0.8**iteration, "channels 1-8"),
            Convergence(iteration, -1.8 * iteration, 0.8**iteration, "channels 9-16"),
        ),
        findings=invented_findings(),
        settings={"method": "fk", "iterations": "20"},
        provenance={"deblend": "0.1.0"},
        amplitude_unit="µbar",
    )
