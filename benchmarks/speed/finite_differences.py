"""Cell updates a second of the finite differences, one thread, on the grid of a standard scene.

    python -m benchmarks.speed.finite_differences

Processor time beside wall time: on a machine shared with other work the latter is an upper bound.
The larger grid no longer fits into the cache.
"""

from __future__ import annotations

import time

import numpy as np

from benchmarks.result import keep, refuse_forced_kernel
from deblend.synth.finite_differences import WaveGrid, Wavelet, record_shot
from deblend.synth.scenes import scene_design
from deblend.synth.wave_earth import WaveEarth
from deblend.synth.wave_kernels import wave_step

SHOTS = 5
INTERVAL_S, SAMPLES = 0.004, 600


def million_a_second(grid: WaveGrid, shots: int = SHOTS) -> tuple[float, float]:
    """Of whole shots with injection and recording: by wall and by processor time, the best one."""
    wavelet = Wavelet(lambda f: f.astype(np.complex128), 33.0)
    middle = grid.first_inline_m + 0.5 * grid.spacing_m * grid.velocity_m_s.shape[1]
    receivers = np.stack([middle - 12.5 * np.arange(8), np.full(8, 8.0)], axis=1)
    steps = (SAMPLES + 125) * grid.steps_a_sample(INTERVAL_S)
    best = [0.0, 0.0]
    for _ in range(shots):
        begin = time.perf_counter(), time.thread_time()
        record_shot(
            grid, wavelet, (middle, 6.0), receivers, interval_s=INTERVAL_S, sample_count=SAMPLES
        )
        spent = time.perf_counter() - begin[0], time.thread_time() - begin[1]
        rates = [1e-6 * grid.velocity_m_s.size * steps / seconds for seconds in spent]
        best = [max(pair) for pair in zip(best, rates, strict=True)]
    return best[0], best[1]


def step_alone(grid: WaveGrid, repeats: int = 300) -> float:
    """Million updates a second of processor time, of the step without source and receivers."""
    fields = [np.zeros(grid.shape, np.float32) for _ in range(2)]
    fields[0][20, 20] = 1.0
    step_s = INTERVAL_S / grid.steps_a_sample(INTERVAL_S)
    courant, fade = grid.courant(step_s), grid.fade(step_s)
    wave_step(*fields, courant, fade)
    begin = time.thread_time()
    for _ in range(repeats):
        wave_step(*fields, courant, fade)
        fields.reverse()
    return 1e-6 * grid.velocity_m_s.size * repeats / (time.thread_time() - begin)


def main() -> None:
    refuse_forced_kernel()
    earth = scene_design("wave-equation", "small").geology
    assert isinstance(earth, WaveEarth)
    small = earth.slice(0.0)
    large = WaveGrid(np.full((1000, 1000), 2000.0, np.float32), 12.5)
    wall, processor = million_a_second(small)
    large_wall, large_processor = million_a_second(large, 1)
    keep(
        "speed.finite_differences",
        {
            "grid_points": small.velocity_m_s.size,
            "million_updates_a_second_wall": round(wall),
            "million_updates_a_second_processor": round(processor),
            "million_updates_a_second_step_alone": round(step_alone(small)),
            "large_grid_points": large.velocity_m_s.size,
            "large_million_updates_a_second_wall": round(large_wall),
            "large_million_updates_a_second_processor": round(large_processor),
        },
    )


if __name__ == "__main__":
    main()
