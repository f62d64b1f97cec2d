"""The array namespace: NumPy on the host or CuPy on a device, and the transforms of each.

Kernels take the namespace as an argument and never import one. On the host, transforms go to
scipy.fft, which keeps float32 and is faster than numpy.fft; on a device to cupy.fft.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import cache
from itertools import pairwise
from types import ModuleType
from typing import Any

import numpy as np
import scipy.fft

from deblend.card import on_card
from deblend.errors import MissingPackageError, SettingsError
from deblend.memory import free_memory
from deblend.words import counted

Array = Any
"""An array of whichever namespace is in use; shapes and types are given where it is used."""


def namespace_for(device: str) -> ModuleType:
    """Array namespace of a device, ``numpy`` or ``cupy``.

    ``"auto"`` takes a CUDA device where CuPy finds one, and the CPU otherwise.

    Raises
    ------
    SettingsError
        If the device is not known, or no CUDA device answers and one was asked for.
    MissingPackageError
        If a GPU was asked for and CuPy is not installed.
    """
    if device not in ("auto", "cpu", "gpu"):
        raise SettingsError(
            f"device {device!r} is not known", remedy='Choose "auto", "cpu" or "gpu".'
        )
    if device == "cpu":
        return np
    try:
        import cupy

        count = int(cupy.cuda.runtime.getDeviceCount())
    except ImportError as error:
        if device == "auto":
            return np
        raise MissingPackageError(
            "CuPy is not installed, and device='gpu' needs it",
            remedy="Install the CuPy build of your CUDA version, or use device='cpu'.",
        ) from error
    except Exception as error:  # CuPy reports a missing driver with types of its own
        if device == "auto":
            return np
        raise SettingsError(
            f"no CUDA device answers ({error})", remedy="Use device='cpu'."
        ) from error
    if count and (device == "gpu" or _free_on_card() >= LEAST_CARD_BYTES):
        module: ModuleType = cupy
        return module
    if device == "gpu":
        raise SettingsError("no CUDA device is present", remedy="Use device='cpu'.")
    return np


def device_name(xp: ModuleType) -> str:
    """What computes, in words."""
    if not on_card(xp):
        return f"processor, {counted(thread_count(), 'thread')}"
    properties = xp.cuda.runtime.getDeviceProperties(xp.cuda.Device().id)
    return f"card {properties['name'].decode()}"


def free_bytes(xp: ModuleType) -> int:
    """Memory that is free where the arrays of a namespace are."""
    return _free_on_card() if on_card(xp) else free_memory()


def use_card(number: int) -> None:
    """Let this thread compute on one of several cards, counted round; nothing without any."""
    try:
        import cupy

        cupy.cuda.Device(number % cupy.cuda.runtime.getDeviceCount()).use()
    except Exception:  # no CuPy, no driver, no card: `namespace_for` says which
        return


def card_count() -> int:
    """Cards that CuPy sees."""
    try:
        import cupy

        return int(cupy.cuda.runtime.getDeviceCount())
    except Exception:  # CuPy reports a missing driver with types of its own
        return 0


def give_back_card_memory() -> None:
    """Give back what freed arrays have left, plans of transforms among them."""
    import cupy

    cupy.fft.config.get_plan_cache().clear()
    cupy.get_default_memory_pool().free_all_blocks()


def _free_on_card() -> int:
    """What is free on the card in use, kept for later arrays included."""
    import cupy

    free, _ = cupy.cuda.runtime.memGetInfo()
    return int(free) + int(cupy.get_default_memory_pool().free_bytes())


def is_host(xp: ModuleType) -> bool:
    """Whether the namespace is NumPy."""
    return xp is np


def to_host(array: Array) -> Any:
    """NumPy array of an array of any namespace."""
    return array.get() if hasattr(array, "get") else np.asarray(array)


def fast_length(length: int) -> int:
    """Smallest transform length of at least `length` that is a product of small primes."""
    return int(scipy.fft.next_fast_len(length, real=True))


def thread_count() -> int:
    """Threads for transforms and kernels: NUMBA_NUM_THREADS where set, else all usable cores."""
    setting = os.environ.get("NUMBA_NUM_THREADS", "")
    if setting.isdecimal() and int(setting) > 0:
        return int(setting)
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


_ROWS_ON_DEVICE = 32
LEAST_CARD_BYTES = 4 << 30
"""Free memory with which a card is worth it without being asked for."""


@cache
def worker_threads(count: int) -> ThreadPoolExecutor:
    """So many threads that stay.

    Starting them would take longer than some steps of an iteration. What runs on one of them must
    not wait for anything submitted later.
    """
    return ThreadPoolExecutor(count, thread_name_prefix="deblend")


os.register_at_fork(after_in_child=worker_threads.cache_clear)  # threads do not survive a fork


def on_threads(function: Callable[[Any], Any], items: Iterable[Any], xp: ModuleType) -> list[Any]:
    """What `function` returns for each item: side by side on the host, one by one on a device."""
    threads = thread_count() if is_host(xp) else 1
    return list(
        worker_threads(threads).map(function, items) if threads > 1 else map(function, items)
    )


def by_rows(function: Callable[[slice], Any], count: int, xp: ModuleType) -> list[Any]:
    """What `function` returns for slices of rows: one by one on the host, many on a device.

    One by one bounds the memory of copies; a device would wait for the start of each.
    """
    step = 1 if is_host(xp) else _ROWS_ON_DEVICE
    return on_threads(function, (slice(k, k + step) for k in range(0, count, step)), xp)


def in_parts(function: Callable[[slice], None], count: int, xp: ModuleType) -> None:
    """Call `function` on slices that together make `count`, one a thread; at once on a device."""
    threads = min(thread_count(), count) if is_host(xp) else 1
    if threads <= 1:
        function(slice(0, count))
        return
    bounds = np.linspace(0, count, threads + 1).astype(int).tolist()
    on_threads(function, (slice(a, b) for a, b in pairwise(bounds)), xp)


def rfft(xp: ModuleType, array: Array, length: int) -> Array:
    """Transform of real samples along the last axis, zero-padded to `length`; one thread."""
    if is_host(xp):
        return scipy.fft.rfft(array, length, axis=-1, workers=1)
    return xp.fft.rfft(array, length, axis=-1)


def irfft(xp: ModuleType, spectrum: Array, length: int) -> Array:
    """Inverse of `rfft`; may overwrite `spectrum`."""
    if is_host(xp):
        return scipy.fft.irfft(spectrum, length, axis=-1, overwrite_x=True, workers=1)
    return xp.fft.irfft(spectrum, length, axis=-1)


def irfft_on_card(spectrum: Array, length: int) -> Array:
    """Sum of waves along the last axis, see `irfftn_on_card`."""
    from cupyx.scipy import fft

    return fft.irfft(spectrum, length, -1, "forward", overwrite_x=True)


def rfftn(xp: ModuleType, array: Array, axes: Sequence[int]) -> Array:
    """Transform of real samples along `axes`; the last of them is halved."""
    if is_host(xp):
        return scipy.fft.rfftn(array, axes=_axes_to_transform(array.shape, axes), workers=1)
    return xp.fft.rfftn(array, axes=tuple(axes))


def irfftn(xp: ModuleType, spectrum: Array, shape: Sequence[int], axes: Sequence[int]) -> Array:
    """Inverse of `rfftn` to the lengths `shape` along `axes`; may overwrite `spectrum`."""
    if is_host(xp):
        kept = _axes_to_transform(spectrum.shape, axes)
        lengths = [n for n, axis in zip(shape, axes, strict=True) if axis in kept]
        return scipy.fft.irfftn(spectrum, s=lengths, axes=kept, overwrite_x=True, workers=1)
    if on_card(xp):
        return irfftn_on_card(spectrum, shape, axes) / np.prod(shape, dtype=np.float32)
    return xp.fft.irfftn(spectrum, s=tuple(shape), axes=tuple(axes))


def irfftn_on_card(spectrum: Array, shape: Sequence[int], axes: Sequence[int]) -> Array:
    """Sum of waves along `axes`, not divided by their number; overwrites `spectrum`.

    The division would pass over memory once more: whoever changes the spectrum does it there.
    """
    from cupyx.scipy import fft

    return fft.irfftn(spectrum, tuple(shape), tuple(axes), "forward", overwrite_x=True)


def _axes_to_transform(shape: Sequence[int], axes: Sequence[int]) -> tuple[int, ...]:
    """Axes without those of one element, along which a transform would only copy."""
    return (*(axis for axis in axes[:-1] if shape[axis] > 1), axes[-1])
