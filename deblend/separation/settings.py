"""The settings of a separation: each one is a field here, and nowhere else.

The ``[separation]`` table of the line file, the methods of a study, their documentation, the
manifest and the defaults of `deblend.separate` are all made from these fields.
"""

from __future__ import annotations

from typing import Annotated, Any, Final, Literal

import msgspec
import numpy as np

from deblend.errors import SettingsError
from deblend.model.key_table import KeyTable, described, key_of

ResidualChoice = Literal["leave_out", "share_by_fold", "add_to_each_shot"]
RESIDUAL_CHOICES: Final[dict[str, str]] = {
    "leave_out": "The unexplained part of the record is left out: most of the ambient noise goes "
    "with it, but not what was taken for signal; weak signal that was not recognised is lost, and "
    "the estimate does not re-blend to the record.",
    "share_by_fold": "The unexplained part is divided by the blending fold and added to every shot "
    "that covers it: the estimate re-blends to the record, and its noise is lower than recorded: "
    "what is added by the fold in amplitude, and alike in all shots that share it; noise that was "
    "taken for signal is not lowered.",
    "add_to_each_shot": "The unexplained part is added whole to every shot that covers it: each "
    "shot keeps its recorded noise, interference that was missed comes back, and the estimate "
    "does not re-blend.",
}
"""What can be done with the unexplained part, and the consequence of each choice."""
DeviceChoice = Literal["auto", "cpu", "gpu"]


class SeparationSettings(KeyTable, frozen=True, kw_only=True):
    """How to separate, whatever the method and the length of the gathers."""

    iterations: Annotated[int, described("Number of iterations.", ge=1, le=10_000)] = 60
    seed: Annotated[int, described("Seed of the random patch origins.", ge=0)] = 0
    refine_times: Annotated[
        bool,
        described(
            "Estimate small errors of the fire times from the data and correct them; "
            "what was found is in findings.csv and fire-times.csv."
        ),
    ] = False
    residual: Annotated[
        ResidualChoice, described("What to do with the part of the record that stays unexplained.")
    ] = "leave_out"
    robust: Annotated[
        bool,
        described(
            "Let swell, spikes, bad channels and other vessels take less part in the "
            "fit: what neighbouring channels and shots do not have."
        ),
    ] = True
    learn_floor: Annotated[
        bool,
        described(
            "Learn on some channels, from samples withheld from the fit, where thresholds must "
            "stay above the noise and where weak signal can be taken; `fk` and `joint`."
        ),
    ] = True
    return_leakage: Annotated[
        bool,
        described(
            "Put back, as a last step, the signal that the unexplained part has in "
            "common with the estimate; weak events that were missed altogether stay out."
        ),
    ] = False
    device: Annotated[DeviceChoice, described("Where to compute.")] = "auto"


DEFAULTS: Final = SeparationSettings()


def checked_settings(given: SeparationSettings) -> SeparationSettings:
    """The settings alone, out of themselves or of a table that has more keys."""
    fields = msgspec.structs.fields(SeparationSettings)
    return SeparationSettings(
        **{field.name: _checked(field, getattr(given, field.name)) for field in fields}
    )


def _checked(field: msgspec.structs.FieldInfo, value: Any) -> Any:
    plain = value.item() if isinstance(value, np.generic) else value
    try:
        return msgspec.convert(plain, field.type)
    except msgspec.ValidationError as error:
        choice = isinstance(value, str)
        what = f"{field.name} {value!r} is not known" if choice else f"{field.name} is {value!r}"
        raise SettingsError(what, remedy=f"Give {key_of(field, '').kind_words}.") from error
