"""Band-limited impulses at exact times: the kernel that every made trace comes from.

An impulse at a time between two samples is a windowed sinc. It is read from a table of phases,
1/1024 of a sample apart, with linear interpolation in between; the signature, applied afterwards as
a spectrum, cuts what lies near the Nyquist frequency, where a windowed sinc is inaccurate.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.signal.windows import kaiser

from deblend.compiled import compiler

HALF_WIDTH: Final = 20
PHASES: Final = 1024


@lru_cache(maxsize=1)
def pulse_table() -> NDArray[np.float64]:
    """Samples of an impulse delayed by k/1024 of a sample, shape (1024 + 1, 40).

    Column j of row k is the value at sample ``j - 19`` of an impulse at time ``k / 1024``.
    """
    half = HALF_WIDTH * PHASES
    window = kaiser(2 * half + 1, beta=10.0, sym=True)
    sample = np.arange(2 * HALF_WIDTH) - (HALF_WIDTH - 1)
    distance = sample[None, :] * PHASES - np.arange(PHASES + 1)[:, None]
    table = np.asarray(np.sinc(distance / PHASES) * window[distance + half], np.float64)
    table.flags.writeable = False
    return table


def _add_pulses(
    out: NDArray[np.float64],
    time_samples: NDArray[np.float64],
    amplitude: NDArray[np.float64],
    table: NDArray[np.float64],
) -> None:
    """Add impulses to traces `out`, (trace, time); what falls outside is lost.

    Times in samples and amplitudes have shape (event, trace); amplitudes of zero are skipped.
    """
    samples = out.shape[1]
    phases = table.shape[0] - 1
    width = table.shape[1]
    for trace in range(out.shape[0]):
        for event in range(time_samples.shape[0]):
            strength = amplitude[event, trace]
            when = time_samples[event, trace]
            if strength == 0.0 or not -width < when < samples + width:
                continue
            whole = int(np.floor(when))
            phase = (when - whole) * phases
            row = min(int(phase), phases - 1)
            right = phase - row
            first = whole - (width // 2 - 1)
            for tap in range(max(0, -first), min(width, samples - first)):
                value = (1.0 - right) * table[row, tap] + right * table[row + 1, tap]
                out[trace, first + tap] += strength * value


add_pulses = compiler(nogil=True, error_model="numpy")(_add_pulses)
