"""Water against published values and general-purpose libraries. Each test names its source."""

import math

import gsw
import pint
import pytest

from polypward.masses import ATOMIC_WEIGHT, molar_mass_g
from polypward.sizes import LENGTH_CM, VOLUME_L, volume_l_of
from polypward.units import MEQ_PER_L_PER_DKH, unit_of
from polypward.water import (
    compound_of,
    density_kg_m3,
    grams_for,
    nh3_share,
    read_entry,
    read_label,
    salinity_from_sg,
    specific_gravity,
    volume_of,
)
from polypward.water.ammonia import pk_ammonium


# UNESCO Technical Papers in Marine Science 44 (1983), p. 19 (Millero & Poisson 1981), at
# atmospheric pressure; printed to 1e-5 kg/m3.
@pytest.mark.parametrize(
    ("salinity", "t68", "rho"),
    [(0, 5, 999.96675), (0, 25, 997.04796), (35, 5, 1027.67547), (35, 25, 1023.34306)],
)
def test_density_of_unesco_1983(salinity: float, t68: float, rho: float) -> None:
    assert density_kg_m3(salinity, t68) == pytest.approx(rho, abs=6e-6)


@pytest.mark.parametrize("salinity", [20.0, 30.0, 35.0, 40.0])
@pytest.mark.parametrize("celsius", [10.0, 20.0, 25.0, 30.0])
def test_density_against_teos_10(salinity: float, celsius: float) -> None:
    """The two equations of state agree within 0.03 kg/m3 here, 3e-5 as a specific gravity."""
    absolute = salinity * 35.16504 / 35
    rho = gsw.rho(absolute, gsw.CT_from_t(absolute, celsius, 0), 0)
    assert density_kg_m3(salinity, 1.00024 * celsius) == pytest.approx(rho, abs=0.03)


def test_absolute_salinity_of_the_reference_composition() -> None:
    """Millero et al. 2008: 35.16504 g/kg at 35 PSU; gsw holds the same factor."""
    assert unit_of("salinity", "g/kg").canonical(35.16504) == pytest.approx(35)
    assert unit_of("salinity", "g/kg").from_canonical(35) == pytest.approx(gsw.SR_from_SP(35))


# Computed once from the UNESCO 1983 formula in another script, to the last digit shown.
@pytest.mark.parametrize(
    ("salinity", "over_25", "over_4"),
    [
        (30, 1.02259, 1.01959),
        (32, 1.02410, 1.02110),
        (33, 1.02486, 1.02186),
        (34, 1.02562, 1.02261),
        (35, 1.02637, 1.02337),
        (36, 1.02713, 1.02412),
        (38, 1.02865, 1.02564),
    ],
)
def test_specific_gravity_by_its_reference(salinity: float, over_25: float, over_4: float) -> None:
    found = [specific_gravity(salinity, water_c=25, reference_c=ref) for ref in (25, 4)]
    # Half of the last digit, and a little for 999.975 taken as the density at 4 degC.
    assert found == pytest.approx([over_25, over_4], abs=6e-6)


@pytest.mark.parametrize(
    ("gravity", "psu"),
    [(1.020, 26.57), (1.023, 30.55), (1.025, 33.19), (1.026, 34.51), (1.0264, 35.04)],
)
def test_salinity_from_specific_gravity_25_25(gravity: float, psu: float) -> None:
    """The inverse of the UNESCO formula, by Brent's method in another script."""
    assert salinity_from_sg(gravity, water_c=25, reference_c=25) == pytest.approx(psu, abs=0.01)
    assert read_entry(f"sg25/25={gravity}").value == pytest.approx(psu, abs=0.01)


def test_a_hydrometer_in_fahrenheit_against_teos_10() -> None:
    """60/60 F is 15.556 degC; a salinity that gsw gives its density for is found again."""
    celsius = (60 - 32) / 1.8
    absolute = 34 * 35.16504 / 35
    rho = gsw.rho(absolute, gsw.CT_from_t(absolute, celsius, 0), 0)
    gravity = rho / gsw.rho(0, gsw.CT_from_t(0, celsius, 0), 0)
    # 3e-5 between the equations of state, at 0.00076 a PSU.
    assert read_entry(f"sg60/60F={gravity:.6f}").value == pytest.approx(34, abs=0.04)


