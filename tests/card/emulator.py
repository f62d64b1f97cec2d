"""CUDA kernels run by the host: compiled by g++, block after block.

Threads of a block come one after the other, or are threads where they wait for each other.
Slow, and good for what a machine without a card can tell: whether a kernel does what its array form
does. `emulated_card` is NumPy under the name of CuPy.
"""

from __future__ import annotations

import ctypes
import hashlib
import re
import shutil
import subprocess
import types
from functools import cache
from pathlib import Path

import numpy as np
import scipy.fft

import deblend

THREADS = 16
SHIM = r"""
#include <algorithm>
#include <barrier>
#include <cmath>
#include <thread>
#include <vector>
#define __global__
#define __device__
#define __shared__ static
using std::max; using std::min;
struct float2 { float x, y; };
struct Index { int x, y, z; };
static thread_local Index threadIdx, blockIdx;
static Index blockDim;
static std::barrier<>* together;
static void __syncthreads() { together->arrive_and_wait(); }
static float __saturatef(float x) { return x > 0 ? (x < 1 ? x : 1) : 0; }
static double rsqrt(double x) { return 1 / std::sqrt(x); }
template <class Call> void everywhere(Index blocks, Call call)
{
    blockDim = {THREADS, 1, 1};
    if (!TOGETHER) {
        for (int z = 0; z < blocks.z; ++z)
            for (int y = 0; y < blocks.y; ++y)
                for (int x = 0; x < blocks.x; ++x)
                    for (int own = 0; own < THREADS; ++own) {
                        blockIdx = {x, y, z};
                        threadIdx = {own, 0, 0};
                        call();
                    }
        return;
    }
    std::barrier<> barrier(THREADS);
    together = &barrier;
    std::vector<std::thread> threads;
    for (int own = 0; own < THREADS; ++own)
        threads.emplace_back([=, &barrier] {
            threadIdx = {own, 0, 0};
            for (int z = 0; z < blocks.z; ++z)
                for (int y = 0; y < blocks.y; ++y)
                    for (int x = 0; x < blocks.x; ++x) {
                        blockIdx = {x, y, z};
                        call();
                        barrier.arrive_and_wait();
                    }
        });
    for (auto& thread : threads) thread.join();
}
"""

emulated_card = types.ModuleType("cupy")
emulated_card.__dict__.update(
    {name: value for name, value in vars(np).items() if name != "__name__"}
)
has_compiler = shutil.which("g++") is not None


def emulated_kernel(folder: Path):
    """A stand-in of `deblend.card.kernel` that keeps what it compiles in a folder."""

    @cache
    def kernel(file, name, **constants):
        source = (Path(deblend.__file__).parent / file).read_text(encoding="ascii")
        declared = re.search(rf"void {name}\((.*?)\)\s*\{{", source, re.DOTALL)
        assert declared is not None, name
        parameters = [part.strip() for part in declared[1].split(",")]
        names = ", ".join(part.split()[-1].lstrip("*") for part in parameters)
        together = int("__syncthreads" in source)
        defines = {"THREADS": THREADS, "TOGETHER": together, **constants}
        code = "".join(f"#define {key} {value}\n" for key, value in defines.items())
        code += SHIM + source
        code += f'extern "C" void run(int bx, int by, int bz, {", ".join(parameters)})\n'
        code += f"{{ everywhere({{bx, by, bz}}, [=] {{ {name}({names}); }}); }}\n"
        stem = folder / hashlib.sha256((name + code).encode()).hexdigest()[:16]
        stem.with_suffix(".cpp").write_text(code)
        library = stem.with_suffix(".so")
        options = ["-O1", "-std=c++20", "-shared", "-fPIC", "-pthread", "-o"]
        subprocess.run(["g++", *options, str(library), str(stem.with_suffix(".cpp"))], check=True)
        function = ctypes.CDLL(str(library)).run

        def call(blocks, threads, arguments):
            assert len(arguments) == len(parameters), (name, len(arguments), len(parameters))
            passed = [ctypes.c_int(k) for k in (*blocks, 1, 1)[:3]]
            for argument, parameter in zip(arguments, parameters, strict=True):
                passed.append(_passed(argument, parameter))
            function(*passed)

        return call

    return kernel


def _passed(argument, parameter):
    """An argument for C, of the type that the kernel declares."""
    kind = parameter.removeprefix("const ").rsplit(None, 1)[0].rstrip("*").strip()
    dtype = {"float": "f4", "float2": "c8", "int": "i4", "long long": "i8"}[kind]
    assert argument.dtype == np.dtype(dtype), (parameter, argument.dtype)
    if "*" in parameter:
        assert argument.flags.c_contiguous, parameter
        return ctypes.c_void_p(argument.ctypes.data)
    return {"float": ctypes.c_float, "int": ctypes.c_int, "long long": ctypes.c_longlong}[kind](
        argument
    )


def use(monkeypatch, folder):
    """Let all kernels and transforms of a card run here."""
    from deblend import arrays
    from deblend import card as base
    from deblend.blending import card_delays
    from deblend.separation import card_windows, loop, noise
    from deblend.separation.transforms import spectra

    kernel = emulated_kernel(folder)
    for module in (base, card_delays, card_windows, loop, noise, spectra):
        monkeypatch.setattr(module, "kernel", kernel)
    for module in (base, card_delays, spectra):
        monkeypatch.setattr(module, "THREADS", THREADS, raising=False)
    monkeypatch.setattr(base, "THREADS", THREADS)

    def waves(spectrum, shape, axes):
        return scipy.fft.irfftn(spectrum, shape, axes, norm="forward")

    def wave(spectrum, length):
        return scipy.fft.irfft(spectrum, length, axis=-1, norm="forward")

    for module in (arrays, spectra):
        monkeypatch.setattr(module, "irfftn_on_card", waves)
    for module in (arrays, card_delays):
        monkeypatch.setattr(module, "irfft_on_card", wave)
