"""Limits of settings that the methods share."""

from __future__ import annotations

from typing import Any

from deblend.errors import SettingsError


def check_at_least(name: str, value: Any, least: float) -> None:
    """Refuse a setting below its limit."""
    if not value >= least:
        raise SettingsError(f"{name} is {value!r}", remedy=f"Give a number of at least {least}.")


def check_odd(name: str, value: Any) -> None:
    """Refuse a width that has no middle."""
    if not (value >= 1 and value % 2 == 1):
        raise SettingsError(f"{name} is {value!r}", remedy="Give an odd number of at least 1.")
