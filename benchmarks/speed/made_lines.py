"""Time to make a line of 3 x 240 shots x 48 channels x 2,000 samples, and the demonstration line.

python -m benchmarks.speed.made_lines
"""

from __future__ import annotations

import time
from dataclasses import replace

from deblend.synth.build import SceneDesign, build_line
from deblend.synth.demo_line import demo_design


def large_plan() -> SceneDesign:
    plan = demo_design()
    acquisition = replace(
        plan.acquisition,
        sources=plan.acquisition.sources[:3],
        streamer=replace(plan.acquisition.streamer, channel_count=48),
        firing=replace(plan.acquisition.firing, shots_per_source=240),
    )
    return replace(plan, acquisition=acquisition, length_s=8.0)


def main() -> None:
    build_line(demo_design())  # compiles the kernels
    for name, plan in (("demonstration", demo_design()), ("large", large_plan())):
        started, used = time.perf_counter(), time.process_time()
        line = build_line(plan)
        seconds, used = time.perf_counter() - started, time.process_time() - used
        shots, channels, samples = line.gathers.shape
        print(
            f"{name}: {shots} shots x {channels} channels x {samples} samples in {seconds:.1f} s "
            f"({used:.1f} s of processor time)"
        )


if __name__ == "__main__":
    main()
