"""A package of somebody else, written where a test wants it, with the metadata of an installed one.

The layout of ``NAME-VERSION.dist-info`` with METADATA and entry_points.txt is that of the Python
packaging specifications ("Recording installed projects", "Entry points specification").
"""

from __future__ import annotations

from pathlib import Path

CODE = '''
"""Methods as an outsider would write them."""
from dataclasses import dataclass

import numpy as np

NUMBER = 3


@dataclass(frozen=True)
class Outside:
    patch: tuple[int, int, int] = (8, 1, 16)
    overlap: float = 0.25
    window: str = "tapered"
    strength: float = 1.0

    def largest(self, batch):
        return float(np.abs(np.fft.rfft2(batch.amplitude, axes=(2, 4))).max())

    def keep(self, batch, strictness, reference):
        spectrum = np.fft.rfft2(batch.amplitude, axes=(2, 4))
        spectrum[np.abs(spectrum) < self.strength * strictness * reference] = 0
        shape = (batch.amplitude.shape[2], batch.amplitude.shape[4])
        return np.fft.irfft2(spectrum, shape, axes=(2, 4)).astype(np.float32)


class Raising(Outside):
    def __init__(self):
        raise ZeroDivisionError("no luck")


def keep_large(patch, threshold):
    return np.where(np.abs(patch) >= threshold, patch, 0)
'''


READER_CODE = '''
"""A reader as an outsider would write it: 32 bytes of header, then float32 of (channel, time)."""
import struct

import numpy as np

from deblend import Recording

MARK = b"TOY1"


class Samples:
    def __init__(self, path, shape):
        self.path, self.shape = path, shape

    def read(self, channels, start, stop):
        out = np.empty((len(channels), stop - start), np.float32)
        with open(self.path, "rb") as file:
            for row, channel in enumerate(channels):
                file.seek(32 + 4 * (channel * self.shape[1] + start))
                out[row] = np.frombuffer(file.read(4 * (stop - start)), "<f4")
        return out


def is_mine(path, first_bytes):
    return first_bytes[:4] == MARK


def open_record(paths, *, time_scale, start_is_exact, start_offset_s):
    with open(paths[0], "rb") as file:
        channels, samples, start_ns, interval_ns = struct.unpack("<4x2i4x2q", file.read(32))
    return Recording(
        Samples(paths[0], (channels, samples)),
        interval_s=interval_ns / 1e9,
        start=start_ns,
        time_scale=time_scale,
    )


class Toy:
    is_mine = staticmethod(is_mine)
    open = staticmethod(open_record)

    @staticmethod
    def shots(paths, *, time_scale):
        return None


def fail(path, first_bytes):
    raise ZeroDivisionError("no luck")


class Failing(Toy):
    is_mine = staticmethod(fail)
'''


def install(
    site: Path,
    name: str,
    files: dict[str, str],
    plugins: dict[str, str],
    group: str = "deblend.separators",
) -> None:
    """Write files and metadata of a package that publishes separator methods or readers."""
    for file, text in files.items():
        (site / file).write_text(text)
    folder = site / f"{name.replace('-', '_')}-1.5.dist-info"
    folder.mkdir()
    (folder / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {name}\nVersion: 1.5\n")
    rows = [f"{key} = {value}" for key, value in plugins.items()]
    (folder / "entry_points.txt").write_text("\n".join([f"[{group}]", *rows, ""]))
