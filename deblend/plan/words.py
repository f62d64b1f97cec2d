"""Rows of numbers as text, and cautions, for the terminal and the page alike."""

from __future__ import annotations

from typing import Final

from deblend.plan.as_shot import AsShot, SourceShot
from deblend.plan.signature import SignatureMeasures, source_level_db

SIGNATURE_COLUMNS: Final = (
    "source",
    "ghost",
    "filter",
    "gate (s)",
    "zero to peak (bar-m)",
    "the same (dB re 1 µPa·m)",
    "peak to peak (bar-m)",
    "primary to bubble",
    "bubble period (ms)",
    "notches (Hz)",
    "expected (Hz)",
    "within 10 dB (Hz)",
)
SHOT_COLUMNS: Final = (
    "source",
    "fired",
    "misfires",
    "missing",
    "planned (m)",
    "median (m)",
    "shortest to longest (m)",
    "median (s)",
    "shortest to longest (s)",
    "fold planned",
    "fold mean",
    "fold lowest",
)

ADVICE: Final = (
    "The numbers on this page are advice. Local law, the permit and licensed practice decide."
)

CAUTIONS: Final = (
    "High-pressure air: guns, hoses and bottles hold air at some 2000 psi. More shots an hour mean "
    "more compressor duty, heat and wear, and less time for maintenance. The free air given here "
    "leaves out leaks, start-up and spare capacity.",
    "Safety zones of the arrays: other strings, wider tow and a shared string change where people, "
    "work boats and gear may be while guns are charged. Fire only by the procedures of the vessel.",
    "Soft start and marine-mammal mitigation: observation, exclusion zones, soft starts and shut "
    "downs follow the permit. A soft start with several sources may have to be agreed anew.",
    "Exposure: combined volume within a moment and cumulative exposure over a day both change with "
    "the number of sources and the shot interval, and neither is computed here. Have them assessed "
    "for the whole plan, at the highest shot rate.",
    "Smallest shot spacing: permits may state it in metres, in seconds, or as shots in a day, and "
    "may count sources that fire together as one shot or as several. Ask; random delays shorten "
    "it.",
    "Firing tables are not for loading until source mechanics and navigators have checked them "
    "against recycle and safety limits.",
    "Delays are drawn from a seeded uniform distribution, with the best of many seeds chosen by "
    "the diagnostics. Some other published patterns of delays are partly claimed in patents; none "
    "is built in. Any table of delays can be read in; whoever brings it answers for the right to "
    "use it.",
)


def value_text(value: float | str) -> str:
    """A value of a table: four figures, a dash where it is unknown or does not apply."""
    if isinstance(value, str):
        return value
    if value != value:
        return "–"
    return f"{value:,.0f}" if abs(value) >= 1e4 else f"{value:.4g}"


def signature_cells(one: SignatureMeasures) -> list[str]:
    """One row under `SIGNATURE_COLUMNS`."""
    far_field = one.far_field
    return [
        far_field.name,
        far_field.ghost,
        far_field.filter,
        f"{far_field.gate_s:g}",
        value_text(one.zero_to_peak),
        f"{source_level_db(one.zero_to_peak):.1f}",
        value_text(one.peak_to_peak),
        value_text(one.primary_to_bubble),
        value_text(1e3 * one.bubble_period_s),
        ", ".join(f"{notch:.0f}" for notch in one.notches_hz[:4]) or "none",
        ", ".join(f"{notch:.0f}" for notch in one.expected_notches_hz[:4]) or "–",
        f"{one.usable_hz[0]:.0f} to {one.usable_hz[1]:.0f}",
    ]


def shot_cells(row: SourceShot) -> list[str]:
    """One row under `SHOT_COLUMNS`."""
    return [
        str(row.source),
        str(row.fired),
        str(row.misfired),
        str(row.missing),
        value_text(row.planned_interval_m),
        value_text(row.interval_m),
        _range_text(row.shortest_m, row.longest_m),
        value_text(row.interval_s),
        _range_text(row.shortest_s, row.longest_s),
        value_text(row.planned_fold),
        value_text(row.mean_fold),
        value_text(row.lowest_fold),
    ]


def speed_words(shot: AsShot) -> str:
    """How fast the vessel went, as a sentence without its full stop."""
    low, usual, high = shot.speed_kn
    if usual != usual:
        return "Speed over ground unknown: not every shot has x_m and y_m"
    return f"Speed {low:.2f} to {high:.2f}, median {usual:.2f} kn"


def _range_text(low: float, high: float) -> str:
    return "–" if low != low else f"{value_text(low)} to {value_text(high)}"
