"""Density of sea water at the surface, and salinity from a specific gravity with its reference."""

import math
from typing import Final

from polypward.errors import BadInputError

__all__ = ["density_kg_m3", "salinity_from_sg", "specific_gravity"]

# The equation of state holds for 0 to 42 PSU; its temperatures are narrowed to what is at hand.
MAX_SALINITY: Final = 42.0
MAX_TEMPERATURE_C: Final = 40.0


def density_kg_m3(salinity: float, temperature_c: float) -> float:
    """Density of sea water at atmospheric pressure, kg/m3.

    Parameters
    ----------
    salinity : float
        Practical salinity, 0 to 42.
    temperature_c : float
        degC on IPTS-68, 0 to 40; today's scale (ITS-90) differs by 0.002 kg/m3 at 25 degC.

    Raises
    ------
    BadInputError
        Outside the range of the equation.

    References
    ----------
    UNESCO 1983, Technical Papers in Marine Science 44, p. 17-19 (Millero & Poisson 1981).
    """
    if not 0 <= salinity <= MAX_SALINITY:
        raise BadInputError(f"salinity {salinity:g} PSU: density is known from 0 to 42 PSU")
    if not 0 <= temperature_c <= MAX_TEMPERATURE_C:
        raise BadInputError(f"{temperature_c:g} degC: density is known from 0 to 40 degC")
    s, t = salinity, temperature_c
    water = 999.842594 + t * (
        6.793952e-2 + t * (-9.095290e-3 + t * (1.001685e-4 + t * (-1.120083e-6 + t * 6.536332e-9)))
    )
    first = 0.824493 + t * (-4.0899e-3 + t * (7.6438e-5 + t * (-8.2467e-7 + t * 5.3875e-9)))
    second = -5.72466e-3 + t * (1.0227e-4 - t * 1.6546e-6)
    return water + first * s + second * s * math.sqrt(s) + 4.8314e-4 * s**2


def specific_gravity(salinity: float, *, water_c: float, reference_c: float) -> float:
    """Specific gravity of sea water at `water_c` over pure water at `reference_c`.

    Raises
    ------
    BadInputError
        Outside the range of `density_kg_m3`.
    """
    return density_kg_m3(salinity, water_c) / density_kg_m3(0.0, reference_c)


def salinity_from_sg(gravity: float, *, water_c: float, reference_c: float) -> float:
    """Practical salinity of water of a specific gravity; the inverse of `specific_gravity`.

    The same 1.025 is 33.2 PSU where the instrument means 25/25 degC, and 37.2 where it means 25/4.

    Raises
    ------
    BadInputError
        If no salinity from 0 to 42 has this gravity.
    """
    low, high = 0.0, MAX_SALINITY
    least, most = (
        specific_gravity(end, water_c=water_c, reference_c=reference_c) for end in (low, high)
    )
    # A hydrometer in fresh water may stand a little under its 1.000.
    if not least - 5e-4 <= gravity <= most:
        raise BadInputError(
            f"specific gravity {gravity:g} at {water_c:g}/{reference_c:g} degC: "
            f"it can be from {least:.4f} (fresh water) to {most:.4f} (42 PSU)"
        )
    while high - low > 1e-9:
        middle = (low + high) / 2
        if specific_gravity(middle, water_c=water_c, reference_c=reference_c) < gravity:
            low = middle
        else:
            high = middle
    return (low + high) / 2
