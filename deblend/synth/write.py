"""A made line on disk, as field data would come, with the answer in a folder beside it."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from deblend.errors import InputError, reason_of
from deblend.files import filling, replacing, write_text
from deblend.model.recording import UNKNOWN_UNIT, Recording
from deblend.model.shots import Shots
from deblend.records.shot_table import write_shots
from deblend.synth.line import MadeLine
from deblend.synth.segd_write import write_continuous_segd
from deblend.synth.segy_write import write_continuous_segy
from deblend.words import counted

RecordFormat = Literal["segy", "segd"]


def write_line(
    line: MadeLine,
    folder: str | Path,
    *,
    slice_s: float = 150.0,
    record_format: RecordFormat = "segy",
) -> Path:
    """Write a line: ``records/``, ``shots.csv``, ``truth/`` and ``line.toml``.

    The folder is made if absent, and must be empty. Files are `slice_s` long and also end at each
    gap: SEG-Y revision 2, or SEG-D revision 3.1 with the shots as source events. The line file
    names the shot table only where those events do not say everything about the shots.

    Raises
    ------
    InputError
        If the line does not fit into SEG-D.
    TimeError
        If it is to be SEG-D and its times are not whole microseconds of GPS time.
    OutputError
        If the folder is not empty or cannot be written.
    """
    with filling(folder) as folder:
        (folder / "records").mkdir()
        if record_format == "segd":
            write_segd_records(line, folder / "records", slice_s=slice_s)
        else:
            write_records(line.recording, folder / "records", line.name, slice_s=slice_s)
        write_shots(folder / "shots.csv", line.shots)
        write_truth(line, folder / "truth")
        path = folder / "line.toml"
        write_text(path, line_file_text(line, record_format))
        return path


def write_records(
    recording: Recording, folder: Path, name: str, *, slice_s: float = 150.0
) -> list[Path]:
    """Write a recording as time slices of continuous SEG-Y revision 2."""
    write = partial(
        write_continuous_segy,
        channel_numbers=recording.channel_numbers,
        textual_lines=(
            f"Continuous record of the made line {name}",
            "One trace a channel; start to the nanosecond in trace header extension 1",
        ),
    )
    return _write_slices(recording, folder, f"{name}-{{:03d}}.sgy", slice_s, write)


def write_segd_records(line: MadeLine, folder: Path, *, slice_s: float = 150.0) -> list[Path]:
    """Write the record of a line as SEG-D with its shots as source events.

    Amplitudes without a unit count as millivolts, which is what the format says of them.
    """
    recording = line.recording
    if not np.array_equal(recording.channel_numbers, np.arange(1, recording.shape[0] + 1)):
        raise InputError(
            f"the channels are numbered from {recording.channel_numbers[0]} on, with steps or gaps",
            remedy="Channels of SEG-D are counted from 1; write SEG-Y to keep other numbers.",
        )
    known = recording.amplitude_unit != UNKNOWN_UNIT
    unit = recording.amplitude_unit if known else "mV"
    write = partial(write_continuous_segd, shots=line.shots, amplitude_unit=unit)
    numbered = f"{line.name}-{{:03d}}.segd"
    return _write_slices(recording, folder, numbered, slice_s, write)


def events_hold_everything(line: MadeLine) -> bool:
    """Whether the source events of SEG-D say everything that the shot table does.

    They know of no misfire for certain and of no shot that is not wanted, and events that fire in a
    gap or outside the record are in no file.
    """
    shots, recording = line.shots, line.recording
    sample = (shots.fire_time_ns - recording.start_ns) / recording.interval_ns
    recorded = (sample >= 0) & (sample < recording.shape[1])
    for gap in recording.gaps:
        recorded &= (sample < gap.start) | (sample >= gap.stop)
    return bool(np.all(shots.live & shots.deliver & recorded))


def _write_slices(
    recording: Recording, folder: Path, file_name: str, slice_s: float, write: Callable[..., None]
) -> list[Path]:
    """Write stretches of at most `slice_s` that leave out the gaps, one file each."""
    step = max(1, round(slice_s / recording.interval_s))
    begin = 0
    paths: list[Path] = []
    ends = [(gap.start, gap.stop) for gap in recording.gaps]
    for end, resume in [*sorted(ends), (recording.shape[1], recording.shape[1])]:
        for start in range(begin, end, step):
            path = folder / file_name.format(len(paths) + 1)
            write(
                path,
                recording.read(range(recording.shape[0]), start, min(start + step, end)),
                interval_ns=recording.interval_ns,
                start_ns=recording.start_ns + start * recording.interval_ns,
                time_scale=recording.scale,
            )
            paths.append(path)
        begin = resume
    return paths


def truth_path(folder: str | Path, source: int | str) -> Path:
    """File with the true gathers of one source: float32, (shot, channel, time)."""
    return Path(folder) / f"source-{source}.npy"


def write_truth(line: MadeLine, folder: Path) -> None:
    """Write the answer: gathers of each source, noise levels and true fire times where known."""
    folder.mkdir()
    for source, gathers in line.truth.items():
        with replacing(truth_path(folder, source)) as file:
            np.save(file, gathers, allow_pickle=False)
    if line.noise_rms is not None:
        levels = {"rms": dict(line.noise_rms), "total_rms": line.total_noise_rms}
        write_text(folder / "noise.json", json.dumps(levels, indent=2) + "\n")
    if not np.array_equal(line.true_fire_time_ns, line.shots.fire_time_ns):
        exact = replace(line.shots, fire_time_ns=line.true_fire_time_ns)
        write_shots(folder / "shots.csv", exact)


@dataclass(frozen=True, eq=False)
class Truth:
    """True gathers on disk, read as they are needed."""

    parts: Mapping[int | str, NDArray[np.float32]]
    """(shot, channel, time): Memory-mapped, in the order of the rows of that source."""
    source: NDArray[np.generic]
    place: NDArray[np.int64]
    """(shot,): For every row of the shot table: its source, and its place in the part."""

    @property
    def shape(self) -> tuple[int, int, int]:
        """Shots, channels and samples."""
        return (len(self.place), *next(iter(self.parts.values())).shape[1:])

    def read(
        self, rows: NDArray[np.int64], channels: NDArray[np.int64] | slice, length: int
    ) -> NDArray[np.float32]:
        """Some shots, by row of the table, some channels, and the first samples."""
        count = len(np.arange(self.shape[1])[channels])
        out = np.zeros((len(rows), count, length), np.float32)
        for number, row in enumerate(rows.tolist()):
            part = self.parts[self.source[row].item()]
            out[number] = part[self.place[row]][channels, :length]
        return out


def open_truth(folder: str | Path, shots: Shots) -> Truth:
    """True gathers of all shots, unread, from one ``source-<name>.npy`` for each source."""
    parts = {source: _read_gathers(truth_path(folder, source)) for source in shots.sources}
    shape = next(iter(parts.values())).shape[1:]
    place = np.zeros(len(shots), np.int64)
    for source, part in parts.items():
        rows = shots.rows_of(source)
        if part.shape != (len(rows), *shape):
            raise InputError(
                f"the truth has shape {part.shape}, the shot table and the other sources ask for "
                f"{(len(rows), *shape)}",
                where=str(truth_path(folder, source)),
                remedy="Give one row a shot of that source, all of one length.",
            )
        place[rows] = np.arange(len(rows))
    return Truth(parts, shots.source, place)


def read_truth(folder: str | Path, shots: Shots) -> NDArray[np.float32]:
    """True gathers of all shots, shape (shot, channel, time), in the order of the shot table.

    Parameters and errors as for `open_truth`.
    """
    truth = open_truth(folder, shots)
    return truth.read(np.arange(len(shots)), slice(None), truth.shape[2])


def read_noise_rms(folder: str | Path) -> float | None:
    """Rms of all noise that was added to the record; None where the folder does not say."""
    path = Path(folder) / "noise.json"
    if not path.exists():
        return None
    try:
        return float(json.loads(path.read_text(encoding="utf-8"))["total_rms"])
    except (ValueError, KeyError, TypeError) as error:
        raise InputError(
            "the noise levels cannot be read",
            where=str(path),
            remedy='Give a JSON object with "total_rms", or remove the file.',
        ) from error


def _read_gathers(path: Path) -> NDArray[np.float32]:
    try:
        array = np.load(path, allow_pickle=False, mmap_mode="r")
    except (OSError, ValueError) as error:
        why = reason_of(error) if isinstance(error, OSError) else "this is no .npy file"
        raise InputError(
            f"the true gathers cannot be read ({why})",
            where=str(path),
            remedy="Give a .npy file of float32, shape (shot, channel, time).",
        ) from error
    if array.ndim != 3 or array.dtype != np.float32:
        raise InputError(
            f"the true gathers are {array.dtype} of {counted(array.ndim, 'dimension')}",
            where=str(path),
            remedy="Give float32 of shape (shot, channel, time).",
        )
    return np.asarray(array)


def line_file_text(line: MadeLine, record_format: RecordFormat = "segy") -> str:
    """TOML text of the line file for a line written by `write_line`."""
    segd = record_format == "segd"
    shots = (
        ["# The shots are the source events in the records; shots.csv holds them once more.", ""]
        if segd and events_hold_everything(line)
        else ["[shots]", 'file = "shots.csv"', ""]
    )
    parts = [
        f"# {line.description}",
        f"name = {json.dumps(line.name)}",
        "",
        "[records]",
        f'files = ["records/*.{"segd" if segd else "sgy"}"]',
        f'time_scale = "{line.recording.scale}"',
        "",
        *shots,
        "[separation]",
        f"length_s = {line.length_s!r}",
        "",
        *_geometry_text(line),
        "[truth]",
        'folder = "truth"',
        "",
        "[output]",
        'folder = "separated"',
    ]
    return "\n".join(parts) + "\n"


def _geometry_text(line: MadeLine) -> list[str]:
    """The planned streamer; nothing where unknown."""
    if line.streamer is None:
        return []
    return [
        "[geometry]",
        f"nearest_offset_m = {line.streamer.nearest_offset_m!r}",
        f"group_interval_m = {line.streamer.group_interval_m!r}",
        f"streamer_depth_m = {line.streamer.depth_m!r}",
        f"crossline_m = {line.streamer.crossline_m!r}",
        "",
    ]
