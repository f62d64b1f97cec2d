"""A contract suite for separator methods, for those who write one."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from dataclasses import replace as changed
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from deblend.errors import DeblendError, SeparationError
from deblend.separation.choose import MethodChoice, choose_method
from deblend.separation.contract import PatchBatch, Separator, method_at
from deblend.testing.separator_batches import (
    Shape,
    batch_of,
    copied,
    energy,
    mixed,
    part_of,
    plane_waves,
    white_noise,
)

PATCHES: Final = 3
SOURCES: Final = 2
LOW, HIGH = 1e-4, 0.9
"""Strictness at which all that is coherent must stay, and at which noise must go."""
WAVE_LOSS: Final = 0.01
"""Energy of the error of a flat event at low strictness over its own: -20 dB."""
NOISE_LEFT: Final = 0.1
"""Energy of white noise that may stay at high strictness: -10 dB."""
STRICTNESSES: Final = (0.9, 0.5, 0.2, 0.1, 0.05, 0.02, 0.01, 0.001)
MONOTONE_SLACK: Final = 0.02
"""Part of its energy that the result may lose as strictness falls."""
ROUNDING: Final = 1e-4
"""Largest difference over largest value that passes for rounding in float32."""
SCALES: Final = (2.0**10, 2.0**-20)
"""Powers of two, so that scaling itself does not round."""


def check_separator(method: MethodChoice, *, seed: int = 0) -> None:
    """Check that a separator method keeps the contract of the loop.

    Shape and type are kept and all is finite, also with dead traces, a single source or channel,
    and patches shrunk to a short line; the same input gives the same result, whatever else is in
    the batch and from several threads at a time; the input stays as it was; a flat event survives
    low strictness and white noise does not survive high strictness; a result scales with its
    input; less strictness keeps more energy, while the same of several methods works.

    NumPy on the host is what is checked. A method that passes may still separate badly: score it
    on lines with a known answer.

    Raises
    ------
    SeparationError
        If the method breaks the contract; the text says how, with the value.
    SettingsError
        If it is no separator method at all.
    """
    chosen = choose_method(method, SOURCES, 8)
    parameters: Any = getattr(chosen, "__dataclass_params__", None)
    if parameters is not None and not parameters.frozen:
        raise _broken(
            f"{type(chosen).__name__} is a dataclass that is not frozen",
            "Settings must not change while a line runs: use @dataclass(frozen=True).",
        )
    suite = _Suite(chosen, tuple(int(size) for size in chosen.patch), seed)  # type: ignore[arg-type]
    suite.check_shapes()
    suite.check_largest()
    suite.check_units()
    suite.check_repeats()
    suite.check_input_is_left_alone()
    suite.check_dead_traces()
    suite.check_small_patches()
    suite.check_what_is_kept()
    suite.check_scaling()
    suite.check_monotone()


def _broken(what: str, remedy: str) -> SeparationError:
    return SeparationError(what, where="contract of separators", remedy=remedy)


@dataclass(frozen=True)
class _Suite:
    """The checks of one method."""

    method: Separator
    shape: Shape
    seed: int

    def batch(self, patches: int = PATCHES, sources: int = SOURCES) -> PatchBatch:
        """Flat events under noise, at the full size of the patch."""
        return batch_of(mixed(self.method, self.shape, patches, sources, self.seed))

    def keep(
        self, batch: PatchBatch, strictness: float, reference: float, case: str = "usual patches"
    ) -> NDArray[np.float32]:
        """Result of `keep` on a copy of the batch, its form checked."""
        own = copied(batch)
        kept = _called(lambda: self.method.keep(own, strictness, reference), "keep", case)
        shape = getattr(kept, "shape", None)
        if shape != batch.amplitude.shape:
            raise _broken(
                f"keep returns {_form(kept)} for float32 of shape {batch.amplitude.shape} ({case})",
                "Return an array of the shape that was given.",
            )
        if kept.dtype != batch.amplitude.dtype:
            raise _broken(
                f"keep returns {kept.dtype} for {batch.amplitude.dtype} ({case})",
                "Return the type that was given, for instance by kept.astype(batch.amplitude."
                "dtype); numpy.fft makes float64, scipy.fft keeps float32.",
            )
        if not np.isfinite(kept).all():
            raise _broken(
                f"keep returns {int((~np.isfinite(kept)).sum())} values that are not finite "
                f"({case})",
                "Guard divisions by zero and logarithms.",
            )
        return np.asarray(kept)

    def largest(self, batch: PatchBatch, case: str = "usual patches") -> float:
        """Result of `largest` on a copy of the batch, its form checked."""
        own = copied(batch)
        value = _called(lambda: self.method.largest(own), "largest", case)
        try:
            number = float(value)
        except (TypeError, ValueError):
            number = np.nan
        if not (np.isfinite(number) and number >= 0):
            raise _broken(
                f"largest returns {value!r} ({case})", "Return a finite number, zero or above."
            )
        return number

    def check_shapes(self) -> None:
        batch = self.batch()
        reference = self.largest(batch)
        if reference == 0:
            raise _broken("largest is 0 for patches that are not empty", "Measure the patches.")
        for strictness in (1.0, 0.1, LOW):
            self.keep(batch, strictness, reference, f"strictness {strictness:g}")
        noisy = changed(batch, noise=np.full_like(batch.noise, 0.1 * reference))
        self.keep(noisy, LOW, reference, "noise known")

    def check_largest(self) -> None:
        batch = self.batch()
        alone = [self.largest(part_of(batch, slice(k, k + 1))) for k in range(PATCHES)]
        together = self.largest(batch)
        if abs(together - max(alone)) > ROUNDING * together:
            raise _broken(
                f"largest is {together:g} for patches that have {_listed(alone)} alone",
                "Return the maximum over the patches: it is taken over the whole line, whatever "
                "the batches are.",
            )

    def check_units(self) -> None:
        _, reference = method_at(self.method, 0.0, 3.0)
        if reference != 3.0:
            raise _broken(
                f"for_strictness makes a reference of {reference:g} out of 3 at strictness 0",
                "References are in units of the method that works last.",
            )

    def check_repeats(self) -> None:
        batch = self.batch()
        reference = self.largest(batch)
        first = self.keep(batch, 0.1, reference)
        if not np.array_equal(first, self.keep(batch, 0.1, reference)):
            raise _broken(
                "the same patches give another result the second time",
                "Keep no state, and seed random numbers from the settings.",
            )
        for k in range(PATCHES):
            alone = self.keep(part_of(batch, slice(k, k + 1)), 0.1, reference, "one patch alone")
            self._compare(alone[0], first[k], f"patch {k} alone differs from the same in a batch")
        with ThreadPoolExecutor(4) as pool:
            several = list(pool.map(lambda _: self.keep(batch, 0.1, reference), range(8)))
        for result in several:
            self._compare(result, first, "a result made in one of several threads differs")

    def _compare(
        self, found: NDArray[np.float32], expected: NDArray[np.float32], words: str
    ) -> None:
        off = float(np.abs(found - expected).max()) / max(float(np.abs(expected).max()), 1e-30)
        if off > ROUNDING:
            raise _broken(
                f"{words}: by {off:.1e} of the largest value",
                "Treat every patch for itself, and share no scratch array between calls.",
            )

    def check_input_is_left_alone(self) -> None:
        batch = self.batch()
        own, reference = copied(batch), self.largest(batch)
        for name, call in (
            ("largest", lambda: self.method.largest(own)),
            ("keep", lambda: self.method.keep(own, 0.1, reference)),
        ):
            _called(call, name, "usual patches")
            for field in ("amplitude", "live", "noise"):
                before, after = getattr(batch, field), getattr(own, field)
                if not np.array_equal(before, after):
                    raise _broken(f"{name} changes batch.{field}", "Work on a copy.")

    def check_dead_traces(self) -> None:
        amplitude = mixed(self.method, self.shape, PATCHES, SOURCES, self.seed)
        random = np.random.default_rng(self.seed + 1)
        live = random.random(amplitude.shape[:4]) > 0.3
        live[1, 0] = False  # one source has nothing here
        live[2] = False  # nobody has
        some = batch_of(amplitude, live)
        reference = self.largest(some, "dead traces")
        for strictness in (1.0, 0.1, LOW):
            self.keep(some, strictness, reference, "dead traces")
        empty = part_of(some, slice(2, 3))
        if self.largest(empty, "empty patches") > ROUNDING * reference:
            raise _broken(
                f"largest is {self.largest(empty):g} for patches of zeros", "Return 0 there."
            )
        for at in (reference, 0.0):
            kept = self.keep(empty, 1.0, at, "empty patches")
            if np.abs(kept).max() > 0:
                raise _broken(
                    f"keep makes amplitudes of {np.abs(kept).max():g} out of patches of zeros",
                    "Return zeros there.",
                )

    def check_small_patches(self) -> None:
        shots, channels, samples = self.shape
        for case, sources, shape in (
            ("one source", 1, self.shape),
            ("five sources", 5, self.shape),
            ("one channel", SOURCES, (shots, 1, samples)),
            ("one source and one channel", 1, (shots, 1, samples)),
            ("patches of three shots", SOURCES, (min(shots, 3), channels, samples)),
            ("one shot", SOURCES, (1, channels, samples)),
            (
                "patches of an odd number of samples",
                SOURCES,
                (shots, channels, max(samples - 1, 1)),
            ),
            ("one shot, one channel, five samples", 1, (1, 1, min(samples, 5))),
        ):
            batch = batch_of(mixed(self.method, shape, PATCHES, sources, self.seed))
            reference = self.largest(batch, case)
            self.keep(batch, 0.1, reference, case)

    def check_what_is_kept(self) -> None:
        wave = plane_waves(self.method, self.shape, PATCHES, SOURCES)
        reference = self.largest(batch_of(wave))
        kept = self.keep(batch_of(wave), LOW, reference, "a flat event")
        loss = energy(kept - wave) / energy(wave)
        if loss > WAVE_LOSS:
            raise _broken(
                f"a flat event comes back {10 * np.log10(loss):.1f} dB wrong at strictness {LOW:g}",
                f"Keep it within {10 * np.log10(WAVE_LOSS):.0f} dB; a method that takes edges for "
                'signal should ask for window="flat".',
            )
        noise = white_noise(self.method, self.shape, PATCHES, SOURCES, self.seed)
        noise *= np.float32(0.5 * np.sqrt(energy(wave) / energy(noise)))
        left = energy(self.keep(batch_of(noise), HIGH, reference, "white noise")) / energy(noise)
        if left > NOISE_LEFT:
            raise _broken(
                f"white noise 6 dB below a flat event keeps {100 * left:.0f} % of its energy at "
                f"strictness {HIGH:g}",
                f"Keep at most {100 * NOISE_LEFT:.0f} %: the loop begins strict and counts on "
                "incoherent energy staying out.",
            )

    def check_scaling(self) -> None:
        batch = self.batch()
        reference = self.largest(batch)
        kept = self.keep(batch, 0.1, reference)
        for scale in SCALES:
            bigger = changed(batch, amplitude=batch.amplitude * np.float32(scale))
            found = self.largest(bigger, f"amplitudes times {scale:g}")
            if abs(found - scale * reference) > ROUNDING * scale * reference:
                raise _broken(
                    f"largest is {found:g} for amplitudes times {scale:g}, not "
                    f"{scale * reference:g}",
                    "Let it scale with amplitude.",
                )
            again = self.keep(bigger, 0.1, scale * reference, f"amplitudes times {scale:g}")
            off = float(np.abs(again / np.float32(scale) - kept).max() / np.abs(kept).max())
            if off > ROUNDING:
                raise _broken(
                    f"amplitudes and reference times {scale:g} change the result by {off:.1e} of "
                    "its largest value",
                    "Use no constant that has the unit of amplitude.",
                )

    def check_monotone(self) -> None:
        batch = self.batch()
        reference = self.largest(batch)
        last, before = 0.0, None
        for strictness in STRICTNESSES:
            working, _ = method_at(self.method, strictness, reference)
            if working is not before:  # another one of several may keep less
                last, before = 0.0, working
            now = energy(self.keep(batch, strictness, reference))
            if now < (1 - MONOTONE_SLACK) * last:
                raise _broken(
                    f"at strictness {strictness:g} the result has {100 * (1 - now / last):.0f} % "
                    "less energy than at the stricter one before",
                    "Keep more, never less, as strictness falls.",
                )
            last = max(last, now)


def _called(call: Callable[[], Any], name: str, case: str) -> Any:
    try:
        return call()
    except DeblendError:
        raise
    except Exception as error:  # code of others: anything may come
        raise _broken(
            f"{name} raises {type(error).__name__}: {error} ({case})",
            "Handle every shape of patch, down to one shot, one channel and a few samples.",
        ) from error


def _form(value: Any) -> str:
    if not hasattr(value, "shape"):
        return type(value).__name__
    return f"{value.dtype} of shape {value.shape}"


def _listed(values: list[float]) -> str:
    return ", ".join(f"{value:g}" for value in values)
