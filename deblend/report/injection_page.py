"""The page of an injection: what came back of known events."""

from __future__ import annotations

from collections.abc import Sequence

from deblend.model.findings import Finding
from deblend.qc.injected_rows import ALL, CAUTION, InjectedRow
from deblend.report.injection_figures import elsewhere_figure, offset_figure, recovery_figure
from deblend.report.page_frame import Picture, picture, render_page


def render_injection(
    title: str, level_db: float, rows: Sequence[InjectedRow], findings: Sequence[Finding]
) -> str:
    """The page as text.

    Parameters
    ----------
    title : str
        Name of the line.
    level_db : float
        Strength of the events relative to the separated data around them.
    rows : sequence of InjectedRow
        What came back.
    findings : sequence of Finding
        The same held against limits.
    """
    wanted = [row for row in findings if row.verdict in ("look", "fail")]
    return render_page(
        "injection.html",
        {
            "title": title,
            "level_db": level_db,
            "caution_text": CAUTION,
            "pictures": injection_pictures(rows),
            "wanted": wanted,
            "judged": sum(row.verdict != "note" for row in findings),
        },
    )


def injection_pictures(rows: Sequence[InjectedRow]) -> list[Picture]:
    """Pictures of the table, for this page and for others."""
    pictures = [
        picture(
            recovery_figure(rows),
            "Amplitude and time error of injected events against two-way time, by octave.",
            "Events in all sources. Amplitude and time by least squares of the known event on what "
            "it added to the separated gathers; bars are one standard error, from groups of 16 "
            "shots. 100 % and 0 ms are perfect. Sources are set apart by a little in time.",
        ),
        picture(
            offset_figure(rows),
            "Amplitude of injected events against offset, by octave.",
            "The same for the near, middle and far third of the channels, mean over the events of "
            "an octave.",
        ),
    ]
    alone = [row for row in rows if row.put_into != ALL and row.put_into != row.source]
    if alone:
        pictures.append(
            picture(
                elsewhere_figure(rows),
                "Amplitude of events of one source that appeared in the others.",
                f"Events in source {alone[0].put_into} alone: what appeared in the gathers of the "
                "other sources as if they had the events too, at the same times after their own "
                "firing. Zero is perfect.",
            )
        )
    return pictures
