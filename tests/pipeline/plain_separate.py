"""The command line with a plain page in place of the report, results in the folder named first."""

from __future__ import annotations

import sys
from pathlib import Path

import deblend.report.page
from deblend.cli.main import main
from deblend.line import line_file
from deblend.report.contents import Contents


def write(contents: Contents, path: Path, extras: object = None) -> None:
    path.write_text(contents.title)


def separate_into(folder: Path) -> None:
    read = line_file.read_line_file
    line_file.read_line_file = lambda path: read(path).with_output(folder)
    deblend.report.page.write_report = write
    main(sys.argv[2:])


if __name__ == "__main__":
    separate_into(Path(sys.argv[1]))
