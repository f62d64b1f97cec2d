"""What the expected error adds to the time of a run.

python -m benchmarks.qc.expected_error_cost [--channels 8 120] [--minutes 4] [--iterations 20]
    [--rounds 2]

`deblend separate` on lines of so many channels, with and without `[quality] expected_error`, in
turn; processor time counts, since the host is shared. Asked: a quarter more at most from 100
channels on, twice a small line at most.
"""

from __future__ import annotations

import argparse
import shutil
import tempfile
from pathlib import Path

from benchmarks.result import Number, keep, refuse_forced_kernel
from benchmarks.run.lines import Used, make_line, run_command

WITHOUT = "\n[quality]\nexpected_error = false\n"


def used(line: Path, *, expected_error: bool) -> Used:
    """One run of the line."""
    text = line.read_text(encoding="utf-8").replace(WITHOUT, "")
    line.write_text(text if expected_error else text + WITHOUT, encoding="utf-8")
    shutil.rmtree(line.parent / "out", ignore_errors=True)
    return run_command("separate", line)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--channels", type=int, nargs="*", default=[8, 120])
    parser.add_argument("--minutes", type=float, default=4)
    parser.add_argument("--iterations", type=int, default=20)
    parser.add_argument("--rounds", type=int, default=2)
    chosen = parser.parse_args()
    refuse_forced_kernel()
    numbers: dict[str, Number] = {
        name: getattr(chosen, name) for name in ("iterations", "minutes", "rounds")
    }
    for channels in chosen.channels:
        with tempfile.TemporaryDirectory() as folder:
            line = make_line(
                Path(folder) / "line", chosen.minutes, channels, 4.0, chosen.iterations, "joint"
            )
            runs = [
                (used(line, expected_error=False), used(line, expected_error=True))
                for _ in range(chosen.rounds)
            ]
        for name in ("processor_s", "wall_s"):
            without, with_it = (min(getattr(pair[k], name) for pair in runs) for k in (0, 1))
            numbers |= {
                f"{channels}_channels_without_{name}": round(without, 1),
                f"{channels}_channels_with_{name}": round(with_it, 1),
                f"{channels}_channels_more_{name.removesuffix('_s')}_percent": round(
                    100 * (with_it / without - 1), 1
                ),
            }
        numbers[f"{channels}_channels_status"] = runs[0][1].status
    keep("qc.expected_error_cost", numbers)


if __name__ == "__main__":
    main()
