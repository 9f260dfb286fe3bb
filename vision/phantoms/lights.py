"""Lamps as spectra of radiant power: white LEDs, daylight, reef lights, pure blue."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from phantoms.spectra import WAVELENGTHS_NM, colour, resampled

__all__ = ["DAYLIGHTS", "WHITE_LEDS", "Lamp", "actinic", "lamp", "reef"]

# Names in colour-science's table of CIE illuminants (CIE 15:2018).
WHITE_LEDS = ("LED-B1", "LED-B2", "LED-B3", "LED-B4", "LED-B5")
DAYLIGHTS = ("D50", "D55", "D60", "D65", "D75")
# A typical royal-blue aquarium LED: common practice, no source.
ACTINIC_PEAK_NM = 450.0
ACTINIC_FWHM_NM = 20.0


@dataclass(frozen=True, slots=True, eq=False)
class Lamp:
    """A light source; `spectrum` is power on 400-700 nm, shape (31,), sum 1."""

    name: str
    spectrum: npt.NDArray[np.float64]


def _unit(values: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    return np.asarray(values / values.sum())


def actinic() -> Lamp:
    """Return a pure blue lamp, Gaussian around 450 nm, 20 nm wide at half height."""
    width = ACTINIC_FWHM_NM / np.sqrt(8 * np.log(2))
    return Lamp("blue-100", _unit(np.exp(-0.5 * ((WAVELENGTHS_NM - ACTINIC_PEAK_NM) / width) ** 2)))


def lamp(name: str) -> Lamp:
    """Return a CIE illuminant by its name (``"D65"``, ``"LED-B3"``), or ``"blue-100"``."""
    if name == "blue-100":
        return actinic()
    return Lamp(name, _unit(resampled(colour.SDS_ILLUMINANTS[name])))


def reef(blue_share: float, *, white: str = "LED-B4") -> Lamp:
    """Mix a white lamp with blue; `blue_share` 0..1 is blue's share of the radiant power."""
    if not 0 <= blue_share <= 1:
        raise ValueError(f"blue_share must be 0 .. 1, got {blue_share}")
    mixed = (1 - blue_share) * lamp(white).spectrum + blue_share * actinic().spectrum
    return Lamp(f"{white}+blue-{100 * blue_share:.0f}", mixed)
