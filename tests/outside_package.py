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


def install(site: Path, name: str, files: dict[str, str], methods: dict[str, str]) -> None:
    """Write files and metadata of a package that publishes separator methods."""
    for file, text in files.items():
        (site / file).write_text(text)
    folder = site / f"{name.replace('-', '_')}-1.5.dist-info"
    folder.mkdir()
    (folder / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {name}\nVersion: 1.5\n")
    rows = [f"{key} = {value}" for key, value in methods.items()]
    (folder / "entry_points.txt").write_text("\n".join(["[deblend.separators]", *rows, ""]))
