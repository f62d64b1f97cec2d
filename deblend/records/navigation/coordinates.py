"""From one projected coordinate system to another, where it is asked for."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from deblend.errors import MissingPackageError, NavigationError
from deblend.records.navigation.positions import Positions


def transform_positions(positions: Positions, *, from_system: str, to_system: str) -> Positions:
    """The same positions in another coordinate system; depths are left as they are.

    Parameters
    ----------
    positions : Positions
        From a navigation file.
    from_system, to_system : str
        As the library of the registry takes them, for instance "EPSG:32631". The first is stated by
        the caller because the words of a header need not be a code.

    Raises
    ------
    MissingPackageError
        If pyproj is not installed.
    NavigationError
        If a system is not known, is not projected, or positions lie outside its domain.
    """
    try:
        from pyproj import CRS, Transformer
        from pyproj.exceptions import ProjError
    except ImportError as error:
        raise MissingPackageError(
            "coordinates are transformed by pyproj, which is not installed",
            remedy="Install deblend[coordinates].",
        ) from error
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

    def moved(
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

    x_m, y_m = moved(positions.x_m, positions.y_m)
    receiver_x_m, receiver_y_m = moved(positions.receivers.x_m, positions.receivers.y_m)
    return replace(
        positions,
        coordinate_system=f"{to_system} (transformed from {from_system})",
        x_m=x_m,
        y_m=y_m,
        receivers=replace(positions.receivers, x_m=receiver_x_m, y_m=receiver_y_m),
    )
