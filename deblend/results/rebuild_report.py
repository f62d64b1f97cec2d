"""`deblend report`: the page of a finished run drawn again."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from deblend.progress import Progress, Step, silent
from deblend.report.contents import read_contents
from deblend.results.checked_manifest import line_identity, recorded_outputs, renew_record
from deblend.results.output_folder import PAGE, SAMPLES
from deblend.results.report_extras import read_extras


def rebuild_report(
    folder: Path,
    others: Sequence[Path] = (),
    pictures: Path | None = None,
    progress: Progress = silent,
) -> Path:
    """Draw the report of a finished run again, from the samples kept with it.

    `others` are injections and comparisons to be shown, too (see `read_extras`); `pictures` is a
    folder for every figure as a PNG file, which takes about a second each.

    Raises
    ------
    InputError
        If samples or manifest are missing or damaged, or one of `others` is of another line.
    OutputError
        If the page or a picture cannot be written.
    """
    from deblend.report.figures import write_pictures
    from deblend.report.page import write_report

    path = folder / PAGE
    contents = read_contents(folder / SAMPLES)
    recorded_outputs(folder)  # a page that no manifest records is not drawn
    shots = contents.acquisition
    identity = line_identity(shots.source, shots.shot_point, shots.fold_start_ns)
    extras = read_extras(folder, others, identity)
    progress(Step("report", 0, 0, PAGE))
    write_report(contents, path, extras)
    renew_record(folder, path)
    if pictures is not None:
        write_pictures(
            contents, pictures, extras, lambda name: progress(Step("report", 0, 0, name))
        )
    return path
