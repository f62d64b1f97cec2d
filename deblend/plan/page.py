"""The page of a plan."""

from __future__ import annotations

from deblend.plan.contents import NOT_A_PROMISE, PlanContents
from deblend.plan.figures import (
    bin_and_fold_figure,
    fold_against_time_figure,
    level_figure,
    midpoint_figure,
    overlap_figure,
)
from deblend.plan.signal_figures import dither_figure, prediction_figure, signature_figure
from deblend.plan.words import (
    ADVICE,
    CAUTIONS,
    SHOT_COLUMNS,
    SIGNATURE_COLUMNS,
    shot_cells,
    signature_cells,
    speed_words,
    value_text,
)
from deblend.report.page_frame import Picture, picture, render_page


def render_plan(contents: PlanContents) -> str:
    """The page as text: alternatives side by side, pictures, formulas, cautions."""
    return render_page(
        "plan.html",
        {
            "contents": contents,
            "names": [column.alternative.name for column in contents.columns],
            "groups": _groups(contents),
            "formulas": list(contents.formulas()),
            "pictures": _pictures(contents),
            "advice": ADVICE,
            "cautions": CAUTIONS,
            "value_text": value_text,
            "not_a_promise": NOT_A_PROMISE,
            "signature_columns": SIGNATURE_COLUMNS,
            "signature_rows": [signature_cells(one) for one in contents.signatures],
            "shot_columns": SHOT_COLUMNS,
            "speed_words": speed_words,
            "shot_rows": [] if contents.shot is None else map(shot_cells, contents.shot.sources),
        },
    )


def _groups(contents: PlanContents) -> dict[str, list[tuple[str, str, list[float | str]]]]:
    groups: dict[str, list[tuple[str, str, list[float | str]]]] = {}
    for quantity, values in contents.rows():
        groups.setdefault(quantity.group, []).append((quantity.name, quantity.unit, values))
    return groups


def _pictures(contents: PlanContents) -> dict[str, Picture]:
    """Pictures by the names that the template gives their places."""
    return _of_every_plan(contents) | _where_known(contents)


def _of_every_plan(contents: PlanContents) -> dict[str, Picture]:
    return {
        "midpoints": picture(
            midpoint_figure(contents),
            "Streamers, sources and midpoint lines across the track, one strip an alternative.",
            "A midpoint line lies halfway between a source and a streamer. One pass; the next pass "
            "lies one sail line spacing away.",
        ),
        "bins": picture(
            bin_and_fold_figure(contents),
            "Crossline bin against streamer separation, and fold against shot interval, one curve "
            "for each number of sources.",
            "Curves: sources with the standard separation, in sequence. A mark off its curve is an "
            "alternative towed or fired in another way.",
        ),
        "overlap": picture(
            overlap_figure(contents),
            "Clean record length against speed and against offset; time runs down.",
            "Until when no later shot disturbs a record, with the delays at their worst. Right: "
            "the next shot reaches a far channel later, by offset over 1500 m/s; refracted waves "
            "may be earlier. Earlier shots still ring below, which the next pictures show.",
        ),
        "fold": picture(
            fold_against_time_figure(contents),
            "Blending fold against time after firing, one panel an alternative; time runs down.",
            "Shots active at a time after firing, earlier and later ones and the own: mean over "
            "the line, and in grey from the fewest to the most. Usual speed.",
        ),
        "levels": picture(
            level_figure(contents),
            "Assumed level of a shot and of the shots that overlap it; time runs down.",
            "Strong early arrivals of other shots on weak late ones of the own. Assumed: amplitude "
            f"falls by {contents.target.loss_db:g} dB from 0.1 s to the end of the record, alike "
            "for all sources.",
        ),
    }


def _where_known(contents: PlanContents) -> dict[str, Picture]:
    """Pictures of what was simulated, named or drawn at random, where anything was."""
    pictures = {}
    if (predicted := prediction_figure(contents)) is not None:
        pictures["predicted"] = picture(
            predicted,
            "Signal-to-noise ratio before and after separation against time after firing, one "
            "panel an alternative; time runs down.",
            "Truth over error in windows after firing, mean over sources: open marks before, "
            "filled marks after, bars from the lowest to the highest draw of the delays.",
        )
    if contents.signatures:
        pictures["signatures"] = picture(
            signature_figure(contents.signatures),
            "Far-field signatures against time, and their amplitude spectra.",
            "Positive is compression. Time runs to the right here, as signatures are drawn. "
            "Dotted: notches to be expected from the source depth. Directivity is left out.",
        )
    if (dither := dither_figure(contents)) is not None:
        pictures["dither"] = picture(
            dither,
            "Histograms of time differences of overlapping shots, and coherent power of the "
            "interference against frequency.",
            "Left: what the separation sees of the delays. Right: the part of the interference "
            "that lines up from shot to shot; below some frequency it always does. The dotted line "
            "is the low end of a towed line's band (common practice, no source).",
        )
    return pictures
