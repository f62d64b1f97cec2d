"""Coordinates of a file against the grid that it declares, and against its own degrees.

Grid coordinates of every conformal projection are an analytic function of longitude and isometric
latitude [1]_. Over the length of a line its terms up to the square leave millimetres, so that grid
and geographic coordinates of one file can be compared without knowing the projection.

References
----------
.. [1] IOGP publication 373-7-2, Geomatics guidance note 7 part 2, Coordinate conversions and
   transformations including formulas.
"""

from __future__ import annotations

import re
from typing import Final

import numpy as np
from numpy.typing import NDArray

from deblend.model.findings import Finding, Verdict
from deblend.records.navigation.positions import Positions

Floats = NDArray[np.float64]
GEOGRAPHIC_LIMIT_M: Final = 5.0
"""Seconds of P1/90 are written to 0.3 m."""
GEOGRAPHIC_FAILS_M: Final = 100.0
_SCALE_LIMIT: Final = 0.03
_TURNED_DEG: Final = 10.0
"""Convergence of a grid in its zone is a few degrees."""
_SEMI_MAJOR_M: Final = 6_378_137.0
_ECCENTRICITY: Final = 0.0818191908426
"""Of the GRS 80 ellipsoid; another one changes the scale by a part in ten thousand."""
_FEWEST: Final = 5
_UTM_SCALE: Final = 0.9996
_UTM_EAST_M: Final = 1_000_000.0
_UTM_NORTH_M: Final = 10_000_000.0
_BEYOND_THE_EDGE_M: Final = 500_000.0
_UTM_LIMIT_M: Final = 1000.0
"""Other datums than that of the degrees lie within some hundred metres."""
_WGS_84_LIMIT_M: Final = 100.0
"""Where the file names WGS 84, whose ellipsoid is that of `utm_coordinates`."""
_WGS_84: Final = re.compile(r"\bWGS\W?(19)?84\b|EPSG:32[67]\d\d\b", re.IGNORECASE)
_HEMISPHERE: Final = re.compile(r"\b(NORTH|SOUTH)", re.IGNORECASE)
_ZONE: Final = re.compile(r"ZONE\D*(\d{1,2})\s*([NS])?\b", re.IGNORECASE)
_UTM_CODE: Final = re.compile(r"EPSG:32([67])(\d\d)\b", re.IGNORECASE)


def grid_findings(positions: Positions) -> list[Finding]:
    """What contradicts the declared grid, or the degrees beside the grid coordinates."""
    return [*_declared_grid(positions), *_geographic(positions)]


def declared_zone(words: str) -> tuple[int | None, bool | None]:
    """Zone of the Universal Transverse Mercator grid, and whether it is a southern one.

    None for what the words of a file do not say.
    """
    code = _UTM_CODE.search(words)
    if code is not None:
        return int(code[2]), code[1] == "7"
    if "UTM" not in words.upper() and "TRANSVERSE" not in words.upper():
        return None, None
    zone, hemisphere = _ZONE.search(words), _HEMISPHERE.search(words)
    side = zone[2] if zone is not None and zone[2] else hemisphere and hemisphere[1]
    return (
        int(zone[1]) if zone is not None else None,
        side[0].upper() == "S" if side else None,
    )


def utm_coordinates(
    latitude_deg: float, longitude_deg: float, zone: int, south: bool
) -> tuple[float, float]:
    """East and north in metres, to some metres within a few degrees of the zone [1]_."""
    latitude = np.radians(latitude_deg)
    apart = np.radians((longitude_deg - (6 * zone - 183) + 180.0) % 360.0 - 180.0)
    squared = _ECCENTRICITY**2
    second = squared / (1.0 - squared)
    sine, cosine, tangent = np.sin(latitude), np.cos(latitude), np.tan(latitude)
    normal = _SEMI_MAJOR_M / np.sqrt(1.0 - squared * sine**2)
    a, t, c = apart * cosine, tangent**2, second * cosine**2
    meridian = _SEMI_MAJOR_M * (
        (1.0 - squared / 4.0 - 3.0 * squared**2 / 64.0) * latitude
        - (3.0 * squared / 8.0 + 3.0 * squared**2 / 32.0) * np.sin(2.0 * latitude)
        + 15.0 * squared**2 / 256.0 * np.sin(4.0 * latitude)
    )
    east = normal * (a + (1.0 - t + c) * a**3 / 6.0)
    north = meridian + normal * tangent * (a**2 / 2.0 + (5.0 - t + 9.0 * c) * a**4 / 24.0)
    zero_north = _UTM_NORTH_M if south else 0.0
    return float(500_000.0 + _UTM_SCALE * east), float(zero_north + _UTM_SCALE * north)


