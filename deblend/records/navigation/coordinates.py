"""From one projected coordinate system to another, where it is asked for."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from deblend.errors import MissingPackageError, NavigationError
from deblend.model.findings import Finding
from deblend.records.navigation.grid import declared_zone
from deblend.records.navigation.positions import Positions

if TYPE_CHECKING:
    from pyproj import CRS

_DECLARED: Final = re.compile(r"EPSG:\d+", re.IGNORECASE)


def transform_positions(positions: Positions, *, from_system: str, to_system: str) -> Positions:
    """Positions in another coordinate system; depths are left as they are.

    Systems are named as the library of the registry takes them, for instance "EPSG:32631"; the
    first may be empty where the file declares a code.

    Raises
    ------
    MissingPackageError
        If pyproj is not installed.
    NavigationError
        If a system is not known, is not projected, is not the one that the file declares, or
        positions lie outside its domain.
    """
    try:
        from pyproj import CRS, Transformer
        from pyproj.exceptions import ProjError
    except ImportError as error:
        raise MissingPackageError(
            "coordinates are transformed by pyproj, which is not installed",
            remedy="Install deblend[coordinates].",
        ) from error
    declared = _DECLARED.search(positions.coordinate_system)
    if not from_system:
        if declared is None:
            raise NavigationError(
                "the file declares no code of its coordinate system",
                where=str(positions.path),
                remedy='Give from_system, such as "EPSG:32631".',
            )
        from_system = declared[0].upper()
    try:
        systems = [CRS.from_user_input(name) for name in (from_system, to_system)]
        transformer = Transformer.from_crs(*systems, always_xy=True)
    except ProjError as error:
        raise NavigationError(
            f"coordinate system {from_system!r} or {to_system!r} is not known",
            remedy='Give a code of the registry, such as "EPSG:32631".',
        ) from error
    for name, system in zip((from_system, to_system), systems, strict=True):
        if not system.is_projected:
            raise NavigationError(
                f"coordinate system {name!r} is not projected",
                remedy="Positions are metres east and north; give a projected system.",
            )

    _refuse_contradiction(positions, from_system, systems[0])
    if systems[0] == systems[1]:
        return replace(positions, coordinate_system=to_system)

    def transformed(
        x_m: NDArray[np.float64], y_m: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        known = np.isfinite(x_m) & np.isfinite(y_m)
        east, north = np.full_like(x_m, np.nan), np.full_like(y_m, np.nan)
        east[known], north[known] = transformer.transform(x_m[known], y_m[known])
        if not np.isfinite(east[known]).all() or not np.isfinite(north[known]).all():
            raise NavigationError(
                f"positions lie outside the domain of {to_system!r}",
                where=str(positions.path),
                remedy="Check which system the file is in.",
            )
        return east, north

    x_m, y_m = transformed(positions.x_m, positions.y_m)
    receiver_x_m, receiver_y_m = transformed(positions.receivers.x_m, positions.receivers.y_m)
    shift_m = np.hypot(x_m - positions.x_m, y_m - positions.y_m)
    shift_m = shift_m[np.isfinite(shift_m)]
    message = (
        f"Positions were transformed from {from_system} to {to_system}: coordinates changed by "
        f"{shift_m.min():,.1f} to {shift_m.max():,.1f} m."
    )
    finding = Finding("positions_transformed", float(shift_m.max()), "m", "note", message)
    return replace(
        positions.with_findings(finding),
        coordinate_system=f"{to_system} (transformed from {from_system})",
        x_m=x_m,
        y_m=y_m,
        receivers=replace(positions.receivers, x_m=receiver_x_m, y_m=receiver_y_m),
    )


def _refuse_contradiction(positions: Positions, name: str, system: CRS) -> None:
    """Refuse a system that is not the one that the file declares, by code or by zone."""
    words = positions.coordinate_system
    code = _DECLARED.search(words)
    zone = system.utm_zone or ""
    differs = code is not None and type(system).from_user_input(code[0].upper()) != system
    if code is None and zone:
        number, south = declared_zone(words)
        differs = number not in (None, int(zone[:-1])) or south not in (None, zone[-1] == "S")
    if differs:
        raise NavigationError(
            f"the file declares {words}, and from_system is {name!r}, {system.name}",
            where=str(positions.path),
            remedy="Leave from_system out where the file declares a code, or correct one of them.",
        )
