"""Kinds of option values that several commands share."""

from __future__ import annotations

import math
from typing import Any

import click


class FiniteRange(click.FloatRange):
    """A number within bounds; infinity and what is no number are refused, as in a line file."""

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """As in click."""
        number = float(super().convert(value, param, ctx))
        if not math.isfinite(number):
            self.fail(f"{value} is no finite number", param, ctx)
        return number


class Text(click.types.StringParamType):
    """Text that is not empty, as that of a variable is which a script forgot to set."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """As in click."""
        if not str(value).strip():
            self.fail("it is empty", param, ctx)
        return str(value)
