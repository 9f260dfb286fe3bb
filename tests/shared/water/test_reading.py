from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from polypward.errors import BadInputError
from polypward.masses import molar_mass_g
from polypward.sizes import as_number, length_unit, volume_l_of
from polypward.units import CANONICAL, units
from polypward.water import PARAMETERS, parameter, read_entry
from polypward.water.parameters import shown


@pytest.mark.parametrize(
    ("text", "key", "value"),
    [
        ("dkh=8,4", "alkalinity", 8.4),
        ("alk=3 meq/L", "alkalinity", 8.41155),
        ("Alkalinity = 150 mg/L as CaCO3", "alkalinity", 8.40432),
        ("ca=430", "calcium", 430),
        ("calcium=430 ppm", "calcium", 430),
        ("ca=1000 mg/L CaCO3", "calcium", 400.436),
        ("mg=1300", "magnesium", 1300),
        ("k=400", "potassium", 400),
        ("no3=5", "nitrate", 5),
        ("NO₃-N=1.1", "nitrate", 4.86931),
        ("nitrate=1.1 ppm N", "nitrate", 4.86931),
        ("nitrate=100 µmol/L", "nitrate", 6.2004),
        ("tan=0.2", "ammonia", 0.257571),
        ("ammonia=0.2 mg/L NH3", "ammonia", 0.211837),
        ("phosphate=9 ppb P", "phosphate", 0.0275951),
        ("temp=77F", "temperature", 25),
        ("salinity=35 ppt", "salinity", 35),
        ("sg25/25=1.025", "salinity", 33.1878),
        ("salinity=1.025 sg 25/4", "salinity", 37.1571),
        ("ph=8.1", "ph", 8.1),
    ],
)
def test_any_unit_and_basis_is_read(text: str, key: str, value: float) -> None:
    """Values by hand from the molar masses; specific gravity by another script."""
    entry = read_entry(text)
    assert entry.parameter == key
    assert entry.value == pytest.approx(value, rel=1e-5)
    assert not entry.below


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("sg=1.025", "at which temperatures"),
        ("salinity=1.025", "which unit.*sg25/25"),
        ("nitrate=5", "as NO3 or as NO3-N"),
        ("nitrate=5 mg/L", "as NO3 or as NO3-N"),
        ("phosphate=0.03 ppm", "as PO4 or as PO4-P"),
        ("ammonia=0.1 mg/L", "as NH4 or as NH4-N or as NH3"),
        ("nh3=0.1", "all of the ammonia, or the un-ionised part"),
        ("alkalinity=8.4", "in which unit"),
        ("ca=1,250", "reads two ways"),
    ],
)
def test_what_could_mean_two_things_is_asked(text: str, told: str) -> None:
    with pytest.raises(BadInputError, match=told):
        read_entry(text)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("ca=-3", "from 0 to 1000 mg/L, not -3"),
        ("ca=5000", "from 0 to 1000 mg/L, not 5000"),
        ("temp=77", "from 0 to 40 degC"),
        ("sg25/25=1.25", "from 1.0000"),
        ("psu=1.025", "looks like a specific gravity.*sg25/25=1.025"),
        ("salinity=1.026 ppt", "looks like a specific gravity"),
        ("sg77/77=1.025", "up to 40, or write F"),
        ("no3=5 NO3-N", "NO3 or NO3-N"),
        ("dkh=3 meq/L", "dKH or meq/L"),
        ("psu=1.025 sg25/25", "One or the other"),
        ("ca=8 dKH", "no unit of calcium"),
        ("ca=nd", "no value of calcium"),
        ("ca=<5", "test it again"),
        ("ph=8.1 dKH", "no unit of ph"),
        ("ca=abc", "write a number"),
        ("ca=nan", "write a number"),
        ("ca=4.3.0", "is no number"),
        ("phos=1", "not tested here"),
        ("430", "NAME=VALUE"),
        ("ca=", "NAME=VALUE"),
    ],
)
def test_bad_values_are_refused_with_the_value_and_what_may_be(text: str, told: str) -> None:
    with pytest.raises(BadInputError, match=told) as caught:
        read_entry(text)
    assert text.split("=")[0] in str(caught.value)


def test_nothing_found_is_kept_as_such() -> None:
    for text, least in (("po4=<0.02", 0.02), ("po4=nd", 0), ("no3=0", 0), ("po4=under 0.02", 0.02)):
        entry = read_entry(text)
        assert (entry.below, entry.value) == (True, least)
    assert not read_entry("ca=0").below


@given(st.sampled_from(sorted(CANONICAL)), st.data())
def test_every_unit_leads_to_canonical_and_back(quantity: str, data: st.DataObject) -> None:
    unit = data.draw(st.sampled_from(list(units(quantity).values())))
    value = data.draw(st.floats(0, 1000))
    back = unit.from_canonical(unit.canonical(value))
    assert back == pytest.approx(value, rel=1e-9, abs=1e-9)
    assert unit.source


@given(st.text(max_size=30))
def test_any_text_is_read_or_refused_with_a_sentence(text: str) -> None:
    for written in (text, f"dkh={text}", f"no3={text}", f"salinity={text}"):
        with suppress(BadInputError):  # any other error fails
            entry = read_entry(written)
            one = parameter(entry.parameter)
            assert one.low - 1e-9 <= entry.value <= one.high + 1e-9


def test_every_fact_of_water_says_where_it_comes_from() -> None:
    assert set(PARAMETERS) == set(CANONICAL)
    for key in PARAMETERS:
        one = parameter(key)
        assert one.target.source
        assert one.good_days.source
        assert one.jump.source
        assert one.a_day is None or one.a_day.source
        for limit in (one.target.low, one.target.high, one.target.aim):
            assert limit is None or one.low <= limit <= one.high


def test_numbers_are_shown_without_false_digits() -> None:
    assert shown("alkalinity", 8.4) == "8.4 dKH"
    assert shown("calcium", 429.8) == "430 mg/L"
    assert shown("ph", -0.0001) == "0"
    assert shown("phosphate", 0.0276, unit=False) == "0.028"


@pytest.mark.parametrize("text", ["1,250", "1,250.5", "a", "", "--3", "1e5", "inf"])
def test_numbers_that_are_none_or_two(text: str) -> None:
    with pytest.raises(BadInputError):
        as_number(text)


def test_gallons_need_their_country_and_lengths_their_unit() -> None:
    with pytest.raises(BadInputError, match="US gal or imp gal"):
        volume_l_of("25 gal")
    with pytest.raises(BadInputError, match="no volume"):
        volume_l_of("25")
    with pytest.raises(BadInputError, match="no unit of length given"):
        length_unit("")
    assert volume_l_of("2 US gallons") == pytest.approx(7.570823568)
    assert length_unit('"') == 2.54


@pytest.mark.parametrize("text", ["", "Xx2", "CaCl2.", "h2o", "Ca(OH)2"])
def test_formulas_that_are_none(text: str) -> None:
    with pytest.raises(BadInputError):
        molar_mass_g(text)
