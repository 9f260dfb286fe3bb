"""How much of the ammonia in sea water is un-ionised (NH3), the poisonous part of it."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Final

from polypward.errors import BadInputError
from polypward.masses import molar_mass_g
from polypward.water.parameters import parameter, shown
from polypward.water.tests import WaterTest

__all__ = ["Nh3", "bag_words", "nh3_of_tests", "nh3_share", "pk_ammonium"]

# Well within both published fits, and what sea water is met; kits reach no further than this pH.
TEMPERATURES_C: Final = (5.0, 35.0)
SALINITIES: Final = (20.0, 40.0)
PH: Final = (5.0, 10.0)
# Hydrogen ions on the seawater scale over those on the total scale, 25 degC and 35 PSU, by the
# constants of the DOE handbook (1994) for HSO4- and HF; from 20 to 40 PSU it is right within 1 %.
SEAWATER_OVER_TOTAL: Final = 1.022
# pH moves over a day; what was tested further apart than this is not one test. Own choice.
TOGETHER: Final = timedelta(hours=1)
# pH of sea water that stands open to the air, NBS scale; from memory.
OPEN_PH: Final = 8.2
NAME: Final = "un-ionised ammonia (NH3)"
_NEEDED: Final = ("ph", "temperature", "salinity")


def pk_ammonium(temperature_c: float, salinity: float) -> float:
    """Return pK of NH4+ in sea water on the total scale, in mol/kg of pure water.

    Parameters
    ----------
    temperature_c : float
        0 to 40 degC.
    salinity : float
        Practical salinity, 0 to 40.

    References
    ----------
    Clegg & Whitfield 1995, Geochim. Cosmochim. Acta 59:2403-2421, eq. 18 (-2 to 40 degC, 0 to 40).
    """
    t, s = temperature_c + 273.15, salinity
    root = math.sqrt(t)
    pk: float = (
        9.244605
        - 2729.33 * (1 / 298.15 - 1 / t)
        + (0.04203362 - 11.24742 / t) * s**0.25
        + (-13.6416 + 1.176949 * root - 0.02860785 * t + 545.4834 / t) * s**0.5
        + (-0.1462507 + 0.0090226468 * root - 0.0001471361 * t + 10.5425 / t) * s**1.5
        + (0.004669309 - 0.0001691742 * root - 0.5677934 / t) * s**2
        + (-2.354039e-05 + 0.009698623 / t) * s**2.5
    )
    return pk


def nh3_share(*, ph: float, temperature_c: float, salinity: float) -> float:
    """Return the un-ionised share of all ammonia, 0 to 1.

    The pH is as kits and meters show it that are set with ordinary (NBS) buffers; sea water reads
    about 0.15 lower on the total scale of the constant. Tables measured with such buffers (Bower &
    Bidwell 1978, J. Fish. Res. Board Can. 35:1012-1016) are met within 11 %; a pH that is 0.1 off
    changes it by a quarter.

    Parameters
    ----------
    ph : float
        5 to 10, NBS scale.
    temperature_c : float
        5 to 35 degC.
    salinity : float
        Practical salinity, 20 to 40.

    Raises
    ------
    BadInputError
        Outside these ranges.

    References
    ----------
    Constant: `pk_ammonium`. Activity of hydrogen ions in sea water: Takahashi et al. 1982, GEOSECS
    Pacific Expedition vol. 3, ch. 3, p. 80. Mol/kg of water to mol/kg of sea water: DOE 1994.
    """
    for name, value, (low, high), unit in (
        ("pH", ph, PH, ""),
        ("temperature", temperature_c, TEMPERATURES_C, " degC"),
        ("salinity", salinity, SALINITIES, " PSU"),
    ):
        if not low <= value <= high:
            raise BadInputError(
                f"{name} {value:g}{unit} is outside {low:g} to {high:g}{unit}, where the share of "
                "NH3 is known"
            )
    t = temperature_c + 273.15
    activity = 1.2948 - 0.002036 * t + (0.0004607 - 0.000001475 * t) * salinity**2
    hydrogen = 10**-ph / activity / SEAWATER_OVER_TOTAL
    constant = 10 ** -pk_ammonium(temperature_c, salinity) * (1 - 0.001005 * salinity)
    return 1 / (1 + hydrogen / constant)


@dataclass(frozen=True, slots=True, kw_only=True)
class Nh3:
    """The un-ionised part of an ammonia test.

    `share` is 0 to 1, `mg_per_l` counts NH3 (None where the kit showed nothing and nobody said
    what it can show). Both are None where something is missing, and `why_not` says what.
    `below` says that `mg_per_l` is the most there can be.
    """

    share: float | None = None
    mg_per_l: float | None = None
    below: bool = False
    stands_on: str = ""
    why_not: str = ""

    def text(self) -> str:
        """Return it in words, with what it stands on."""
        if self.share is None:
            return f"{NAME}: not available, because {self.why_not}"
        much = ""
        if self.mg_per_l is not None:
            much = f", {'under' if self.below else 'about'} {self.mg_per_l:.2g} mg/L NH3"
        return f"{NAME}: about {100 * self.share:.2g} % of all{much} ({self.stands_on})"


def nh3_of_tests(tests: Iterable[WaterTest]) -> Nh3 | None:
    """Return the un-ionised part of the newest ammonia test, None if there is none.

    It stands on pH, temperature and salinity that were tested together with it, within the hour.

    Parameters
    ----------
    tests : iterable of WaterTest
        Of one system.
    """
    every = sorted(tests, key=lambda test: (test.at, test.id or 0))
    ammonia = next((test for test in reversed(every) if test.parameter == "ammonia"), None)
    if ammonia is None:
        return None
    beside: dict[str, WaterTest] = {}
    for test in every:
        apart = abs(test.at - ammonia.at)
        known = beside.get(test.parameter)
        if apart <= TOGETHER and (known is None or apart <= abs(known.at - ammonia.at)):
            beside[test.parameter] = test
    missing = [parameter(key).words for key in _NEEDED if key not in beside]
    if missing:
        were = "was" if len(missing) == 1 else "were"
        return Nh3(why_not=f"{_listed(missing)} {were} not tested within an hour of the ammonia")
    ph, warmth, salt = (beside[key].value for key in _NEEDED)
    try:
        share = nh3_share(ph=ph, temperature_c=warmth, salinity=salt)
    except BadInputError as error:
        return Nh3(why_not=str(error))
    # Total ammonia is kept as NH4; the un-ionised part weighs as NH3.
    much = ammonia.value * share * molar_mass_g("NH3") / molar_mass_g("NH4")
    told = (f"pH {shown('ph', ph)}", shown("temperature", warmth), shown("salinity", salt))
    return Nh3(
        share=share,
        mg_per_l=None if ammonia.below and not ammonia.value else much,
        below=ammonia.below,
        stands_on=", ".join(told),
    )


def bag_words(
    *,
    ph: float | None,
    temperature_c: float | None,
    salinity: float | None,
    ph_after: float = OPEN_PH,
    ph_of: str = "sea water open to the air, from memory",
) -> str:
    """Return what opening a bag does to the ammonia in it, in a sentence.

    Parameters
    ----------
    ph, temperature_c, salinity : float, optional
        As read in the bag at once; None = not read.
    ph_after, ph_of : float, str
        pH that its water rises to, and of what that is the pH.
    """
    given = {"pH": ph, "temperature": temperature_c, "salinity": salinity}
    missing = [name for name, value in given.items() if value is None]
    if ph is None or temperature_c is None or salinity is None:
        were = "was" if len(missing) == 1 else "were"
        return f"{NAME}: not available, because {_listed(missing)} of the bag {were} not read"
    try:
        now, after = (
            nh3_share(ph=one, temperature_c=temperature_c, salinity=salinity)
            for one in (ph, max(ph, ph_after))
        )
    except BadInputError as error:
        return f"{NAME}: not available, because {error}"
    part = f"{NAME}: about {100 * now:.2g} % of all in this bag"
    if after < 1.1 * now:
        return part
    return (
        f"{part}; about {100 * after:.2g} % once its pH has risen to {shown('ph', ph_after)} "
        f"({ph_of}), {after / now:.2g} times as much: match the temperature, no long drip in bag "
        "water"
    )


def _listed(words: Sequence[str]) -> str:
    *most, last = words
    return f"{', '.join(most)} and {last}" if most else last
