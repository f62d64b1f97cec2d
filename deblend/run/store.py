"""The working store of a run, in Zarr: the record, staged once, and estimates block by block.

Chunks hold some channels each, because a block reads and writes few channels of all times. Whatever
is marked as done has been waited for until it was on disk. Every chunk is written, be it all zeros
or unknown, and ends in a checksum: one that is lost or damaged is refused.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import product
from pathlib import Path
from typing import Any, Final, Literal

import numpy as np
import zarr
from numpy.typing import NDArray
from zarr.codecs import Crc32cCodec

from deblend.errors import OutputError
from deblend.files import sync

CHUNK_SAMPLES: Final = 16_384
CHUNK_CHANNELS: Final = 32
_CHUNK_BYTES: Final = 4 << 20
_WRITERS: Final = 4
"""Chunks written and waited for at the same time: a disk with a queue is faster."""


@dataclass(frozen=True, eq=False)
class StoredSamples:
    """A staged record as a source of samples."""

    array: zarr.Array[Any]

    @property
    def shape(self) -> tuple[int, int]:
        """Number of channels and of samples."""
        return self.array.shape[0], self.array.shape[1]

    def read(self, channels: Sequence[int], start: int, stop: int) -> NDArray[np.float32]:
        """Samples ``[start, stop)`` of some channels."""
        rows = np.asarray(channels, dtype=np.int64)
        if not len(rows):
            return np.zeros((0, stop - start), np.float32)
        return _read(self.array, _slice_of(rows), slice(start, stop))


@dataclass(frozen=True, eq=False)
class EstimateStore:
    """Where the estimates of one source lie in one span."""

    path: Path
    """Folder of the array, shape (shot, channel, time)."""
    rows: NDArray[np.int64]
    """(shot,): Rows of the shot table."""


def create_records(path: Path, shape: tuple[int, int], channel_step: int, chunk: int) -> None:
    """An empty array for a record, shape (channel, time); unwritten samples are NaN."""
    zarr.create_array(
        store=path,
        shape=shape,
        chunks=(min(shape[0], channel_step, CHUNK_CHANNELS), min(chunk, shape[1])),
        dtype="float32",
        fill_value=np.nan,
        compressors=Crc32cCodec(),
        overwrite=True,
    )
    _keep_description(path)


def open_array(path: Path, mode: Literal["r", "r+"] = "r") -> zarr.Array[Any]:
    """An array of the store.

    Raises
    ------
    OutputError
        If it is not there.
    """
    try:
        # The setting given to `open_array` is lost in zarr 3.1.
        return zarr.open_array(store=path, mode=mode).with_config({"write_empty_chunks": True})
    except (OSError, ValueError, KeyError) as error:
        raise OutputError(
            f"the working store cannot be opened ({error})",
            where=str(path),
            remedy="Workers must see the output folder under the same path; else begin anew with "
            "--restart.",
        ) from error


def create_estimate_store(path: Path, shape: tuple[int, int, int], channel_step: int) -> None:
    """An empty array for estimates, chunks of whole traces and the channels of one block."""
    trace_bytes = 4 * shape[2] * channel_step
    shots = max(1, min(shape[0], _CHUNK_BYTES // trace_bytes))
    zarr.create_array(
        store=path,
        shape=shape,
        chunks=(shots, channel_step, shape[2]),
        dtype="float32",
        fill_value=0.0,
        compressors=Crc32cCodec(),
        overwrite=True,
    )
    _keep_description(path)


def _keep_description(path: Path) -> None:
    """Wait until the description of a new array is on disk: chunks are nothing without it."""
    try:
        for part in (path / "zarr.json", path, *path.parents[:3]):
            sync(part)
    except OSError as error:
        raise full_disk(error, path) from error


def write_channels(
    path: Path, channels: range, gathers: NDArray[np.float32], rows: NDArray[np.int64]
) -> None:
    """Write the channels of one block and wait until they are on disk.

    Parameters
    ----------
    channels : range
        Channel rows; begin at a chunk.
    gathers : ndarray of float32, shape (shot, channel, time)
        Of all shots of the span.
    rows : ndarray of int64
        Those of the store among them.

    Raises
    ------
    OutputError
        If the disk is full or cannot be written.
    """
    shape = (len(rows), *gathers.shape[1:])
    _write(
        open_array(path, "r+"),
        path,
        (0, channels.start, 0),
        shape,
        lambda part: gathers[rows[part[0]]][:, *part[1:]],
    )


def write_samples(array: zarr.Array[Any], path: Path, start: int, part: NDArray[Any]) -> None:
    """Write samples of all channels from `start`, which begins a chunk; wait for the disk.

    Raises
    ------
    OutputError
        If the disk is full or cannot be written.
    """
    _write(array, path, (0, start), part.shape, lambda inside: part[inside])


def _write(
    array: zarr.Array[Any],
    path: Path,
    corner: tuple[int, ...],
    shape: tuple[int, ...],
    values: Callable[[tuple[slice, ...]], NDArray[Any]],
) -> None:
    """Write what `values` gives from a corner at which chunks begin; wait until it is on disk."""

    def write(begin: tuple[int, ...]) -> Path:
        where = [
            slice(first, min(first + step, edge + count))
            for first, step, edge, count in zip(begin, array.chunks, corner, shape, strict=True)
        ]
        inside = [
            slice(part.start - edge, part.stop - edge)
            for part, edge in zip(where, corner, strict=True)
        ]
        array[tuple(where)] = values(tuple(inside))
        place = [str(first // step) for first, step in zip(begin, array.chunks, strict=True)]
        chunk = path.joinpath("c", *place)
        sync(chunk)
        return chunk

    begins = product(
        *(
            range(edge, edge + count, step)
            for edge, count, step in zip(corner, shape, array.chunks, strict=True)
        )
    )
    try:
        with ThreadPoolExecutor(_WRITERS) as pool:
            chunks = list(pool.map(write, begins))
        folders = {folder for chunk in chunks for folder in chunk.parents}
        for folder in sorted(part for part in folders if part.is_relative_to(path)):
            sync(folder)
    except OSError as error:
        raise full_disk(error, path) from error


def _read(array: zarr.Array[Any], *parts: slice | NDArray[np.int64]) -> NDArray[np.float32]:
    """A part of an array, axes that are not given whole; what is lost or damaged is refused."""
    path = Path(array.store.root)  # type: ignore[attr-defined]  # the store is a folder
    for chunk in _chunk_files(array, path, *parts):
        if not chunk.exists():
            raise _lost_chunk("is lost", chunk)
    plain = all(isinstance(part, slice) for part in parts)
    try:
        return np.asarray(array[parts] if plain else array.oindex[parts])
    except ValueError as error:
        raise _lost_chunk(f"holds damage ({error})", path) from error


def _chunk_files(
    array: zarr.Array[Any], path: Path, *parts: slice | NDArray[np.int64]
) -> Iterator[Path]:
    """Files of the chunks that hold a part of an array."""
    whole = (slice(None),) * (len(array.shape) - len(parts))
    numbers = (
        np.unique(np.arange(size)[part] // step).tolist()
        for size, step, part in zip(array.shape, array.chunks, (*parts, *whole), strict=True)
    )
    return (path.joinpath("c", *map(str, place)) for place in product(*numbers))


def is_whole(path: Path, *parts: range | None) -> bool:
    """Whether all files of a part of an array are there and undamaged; None for a whole axis.

    All of them are read.
    """
    array = open_array(path)
    whole = (range(size) for size in array.shape[len(parts) :])
    ranges = [
        range(size) if part is None else part
        for part, size in zip((*parts, *whole), array.shape, strict=True)
    ]

    def read(begin: tuple[int, ...]) -> None:
        _read(
            array,
            *(
                slice(max(first, part.start), min(first + step, part.stop))
                for first, step, part in zip(begin, array.chunks, ranges, strict=True)
            ),
        )

    begins = product(
        *(
            range(part.start // step * step, part.stop, step)
            for part, step in zip(ranges, array.chunks, strict=True)
        )
    )
    try:
        with ThreadPoolExecutor(_WRITERS) as pool:
            for _ in pool.map(read, begins):
                pass
    except OutputError:
        return False
    return True


def _lost_chunk(what: str, where: Path) -> OutputError:
    return OutputError(
        f"a file of the working store {what}",
        where=str(where),
        remedy="Give the same command again, in a batch queue with --prepare first: what is lost "
        "or damaged is made again.",
    )


def _slice_of(rows: NDArray[np.int64]) -> slice | NDArray[np.int64]:
    """Rows that follow each other as a slice, which is read faster."""
    first, last = int(rows[0]), int(rows[-1]) + 1
    return slice(first, last) if np.array_equal(rows, np.arange(first, last)) else rows


def full_disk(error: OSError, path: Path) -> OutputError:
    """What to say when the store cannot be written."""
    return OutputError(
        f"the working store cannot be written ({error.strerror or error})",
        where=str(path),
        remedy="Make space and give the same command again: what is finished is kept.",
    )


class StoredGathers:
    """Estimates of one source, read as they are needed: `rows` of the shot table, in order."""

    def __init__(self, estimate_stores: Sequence[EstimateStore], rows: NDArray[np.int64]) -> None:
        self._arrays = [open_array(store.path) for store in estimate_stores if len(store.rows)]
        self._rows = [store.rows for store in estimate_stores if len(store.rows)]
        self.shape: tuple[int, ...] = (len(rows), *self._arrays[0].shape[1:])
        self._store_number = np.zeros(len(rows), np.int64)
        self._place = np.zeros(len(rows), np.int64)
        for number, own in enumerate(self._rows):
            here = np.isin(rows, own)
            self._store_number[here] = number
            self._place[here] = np.searchsorted(own, rows[here])

    def __getitem__(self, some: slice) -> NDArray[np.float32]:
        """Some shots with all channels."""
        return self.read(np.arange(self.shape[0])[some], slice(None))

    def read(
        self, shots: NDArray[np.int64], channels: slice | NDArray[np.int64]
    ) -> NDArray[np.float32]:
        """Some shots, by their place in the order wanted, and some channels."""
        count = len(np.arange(self.shape[1])[channels])
        out = np.zeros((len(shots), count, self.shape[2]), np.float32)
        for number, here in self._by_store(shots):
            place = _slice_of(self._place[shots[here]])
            out[here] = _read(self._arrays[number], place, channels)
        return out

    def _by_store(self, shots: NDArray[np.int64]) -> Iterator[tuple[int, NDArray[np.int64]]]:
        for number in np.unique(self._store_number[shots]):
            yield int(number), np.flatnonzero(self._store_number[shots] == number)
