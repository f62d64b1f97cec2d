"""Methods with a loop of their own: a function of a whole line in place of one of patches."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np

from deblend.blending.line_operator import LineOperator, operator_of
from deblend.errors import SeparationError, SettingsError
from deblend.model.gathers import make_gathers, make_record
from deblend.model.recording import Recording
from deblend.model.shots import Shots
from deblend.separation.loop import IterationRecord
from deblend.separation.own_code import code_name
from deblend.separation.separate import Separation

WholeLine = Callable[..., Any]
"""``function(record, shots, operator, length_s, **settings)`` returns gathers.

The record is an array of float32 (channel, time), unknown samples zero; the operator is that of
`deblend.operator_of`, in single precision; gathers are an array (shot, channel, time), labelled or
not. A parameter called ``iterations`` gets those of the study.
"""
_NEEDED = ("record", "shots", "operator", "length_s")


def check_whole_line(function: Any, settings: Mapping[str, Any], label: str) -> None:
    """Refuse what cannot be called with a line and these settings."""
    where = f"method {label}"
    if not callable(function) or isinstance(function, type):
        raise SettingsError(
            f"a method of the whole line is a function, and this is {type(function).__name__}",
            where=where,
            remedy=f"Name a function of {', '.join(_NEEDED)}.",
        )
    try:
        inspect.signature(function).bind(*_NEEDED, **settings)
    except TypeError as error:
        raise SettingsError(
            f"the function cannot be called with a line and its settings ({error})",
            where=where,
            remedy=f"It gets {', '.join(_NEEDED)} and its settings by name.",
        ) from error


def separate_whole_line(
    function: Any,
    recording: Recording,
    shots: Shots,
    length_s: float,
    iterations: int,
    settings: Mapping[str, Any],
) -> Separation:
    """What a function of a whole line makes of one, held to the contract of all methods.

    Raises
    ------
    SeparationError
        If it returns another shape, or numbers that are not finite.
    """
    operator = operator_of(recording, shots, length_s, dtype=np.float32)
    whole = range(recording.shape[0]), 0, recording.shape[1]
    record = np.nan_to_num(recording.read(*whole), nan=0.0, posinf=0.0, neginf=0.0)
    known = np.isfinite(recording.read(*whole))
    given = dict(settings)
    if "iterations" in inspect.signature(function).parameters:
        given = {"iterations": iterations} | given
    estimate = _checked(function(record, shots, operator, length_s, **given), operator, function)
    residual = np.where(known, record - operator.blend(estimate), 0).astype(np.float32)
    left, whole_energy = (float(np.sum(np.square(x, dtype=np.float64))) for x in (residual, record))
    return Separation(
        estimate=make_gathers(
            estimate,
            shots,
            recording.channel_numbers,
            recording.interval_s,
            kind="estimate",
            live=shots.live,
            amplitude_unit=recording.amplitude_unit,
        ),
        residual=make_record(residual, recording, name="residual"),
        history=(IterationRecord(iterations, 0.0, left, whole_energy),),
        settings={"method": code_name(function), "length_s": length_s, **given},
        findings=(),
    )


def _checked(found: Any, operator: LineOperator, function: WholeLine) -> np.ndarray[Any, Any]:
    estimate = np.asarray(found)
    if estimate.shape != operator.gathers_shape:
        raise SeparationError(
            f"the method returns gathers of shape {estimate.shape}",
            where=code_name(function),
            remedy=f"Return (shot, channel, time), which is {operator.gathers_shape}.",
        )
    if estimate.dtype.kind not in "fiu" or not np.isfinite(estimate).all():
        raise SeparationError(
            "the method returns numbers that are not finite",
            where=code_name(function),
            remedy="Take smaller steps: one over the largest blending fold cannot diverge.",
        )
    return np.where(np.asarray(operator.blending.live)[:, None, None], estimate, 0).astype(
        np.float32
    )
