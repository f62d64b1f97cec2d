"""Draw the picture of README.md from a finished demonstration.

deblend demo --out deblend-demo
python examples/pictures/draw.py deblend-demo
"""

from __future__ import annotations

import sys
from pathlib import Path

from deblend.report.contents import read_contents
from deblend.report.drawing import png_bytes
from deblend.report.section_figure import section_figure

SOURCE, CHANNEL = 2, 14
GAIN_DB = 6.0


def main() -> None:
    contents = read_contents(Path(sys.argv[1]) / "report-samples.npz")
    section = next(
        section
        for section in contents.sections
        if (section.source, section.kind, section.number) == (SOURCE, "common channel", CHANNEL)
    )
    figure = section_figure(section, contents.amplitude_unit, gain_db=GAIN_DB)
    path = Path(__file__).with_name("demo-common-channel.png")
    path.write_bytes(png_bytes(figure))
    print(f"{path}: {path.stat().st_size / 1000:.0f} kB")


if __name__ == "__main__":
    main()
