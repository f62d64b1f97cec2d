"""Panels of a trial beside those of a line shot without overlap, as one file and as pictures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Literal

import msgspec
import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray

from deblend.array_file import json_array, json_value, read_arrays, write_arrays
from deblend.errors import InputError
from deblend.report.dataclass_arrays import Arrays, arrays_of, restore, texts_of
from deblend.report.drawing import CLIP_PERCENTILE, fewer_samples, new_figure, plain, trace_ticks

Traces = NDArray[np.float32]
FORMAT: Final = "deblend compared panels 1"
_ROWS: Final = 420


@dataclass(frozen=True, eq=False)
class ComparedPanel:
    """Traces of one place in two lines."""

    title: str
    """What they are: ``stack``, ``midpoint gather at 1250 m``, ``common offset, near``."""
    trial_name: str
    benchmark_name: str
    """The lines."""
    trial: Traces
    benchmark: Traces
    """(trace, time): Matched in strength; sample 0 at zero two-way time or at the time break."""
    axis: NDArray[np.float64]
    """(trace,): What tells the traces apart."""
    axis_label: str
    """Its name and unit."""
    interval_s: float
    """Sample interval in seconds."""
    match: str
    """How the trial was brought to the strength of the benchmark."""
    apart_m: float
    """Root mean square distance between traces that are compared."""
    same_place: bool
    """Whether they are close enough for a difference of samples to mean something."""
    trial_sha256: str = ""
    """Checksum of the file of the trial: which run delivered it."""

    def __post_init__(self) -> None:
        shape = self.trial.shape
        if not (len(shape) == 2 and min(shape) > 0 and self.benchmark.shape == shape):
            raise InputError(f"a panel of the trial is {shape}, of the benchmark otherwise")
        if self.axis.shape != shape[:1] or not 0 < self.interval_s < 3600:
            raise InputError("the axis or the interval of a panel does not fit its traces")

    @property
    def difference(self) -> Traces:
        """Trial less benchmark."""
        return self.trial - self.benchmark


class _Text(msgspec.Struct, forbid_unknown_fields=True):
    format: Literal["deblend compared panels 1"]
    panels: list[dict[str, Any]]


def write_panels(panels: Sequence[ComparedPanel], path: Path) -> None:
    """Write panels as one ``.npz`` file; the final name appears only when it is complete."""
    text = {"format": FORMAT, "panels": [texts_of(panel) for panel in panels]}
    arrays: Arrays = {"text": json_array(text)}
    for k, panel in enumerate(panels):
        arrays |= arrays_of(panel, f"panel{k}")
    write_arrays(arrays, path)


def read_panels(path: Path) -> tuple[ComparedPanel, ...]:
    """Read what `write_panels` wrote, checked."""
    arrays = read_arrays(path)
    try:
        text = msgspec.convert(json_value(arrays["text"]), _Text)
        return tuple(
            restore(ComparedPanel, f"panel{k}", words, arrays)
            for k, words in enumerate(text.panels)
        )
    except (
        KeyError,
        ValueError,
        TypeError,
        RecursionError,
        msgspec.MsgspecError,
        InputError,
    ) as error:
        raise InputError(
            f"holds no compared panels: {error}",
            where=str(path),
            remedy="Compare the lines again.",
        ) from error


def panel_figure(panel: ComparedPanel) -> Figure:
    """Trial, benchmark and their difference side by side at one amplitude scale.

    Time runs down, positive amplitudes are dark.
    """
    figure = new_figure(5.0)
    size = np.abs(panel.benchmark[np.isfinite(panel.benchmark)])
    clip = float(np.percentile(size, CLIP_PERCENTILE)) if size.any() else 1.0
    parts = (
        (f"trial: {plain(panel.trial_name)}", panel.trial),
        (f"benchmark: {plain(panel.benchmark_name)}", panel.benchmark),
        ("trial − benchmark", panel.difference),
    )
    length_s = panel.trial.shape[1] * panel.interval_s
    for axes, (title, traces) in zip(figure.subplots(1, 3, sharey=True), parts, strict=True):
        image = axes.imshow(
            np.ma.masked_invalid(np.clip(fewer_samples(traces, _ROWS), -clip, clip)).T,
            aspect="auto",
            cmap="gray_r",
            vmin=-clip,
            vmax=clip,
            interpolation="nearest",
            extent=(-0.5, len(traces) - 0.5, length_s, 0.0),
        )
        axes.set_title(title, fontsize=10, loc="left")
        axes.set_xticks(*trace_ticks(panel.axis))
        axes.set_xlabel(plain(panel.axis_label))
    figure.axes[0].set_ylabel("time (s)")
    bar = figure.colorbar(
        image, ax=list(figure.axes), aspect=40, pad=0.01, label="amplitude, unit of the benchmark"
    )
    bar.set_ticks([-clip, 0, clip], labels=[f"−{clip:.3g}", "0", f"+{clip:.3g}"])
    figure.suptitle(
        f"{plain(panel.title)}; strength matched: {panel.match}; {panel.apart_m:.1f} m apart (rms)",
        fontsize=11,
    )
    return figure
