"""Transforms of the registries, side by side, in the shapes that the program hands to them.

    python -m benchmarks.speed.transforms

Nanoseconds a sample, forward and inverse, one thread, the best of many rounds that alternate
between the libraries. `scipy.fft` is what the program uses; those of the others that are installed
are measured too: ``python -m pip install pyfftw ducc0 mkl_fft``. Plans of pyfftw are made before.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from importlib import import_module
from importlib.metadata import version
from importlib.util import find_spec
from types import ModuleType
from typing import Any, Final

import numpy as np
import scipy.fft

from benchmarks.result import Number, keep
from deblend.arrays import fast_length

Run = Callable[[], object]
SHAPES: Final[dict[str, tuple[tuple[int, ...], tuple[int, ...]]]] = {
    "fk_patches": ((170, 3, 16, 32), (2, 3)),
    "joint_patches": ((9, 3, 24, 16, 24), (2, 3, 4)),
    "traces_of_1000": ((16, 16, fast_length(1032)), (2,)),
    "traces_of_4000": ((4, 16, fast_length(4032)), (2,)),
}
"""Shape of a batch and the axes that are transformed."""


def scipy_run(samples: Any, axes: tuple[int, ...]) -> Run:
    lengths = [samples.shape[axis] for axis in axes]

    def run() -> object:
        spectrum = scipy.fft.rfftn(samples, axes=axes)
        return scipy.fft.irfftn(spectrum, s=lengths, axes=axes, overwrite_x=True)

    return run


def numpy_run(samples: Any, axes: tuple[int, ...]) -> Run:
    lengths = [samples.shape[axis] for axis in axes]
    return lambda: np.fft.irfftn(np.fft.rfftn(samples, axes=axes), s=lengths, axes=axes)


def mkl_run(library: ModuleType, samples: Any, axes: tuple[int, ...]) -> Run:
    lengths = [samples.shape[axis] for axis in axes]
    return lambda: library.irfftn(library.rfftn(samples, axes=axes), s=lengths, axes=axes)


def ducc_run(library: ModuleType, samples: Any, axes: tuple[int, ...]) -> Run:
    last = samples.shape[axes[-1]]

    def run() -> object:
        spectrum = library.fft.r2c(samples, axes=axes)
        return library.fft.c2r(
            spectrum,
            axes=axes,
            lastsize=last,
            forward=False,
            inorm=2,
            allow_overwriting_input=True,
        )

    return run


def fftw_run(library: ModuleType, samples: Any, axes: tuple[int, ...]) -> Run:
    real = library.empty_aligned(samples.shape, "float32")
    halved = (*samples.shape[:-1], samples.shape[-1] // 2 + 1)
    spectrum = library.empty_aligned(halved, "complex64")
    there = library.FFTW(real, spectrum, axes=axes, flags=("FFTW_MEASURE",), threads=1)
    back = library.FFTW(
        spectrum,
        real,
        axes=axes,
        direction="FFTW_BACKWARD",
        flags=("FFTW_MEASURE", "FFTW_DESTROY_INPUT"),
        threads=1,
    )
    real[:] = samples
    return lambda: (there(), back())


OTHERS: Final = {"pyfftw": fftw_run, "ducc0": ducc_run, "mkl_fft": mkl_run}


def best_s(runs: dict[str, Run], rounds: int) -> dict[str, float]:
    best = dict.fromkeys(runs, np.inf)
    for _ in range(rounds):
        for name, run in runs.items():
            begin = time.perf_counter()
            run()
            best[name] = min(best[name], time.perf_counter() - begin)
    return best


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--rounds", type=int, default=60)
    asked = parser.parse_args()
    libraries = {name: import_module(name) for name in OTHERS if find_spec(name)}
    for name in libraries:
        print(f"{name} {version(name)}")
    numbers: dict[str, Number] = {}
    for words, (shape, axes) in SHAPES.items():
        samples = np.random.default_rng(0).standard_normal(shape).astype(np.float32)
        runs = {"scipy": scipy_run(samples, axes), "numpy": numpy_run(samples, axes)}
        runs |= {name: OTHERS[name](library, samples, axes) for name, library in libraries.items()}
        for name, seconds in best_s(runs, asked.rounds).items():
            numbers[f"{words}_{name}_ns"] = round(1e9 * seconds / samples.size, 2)
    keep("speed.transforms", numbers)


if __name__ == "__main__":
    main()