def _declared_grid(positions: Positions) -> list[Finding]:
    """Coordinates against the zone of the Universal Transverse Mercator grid that is declared."""
    number, south = declared_zone(positions.coordinate_system)
    known = np.isfinite(positions.x_m + positions.y_m)
    if number is None or not known.any():
        return []
    east, north = float(np.median(positions.x_m[known])), float(np.median(positions.y_m[known]))
    place = _degrees(positions, known)
    if place is None:
        return _out_of_range(positions, east, north)
    there = utm_coordinates(*place, number, place[0] < 0.0 if south is None else south)
    off = float(np.hypot(east - there[0], north - there[1]))
    same_datum = _WGS_84.search(positions.coordinate_system) is not None
    if off <= (_WGS_84_LIMIT_M if same_datum else _UTM_LIMIT_M):
        return []
    apart_km = f"{off / 1e3:,.2f}" if off < 10_000.0 else f"{off / 1e3:,.0f}"
    message = (
        f"By latitude and longitude ({place[0]:.4f}, {place[1]:.4f}) sources lie {apart_km} km "
        f"from their grid coordinates ({east:,.0f} east, {north:,.0f} north) in the declared "
        f"system ({positions.coordinate_system})."
    )
    return [Finding("coordinates_outside_system", off, "m", "fail", message)]


def _degrees(positions: Positions, known: NDArray[np.bool_]) -> tuple[float, float] | None:
    """Latitude and longitude in the middle of the line; None where the file has none."""
    if positions.latitude_deg is None or positions.longitude_deg is None:
        return None
    known = known & np.isfinite(positions.latitude_deg + positions.longitude_deg)
    if not known.any():
        return None
    degrees = (positions.latitude_deg[known], positions.longitude_deg[known])
    return float(np.median(degrees[0])), float(np.median(degrees[1]))


def _out_of_range(positions: Positions, east: float, north: float) -> list[Finding]:
    """Coordinates that no zone has; somewhat beyond its edges they are used all the same."""
    if 0.0 <= east <= _UTM_EAST_M and 0.0 <= north <= _UTM_NORTH_M:
        return []
    beyond_m = max(-east, east - _UTM_EAST_M, -north, north - _UTM_NORTH_M)
    exchanged = 0.0 <= north <= _UTM_EAST_M and 0.0 <= east <= _UTM_NORTH_M
    why = "; east and north would fit if they are exchanged" if exchanged else ""
    message = (
        f"Sources lie at {east:,.0f} east and {north:,.0f} north, and coordinates of the declared "
        f"system ({positions.coordinate_system}) reach from 0 to 1,000,000 m east and from 0 to "
        f"10,000,000 m north{why}."
    )
    verdict: Verdict = "fail" if beyond_m > _BEYOND_THE_EDGE_M else "look"
    return [Finding("coordinates_outside_system", east, "m", verdict, message)]


def _geographic(positions: Positions) -> list[Finding]:
    """Each source against what all others say of degrees and grid, in whatever projection."""
    if positions.latitude_deg is None or positions.longitude_deg is None:
        return []
    latitude, longitude = np.radians(positions.latitude_deg), np.radians(positions.longitude_deg)
    known = np.isfinite(latitude + longitude + positions.x_m + positions.y_m)
    if np.count_nonzero(known) < _FEWEST:
        return []
    latitude, longitude = latitude[known], longitude[known]
    grid = positions.x_m[known] + 1j * positions.y_m[known]
    slope, off = _conformal(latitude, longitude, grid)
    swapped, swapped_off = _conformal(latitude, longitude, 1j * np.conj(grid))
    turned, turned_back = (abs(np.degrees(np.angle(value))) for value in (slope, swapped))
    other_way = turned > _TURNED_DEG > turned_back or swapped_off.max() < 0.1 * off.max()
    scale = abs(slope) / _radius_of_parallel(float(np.mean(latitude)))
    worst = int(off.argmax())
    verdict: Verdict
    if other_way and (turned > _TURNED_DEG or off.max() > GEOGRAPHIC_LIMIT_M):
        text = "East and north of the grid are exchanged against latitude and longitude"
        value, verdict = float(turned), "fail"
    elif abs(scale - 1.0) > _SCALE_LIMIT:
        text = f"A metre of the grid is {scale:.3f} m by latitude and longitude"
        value, verdict = scale, "fail"
    elif off[worst] > GEOGRAPHIC_LIMIT_M:
        point = positions.shot_point[known][worst]
        text = f"Grid and geographic coordinates of shot point {point} lie {off[worst]:,.1f} m "
        text += "from what all others say of each other"
        value, verdict = float(off[worst]), "fail" if off[worst] > GEOGRAPHIC_FAILS_M else "look"
    else:
        return []
    return [Finding("geographic_against_grid", value, "", verdict, f"{text}.")]


def _conformal(
    latitude: Floats, longitude: Floats, grid: NDArray[np.complex128]
) -> tuple[complex, Floats]:
    """Slope of the best analytic function, metres a radian east, and what it leaves, in metres."""
    sine = np.sin(latitude)
    isometric = np.arctanh(sine) - _ECCENTRICITY * np.arctanh(_ECCENTRICITY * sine)
    place = longitude - np.median(longitude) + 1j * (isometric - np.median(isometric))
    extent = float(np.abs(place).max()) or 1.0
    basis = np.stack([np.ones_like(place), place / extent, (place / extent) ** 2], axis=1)
    centred = grid - np.median(grid.real) - 1j * np.median(grid.imag)
    found = np.linalg.lstsq(basis, centred, rcond=None)[0]
    return complex(found[1]) / extent, np.abs(centred - basis @ found)


def _radius_of_parallel(latitude: float) -> float:
    sine = np.sin(latitude)
    return float(_SEMI_MAJOR_M * np.cos(latitude) / np.sqrt(1.0 - (_ECCENTRICITY * sine) ** 2))