def test_volumes_and_lengths_against_pint() -> None:
    """NIST Handbook 44, Appendix C: the US gallon of 231 cubic inches, 3.785411784 L exactly."""
    ureg = pint.UnitRegistry()
    words = {"US gal": "gallon", "imp gal": "imperial_gallon", "US fl oz": "fluid_ounce"}
    words |= {"mL": "milliliter", "L": "liter", "m3": "meter**3"}
    for name, litres in VOLUME_L.items():
        assert litres == pytest.approx((1 * ureg(words[name])).to("liter").magnitude, rel=1e-12)
    for name, cm in LENGTH_CM.items():
        assert cm == pytest.approx((1 * ureg(name)).to("cm").magnitude, rel=1e-12)
    assert VOLUME_L["US gal"] == pytest.approx(231 * 2.54**3 / 1000, rel=1e-12) == 3.785411784
    box = (48 * ureg.inch * 24 * ureg.inch * 20 * ureg.inch).to("liter").magnitude
    assert volume_of(inside="48x24x20 in", rock="none", sump="none").litres == int(box) == 377


def test_temperatures_against_pint() -> None:
    ureg = pint.UnitRegistry()
    for fahrenheit in (32.0, 77.0, 100.0):
        wanted = ureg.Quantity(fahrenheit, "degF").to("degC").magnitude
        assert unit_of("temperature", "F").canonical(fahrenheit) == pytest.approx(wanted)
    assert unit_of("temperature", "K").canonical(298.15) == pytest.approx(25)


@pytest.mark.parametrize(
    ("quantity", "species", "grams"),
    # NIST Chemistry WebBook (SRD 69) and PubChem molar masses, each rounded in its own way.
    [
        *(("calcium", "", 40.078), ("magnesium", "", 24.305), ("potassium", "", 39.0983)),
        *(("nitrate", " NO3", 62.0049), ("nitrite", " NO2", 46.0055), ("ammonia", " NH4", 18.0385)),
        ("phosphate", " PO4", 94.9714),
    ],
)
def test_concentrations_against_pint(quantity: str, species: str, grams: float) -> None:
    """Milligrams, micrograms and moles in a litre, by a library of units."""
    ureg = pint.UnitRegistry()
    mole = grams * ureg.gram / ureg.mol
    for name, size in (
        (f"mg/L{species}", 1 * ureg.milligram / ureg.liter),
        (f"ug/L{species}", 1 * ureg.microgram / ureg.liter),
        ("mmol/L", (1 * ureg.millimole / ureg.liter) * mole),
        ("umol/L", (1 * ureg.micromole / ureg.liter) * mole),
    ):
        wanted = size.to("mg/L").magnitude
        assert unit_of(quantity, name).canonical(1) == pytest.approx(wanted, rel=1e-4)


# NIST Standard Reference Database 69 (Chemistry WebBook), molecular weights as printed there;
# both round their atomic weights in their own way, hence 2e-4.
@pytest.mark.parametrize(
    ("formula", "grams"),
    [("CaCO3", 100.087), ("NaHCO3", 84.0066), ("NH3", 17.0305), ("CaCl2", 110.984)],
)
def test_molar_masses(formula: str, grams: float) -> None:
    assert molar_mass_g(formula) == pytest.approx(grams, rel=2e-4)


def test_water_of_crystallisation_counts() -> None:
    water = 2 * ATOMIC_WEIGHT["H"] + ATOMIC_WEIGHT["O"]
    assert molar_mass_g("CaCl2.2H2O") == pytest.approx(molar_mass_g("CaCl2") + 2 * water)


# From molar masses (CIAAW conventional atomic weights). With N 14.0067, O 15.9994, P 30.97376 the
# first and last are 4.4268 and 3.0662, so the tolerance is 3e-4 to cover both.
@pytest.mark.parametrize(
    ("quantity", "unit", "factor"),
    [
        ("nitrate", "mg/L NO3-N", 4.4266),
        ("nitrite", "mg/L NO2-N", 3.2844),
        ("ammonia", "mg/L NH4-N", 1.2879),
        ("phosphate", "mg/L PO4-P", 3.0661),
    ],
)
def test_species_factors(quantity: str, unit: str, factor: float) -> None:
    assert unit_of(quantity, unit).factor == pytest.approx(factor, abs=3e-4)


