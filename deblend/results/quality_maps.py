"""Maps of likeness of kept and removed part, as a file. DEVELOPERS.md lists its arrays."""

from __future__ import annotations

import shutil
import tempfile
import zipfile
from collections.abc import Iterable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from deblend.files import replacing
from deblend.qc.group_likeness import GroupLikeness, group_likeness
from deblend.qc.likeness_maps import WindowProducts, likeness_maps
from deblend.qc.measure_setup import MeasureSetup

_COPIED_BYTES = 1 << 20


def write_maps(
    path: Path,
    setup: MeasureSetup,
    parts: Iterable[tuple[range, WindowProducts]],
    channel_numbers: NDArray[np.int64],
) -> GroupLikeness:
    """Write the maps as a NumPy archive of plain arrays and their labels, some channels at a time.

    `parts` are consecutive channel rows and their products, together all channels; figures of
    groups of shots are made from them on the way.

    Raises
    ------
    OutputError
        If the file cannot be written.
    """
    likeness: GroupLikeness | None = None
    labels: dict[str, NDArray[Any]] = {"lowest_frequency_hz": np.array(setup.low_cut_hz)}
    with replacing(path) as file, _map_files(path.parent, len(channel_numbers)) as maps:
        for channels, products in parts:
            part = group_likeness(products, setup)
            likeness = part if likeness is None else likeness + part
            found = likeness_maps(products, setup, channel_numbers[channels.start : channels.stop])
            for name in found.data_vars:
                maps.write(str(name), channels, found[name].values)
            labels |= {str(name): found[name].values for name in found.coords}
        labels["channel"] = channel_numbers
        maps.pack(file, labels)
    assert likeness is not None  # a line has channels
    return likeness


@contextmanager
def _map_files(folder: Path, channel_count: int) -> Iterator[_MapFiles]:
    """Files beside the archive, gone at the end."""
    with tempfile.TemporaryDirectory(dir=folder, prefix=".maps-") as name:
        maps = _MapFiles(Path(name), channel_count)
        try:
            yield maps
        finally:
            maps.close()


class _MapFiles:
    """Arrays (shot, channel, ...) in files of their own, until all their channels are written.

    Rows of an archive cannot be written out of order, and mapped files would count as memory.
    """

    def __init__(self, folder: Path, channel_count: int) -> None:
        self._folder = folder
        self._channels = channel_count
        self._open: dict[str, tuple[IO[bytes], int]] = {}

    def write(self, name: str, channels: range, part: NDArray[np.float32]) -> None:
        """Some channels of an array."""
        if name not in self._open:
            self._open[name] = self._begin(name, part)
        file, header = self._open[name]
        cell = part[0, 0].nbytes if part.size else 0
        for shot, row in enumerate(np.ascontiguousarray(part)):
            file.seek(header + cell * (shot * self._channels + channels.start))
            file.write(row.data)

    def _begin(self, name: str, part: NDArray[np.float32]) -> tuple[IO[bytes], int]:
        file = (self._folder / f"{name}.npy").open("wb")
        shape = (part.shape[0], self._channels, *part.shape[2:])
        described = {"descr": part.dtype.str, "fortran_order": False, "shape": shape}
        np.lib.format.write_array_header_1_0(file, described)
        return file, file.tell()

    def pack(self, archive: IO[bytes], labels: dict[str, NDArray[Any]]) -> None:
        """Make one archive of the arrays and their labels."""
        self.close()  # uncompressed: packing noise would take longer than measuring it
        with zipfile.ZipFile(archive, "w", zipfile.ZIP_STORED, allowZip64=True) as packed:
            for name, values in labels.items():
                with packed.open(f"{name}.npy", "w", force_zip64=True) as member:
                    np.lib.format.write_array(member, np.asarray(values), allow_pickle=False)
            for name in self._open:
                path = self._folder / f"{name}.npy"
                with path.open("rb") as file, packed.open(path.name, "w", force_zip64=True) as to:
                    shutil.copyfileobj(file, to, _COPIED_BYTES)
                path.unlink()

    def close(self) -> None:
        """Write what is left; all files are closed, also where one cannot be written."""
        with ExitStack() as opened:
            for file, _ in self._open.values():
                opened.callback(file.close)
