"""Settings of a separation: one field each, which every place that shows or takes them follows."""

from __future__ import annotations

import inspect
import re

import msgspec
import numpy as np
import pytest

import deblend
from deblend.errors import SettingsError
from deblend.line.line_file import list_keys
from deblend.model.key_table import Key, keys_of
from deblend.separation.job import prepare
from deblend.separation.settings import (
    DEFAULTS,
    RESIDUAL_CHOICES,
    SeparationSettings,
    checked_settings,
)
from deblend.study.keys import MethodTable
from deblend.synth.scenes import make_scene

FIELDS = msgspec.structs.fields(SeparationSettings)
NAMES = [field.name for field in FIELDS]
KEYS = list(keys_of(SeparationSettings, "separation"))


def test_separate_takes_every_setting_with_its_default() -> None:
    parameters = inspect.signature(deblend.separate).parameters
    others = {"recording", "shots", "length_s", "method", "callback", "quality"}
    assert [name for name in parameters if name not in others] == NAMES
    defaults = {field.name: field.default for field in FIELDS}
    assert {name: parameters[name].default for name in NAMES} == defaults
    documented = re.findall(r"^    (\w+) : ", deblend.separate.__doc__ or "", re.MULTILINE)
    assert documented == list(parameters)


def test_the_line_file_has_every_setting_as_it_is_here() -> None:
    found = [key for key in list_keys() if key.table == "separation"]
    assert found[-len(KEYS) :] == KEYS
    assert all(key.description.endswith(".") for key in KEYS)


def test_a_study_has_every_setting_but_its_own_iterations() -> None:
    def others(keys: list[Key]) -> list[Key]:
        return [key for key in keys if key.name in NAMES and key.name != "iterations"]

    assert others(list(keys_of(MethodTable, "separation"))) == others(KEYS)


def test_manifest_and_job_hold_every_setting() -> None:
    line = make_scene("three-sources", "small")
    asked = SeparationSettings(iterations=7, seed=3, residual="share_by_fold", device="cpu")
    job = prepare(line.recording, line.shots, length_s=line.length_s, settings=asked)
    assert job.settings == asked
    assert msgspec.structs.asdict(asked).items() <= job.all_settings.items()


@pytest.mark.parametrize(
    ("name", "value", "words"),
    [
        ("iterations", 0, "iterations is 0. Give a whole number from 1 to 10000"),
        ("iterations", 2.5, "iterations is 2.5"),
        ("iterations", True, "iterations is True"),
        ("seed", -1, "seed is -1. Give a whole number from 0"),
        ("robust", "yes", "robust 'yes' is not known. Give true or false"),
        ("residual", "drop", "residual 'drop' is not known. Give \"add_to_each_shot\" or"),
        ("device", "tpu", "device 'tpu' is not known"),
    ],
)
def test_what_is_beyond_the_limits_is_refused(name: str, value: object, words: str) -> None:
    with pytest.raises(SettingsError, match=re.escape(words)):
        checked_settings(msgspec.structs.replace(DEFAULTS, **{name: value}))


def test_numbers_of_numpy_are_numbers() -> None:
    given = msgspec.structs.replace(DEFAULTS, iterations=np.int64(4), robust=np.bool_(False))
    assert checked_settings(given) == SeparationSettings(iterations=4, robust=False)


def test_every_choice_has_a_consequence() -> None:
    (residual,) = (key for key in KEYS if key.name == "residual")
    assert residual.kind == " or ".join(f'"{choice}"' for choice in sorted(RESIDUAL_CHOICES))