def test_alkalinity() -> None:
    """1 dKH = 10 mg/L CaO by definition; FAO glossary: 50 mg/L CaCO3 = 1 meq/L = 2.805 dKH."""
    assert pytest.approx(0.35665, rel=1e-5) == MEQ_PER_L_PER_DKH
    assert unit_of("alkalinity", "mg/L CaCO3").from_canonical(1) == pytest.approx(17.848, abs=5e-4)
    assert unit_of("alkalinity", "meq/L").canonical(1) == pytest.approx(2.80385, rel=1e-5)
    assert unit_of("alkalinity", "meq/L").canonical(1) == pytest.approx(2.805, abs=2e-3)
    assert unit_of("alkalinity", "meq/L").from_canonical(8.5) == pytest.approx(3.0315, abs=1e-4)
    ppm = unit_of("alkalinity", "ppm CaCO3").from_canonical(8.5)
    assert ppm == pytest.approx(151.71, abs=1e-2)
    assert ppm / unit_of("alkalinity", "meq/L").from_canonical(8.5) == pytest.approx(
        50.043, abs=2e-3
    )


def test_calcium_by_mass_of_sea_water() -> None:
    """At 35 PSU and 25 degC, 420 mg/kg is 429.8 mg/L (density of UNESCO 1983)."""
    assert read_entry("ca=420 mg/kg").value == pytest.approx(429.8, abs=0.05)


# Per cent of un-ionised ammonia in sea water of 34 PSU: Bower & Bidwell 1978, J. Fish. Res. Board
# Can. 35:1012-1016, as two kit leaflets reprint it; measured with NBS buffers as a keeper does.
@pytest.mark.parametrize(
    ("celsius", "ph", "per_cent"),
    [
        *((10, 7.5, 0.459), (10, 8.0, 1.44), (10, 8.5, 4.41), (15, 7.5, 0.665), (15, 8.1, 2.60)),
        *((15, 8.5, 6.28), (20, 7.5, 0.963), (20, 8.0, 2.98), (20, 8.5, 8.87), (25, 7.5, 1.39)),
        *((25, 8.0, 4.28), (25, 8.1, 5.32), (25, 8.3, 8.18), (25, 8.5, 12.40)),
    ],
)
def test_un_ionised_ammonia_of_bower_and_bidwell(
    celsius: float, ph: float, per_cent: float
) -> None:
    """Two measured constants, 17 years apart, agree within 11 %; 0.1 in pH would be 25 %."""
    found = 100 * nh3_share(ph=ph, temperature_c=celsius, salinity=34)
    assert found == pytest.approx(per_cent, rel=0.11)


@pytest.mark.parametrize(("celsius", "salinity"), [(5, 20), (15, 30), (25, 35), (30, 40)])
def test_the_constant_of_ammonium_against_yao_and_millero(celsius: float, salinity: float) -> None:
    """Yao & Millero 1995, Aquat. Geochem. 1:53-88, as CO2SYS holds it, a fit of other data.

    It is per kg of sea water and on the seawater scale, which is 0.01 from the total one.
    """
    t = celsius + 273.15
    ln = -6285.33 / t + 0.0001635 * t - 0.25444
    ln += (0.46532 - 123.7184 / t) * math.sqrt(salinity) + (-0.01992 + 3.17556 / t) * salinity
    other = -ln / math.log(10) + 0.01
    ours = pk_ammonium(celsius, salinity) - math.log10(1 - 0.001005 * salinity)
    assert ours == pytest.approx(other, abs=0.03)


def test_the_constant_of_ammonium_in_pure_water() -> None:
    """9.245 at 25 degC, from memory: Bates & Pinching 1949, J. Res. Natl. Bur. Stand. 42:419."""
    assert pk_ammonium(25, 0) == pytest.approx(9.245, abs=1e-3)


# Stoichiometric masses for 1000 L, 100 % pure, worked out beforehand from molar masses.
@pytest.mark.parametrize(
    ("compound", "parameter", "change", "grams"),
    [
        ("NaHCO3", "alkalinity", 1, 29.96),
        ("Na2CO3", "alkalinity", 1, 18.90),
        ("CaCl2.2H2O", "calcium", 10, 36.68),
        ("MgCl2.6H2O", "magnesium", 10, 83.64),
    ],
)
def test_masses_for_a_thousand_litres(
    compound: str, parameter: str, change: float, grams: float
) -> None:
    one = compound_of(compound, raises=parameter)
    found = grams_for(one, change=change, litres=1000, purity=1)
    assert found == pytest.approx(grams, abs=0.005)


def test_the_common_dose_of_amino_acids() -> None:
    """5 mL per 100 US gal is 13.209 mL in 1000 L (NIST gallon); the dose itself has no source."""
    dose = read_label("5 mL per 100 US gal")
    assert dose.ml / dose.litres * 1000 == pytest.approx(13.209, abs=1e-3)
    assert volume_l_of("100 US gal") == pytest.approx(378.5411784)
