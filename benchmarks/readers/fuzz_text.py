"""Fuzz the parsers of text: P1/11, P1/90, SPS, shot tables and source logs.

    python benchmarks/readers/fuzz_text.py --files 20000 --seed 1

As fuzz_segd.py; every file goes through all of the parsers, so that each also sees the formats of
the others.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path[:0] = [
    str(ROOT),
    str(ROOT / "tests" / "records"),
    str(ROOT / "tests" / "records" / "navigation"),
]
from navigation_text import P111, P190, SPS  # noqa: E402
from test_source_log import COLUMNS, LOG  # noqa: E402

from benchmarks.readers.fuzzing import fuzz  # noqa: E402
from deblend.errors import DeblendError  # noqa: E402
from deblend.records.navigation.open import read_navigation_shots, read_positions  # noqa: E402
from deblend.records.shot_table import read_shots  # noqa: E402
from deblend.records.source_log import apply_source_log, read_source_log  # noqa: E402

TABLE = """\
source,shot_point,fire_time,line,sequence,x_m,y_m,depth_m,live,deliver
1,1001,2025-06-01T12:00:03.512345678,L1,1,456288.31,6484622.84,6.0,true,true
2,1002,2025-06-01T12:00:08.918745,L1,2,456325.81,6484635.34,,false,true
1,1003,2025-06-01T12:00:14.2,L1,3,,,6.0,,no
"""
PIECES = (
    *(b",", b"\n", b"\r", b'"', b"\x00", b"\xff", b"nan", b"inf", b"1e400", b"-", b" ", b";"),
    *(b"9" * 30, b"0", b"2016-12-31T23:59:60", b"S1,", b"R1,", b"HC,1,2,0,", b"\\u002C", b"\xc3"),
)


def mutant(data: bytes, random: np.random.Generator) -> bytes:
    """The text with some bytes, pieces or lines changed."""
    for _ in range(int(random.integers(1, 6))):
        at = int(random.integers(len(data) + 1))
        width = int(random.integers(0, 12)) if random.random() < 0.7 else 0
        match int(random.integers(4)):
            case 0:
                put = bytes(random.integers(0, 256, int(random.integers(1, 8)), np.uint8))
            case 1:
                put = PIECES[int(random.integers(len(PIECES)))]
            case 2:
                begin = int(random.integers(len(data) + 1))
                put = data[begin : begin + int(random.integers(1, 160))]
            case _:
                lines = data.split(b"\n")
                row = int(random.integers(len(lines)))
                other = int(random.integers(len(lines)))
                lines[row], lines[other] = lines[other], lines[row]
                data, put, width = b"\n".join(lines), b"", 0
        data = data[:at] + put + data[at + width :]
    return data


def _log(path: Path) -> None:
    rows = read_source_log(path, columns=COLUMNS, time_scale="utc")
    apply_source_log(read_shots(_TABLE_FILE, time_scale="utc"), rows)


_TABLE_FILE = Path("/dev/shm" if Path("/dev/shm").exists() else "/tmp") / "fuzz-text-shots.csv"
PARSERS: tuple[tuple[str, Callable[[Path], object]], ...] = (
    ("positions", read_positions),
    ("times", lambda path: read_navigation_shots(path, time_scale="gps")),
    ("table", lambda path: read_shots(path, time_scale="utc")),
    ("microseconds", lambda path: read_shots(path, time_scale="gps", fire_time_unit="gps_us")),
    ("log", _log),
)


def use(path: Path) -> str:
    """Which parsers take the file; all others have to refuse it with an error of the package."""
    taken = []
    for name, parse in PARSERS:
        try:
            parse(path)
        except DeblendError:
            continue
        taken.append(name)
    return f"read as {' and '.join(taken)}" if taken else "refused by all"


if __name__ == "__main__":
    _TABLE_FILE.write_text(TABLE)
    seeds = [text.encode("latin-1") for text in (P111, P190, SPS, TABLE, LOG)]
    sys.exit(fuzz("txt", seeds, mutant, use))
