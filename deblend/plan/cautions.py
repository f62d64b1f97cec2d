"""What every plan says besides its numbers."""

from __future__ import annotations

from typing import Final

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
