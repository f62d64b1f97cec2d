"""Time and memory of a trial of four lines of 3 x 300 shots x 120 channels x 2,000 samples.

python -m benchmarks.qc.four_lines [--shots 300] [--channels 120]

Files of white noise over almost the same positions go through all of `deblend trial`, page
included, and without the separation of the benchmark. Takes twice the size of the files on disk.
"""

from __future__ import annotations

import argparse
import resource
import tempfile
import time
from pathlib import Path

from benchmarks.qc.two_lines import LENGTH, write_noise
from benchmarks.result import keep
from deblend.qc.limits import default_limits
from deblend.trial.run_trial import PAGE, run_trial, write_trial

LINES, SOURCES = 4, 3
VELOCITIES = "position_m,time_s,rms_velocity_m_s\n0,0,1500\n0,8,3000\n"
HEAD = 'name = "four lines"\nbenchmark = "line-0"\nvelocities = "velocities.csv"\n'


def write_lines(folder: Path, shots: int, channels: int) -> Path:
    """The lines and their trial file."""
    (folder / "velocities.csv").write_text(VELOCITIES)
    text = HEAD
    for line in range(LINES):
        names = [f"line-{line}-{source}" for source in range(SOURCES)]
        for number, name in enumerate(names):
            write_noise(folder, name, shots, channels, SOURCES * line + number)
            (folder / f"{name}.npy").unlink()
        files = ", ".join(f'"{name}.sgy"' for name in names)
        text += f'\n[[lines]]\nname = "line-{line}"\ngathers = [{files}]\n'
    path = folder / "trial.toml"
    path.write_text(text)
    return path


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--shots", type=int, default=300)
    parser.add_argument("--channels", type=int, default=120)
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        trial_file = write_lines(folder, chosen.shots, chosen.channels)
        before_gb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
        begin, used = time.perf_counter(), time.process_time()
        result = run_trial(trial_file, default_limits())
        compared_s = time.perf_counter() - begin
        out = folder / "out"
        out.mkdir()
        write_trial(result, out)
        wall, processor = time.perf_counter() - begin, time.process_time() - used
        page_mb = (out / PAGE).stat().st_size / 1e6
    keep(
        "qc.four_lines",
        {
            "lines_sources_shots_channels_samples": [
                LINES,
                SOURCES,
                chosen.shots,
                chosen.channels,
                LENGTH,
            ],
            "peak_memory_before_gb": before_gb,
            "peak_memory_gb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6,
            "compared_s": compared_s,
            "wall_s": wall,
            "processor_s": processor,
            "page_mb": page_mb,
        },
    )


if __name__ == "__main__":
    main()
