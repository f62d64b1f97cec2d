"""Fuzz the SEG-Y reader: mutated files, a limit on memory and on time for each.

    python -m benchmarks.readers.fuzz_segy --files 200000 --seed 1 --processes 2

A part of the files is run under a line tracer; a mutant that reaches lines no other has reached
joins the files that are mutated further. Every file has to be read or refused with an error of the
package, within 10 s, and within 3 x its size + 32 MB of memory beyond what the process had before.
"""

from __future__ import annotations

import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "records")]
from segy_mutants import mutant, seeds, use  # noqa: E402

from benchmarks.readers.fuzzing import fuzz  # noqa: E402

if __name__ == "__main__":
    sys.exit(fuzz("segy", seeds(), mutant, use, result="readers.fuzz_segy"))
