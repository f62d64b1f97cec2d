"""Sea water, air guns in it and the reflection in the sea surface: constants and closed forms."""

from __future__ import annotations

from typing import Final

import numpy as np

WATER_VELOCITY_M_S: Final = 1500.0
WATER_DENSITY_KG_M3: Final = 1025.0
AIR_PRESSURE_PA: Final = 101_325.0
GRAVITY_M_S2: Final = 9.81
PASCAL_PER_PSI: Final = 6894.757
CUBIC_METRE_PER_CUBIC_INCH: Final = 1.6387064e-5


def ghost_delay_s(depth_m: float, angle_deg: float = 0.0) -> float:
    """Delay of the reflection in the sea surface behind the direct wave, in seconds."""
    return float(2.0 * depth_m * np.cos(np.radians(angle_deg)) / WATER_VELOCITY_M_S)


def bubble_period_s(volume_cubic_inch: float, pressure_psi: float, depth_m: float) -> float:
    """First bubble period after Rayleigh and Willis, in seconds.

    ``T = 1.14 rho^(1/2) E^(1/3) P0^(-5/6)`` with the energy E = PV of the air in the gun and the
    hydrostatic pressure P0. A first guess: real guns need a constant of their own.
    """
    energy_j = volume_cubic_inch * CUBIC_METRE_PER_CUBIC_INCH * pressure_psi * PASCAL_PER_PSI
    hydrostatic_pa = AIR_PRESSURE_PA + WATER_DENSITY_KG_M3 * GRAVITY_M_S2 * depth_m
    return float(
        1.14 * np.sqrt(WATER_DENSITY_KG_M3) * np.cbrt(energy_j) * hydrostatic_pa ** (-5.0 / 6.0)
    )
