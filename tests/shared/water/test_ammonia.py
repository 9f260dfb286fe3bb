from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from polypward.errors import BadInputError
from polypward.masses import molar_mass_g
from polypward.water import Nh3, WaterTest, nh3_of_tests, nh3_share, water_state

NOON = datetime(2026, 6, 1, 10, tzinfo=UTC)


def sample(key: str, value: float, minutes: float = 0, *, below: bool = False) -> WaterTest:
    at = NOON + timedelta(minutes=minutes)
    return WaterTest(system="main", parameter=key, value=value, at=at, below=below)


BESIDE = (sample("ph", 8.1), sample("temperature", 25.0), sample("salinity", 35.0))


def told(*tests: WaterTest) -> Nh3:
    found = nh3_of_tests(tests)
    assert found is not None
    return found


def test_the_share_is_a_half_where_ph_is_the_constant() -> None:
    """The law of mass action: at the pH of one half, ten times fewer ions are 10 of 11 parts."""
    low, high = 5.0, 10.0
    while high - low > 1e-10:
        ph = (low + high) / 2
        share = nh3_share(ph=ph, temperature_c=25, salinity=35)
        low, high = (ph, high) if share < 0.5 else (low, ph)
    eleventh = nh3_share(ph=low - 1, temperature_c=25, salinity=35)
    assert eleventh == pytest.approx(1 / 11, rel=1e-6)


def test_warmth_and_ph_raise_it_salt_lowers_it() -> None:
    share = nh3_share(ph=8.1, temperature_c=25, salinity=35)
    assert nh3_share(ph=8.2, temperature_c=25, salinity=35) > share
    assert nh3_share(ph=8.1, temperature_c=27, salinity=35) > share
    assert nh3_share(ph=8.1, temperature_c=25, salinity=38) < share


def test_the_concentration_counts_nh3() -> None:
    """All of 0.2 mg/L N is 0.2 x M(NH3) / M(N) of NH3; the share of it is what is shown."""
    total = 0.2 * molar_mass_g("NH4") / molar_mass_g("N")
    found = told(*BESIDE, sample("ammonia", total))
    share = nh3_share(ph=8.1, temperature_c=25, salinity=35)
    assert found.share == share
    assert found.mg_per_l == pytest.approx(0.2 * share * molar_mass_g("NH3") / molar_mass_g("N"))
    assert found.text() == (
        f"un-ionised ammonia (NH3): about {100 * share:.2g} % of all, "
        f"about {found.mg_per_l:.2g} mg/L NH3 (pH 8.1, 25 degC, 35 PSU)"
    )


def test_it_is_not_available_without_a_test_beside_it() -> None:
    assert nh3_of_tests(BESIDE) is None
    assert told(sample("ammonia", 0.2)).why_not == (
        "pH, temperature and salinity were not tested within an hour of the ammonia"
    )
    early = (sample("ph", 8.1, -61), *BESIDE[1:], sample("ammonia", 0.2))
    assert told(*early).text() == (
        "un-ionised ammonia (NH3): not available, because pH was not tested within an hour of the "
        "ammonia"
    )
    assert told(sample("ph", 8.1, -60), *BESIDE[1:], sample("ammonia", 0.2)).share is not None


def test_the_nearest_test_counts_and_the_newest_ammonia() -> None:
    tests = (sample("ph", 7.5, -30), *BESIDE, sample("ammonia", 9.0, -40), sample("ammonia", 0.2))
    assert told(*tests).share == nh3_share(ph=8.1, temperature_c=25, salinity=35)
    later = (*tests, sample("ammonia", 0.2, 55))
    assert told(*later).share == nh3_share(ph=8.1, temperature_c=25, salinity=35)


def test_nothing_found_has_a_share_but_no_amount() -> None:
    nothing = told(*BESIDE, sample("ammonia", 0.0, below=True))
    assert (nothing.mg_per_l, nothing.share is None) == (None, False)
    under = told(*BESIDE, sample("ammonia", 0.1, below=True))
    assert "under 0.0047 mg/L NH3" in under.text()


@pytest.mark.parametrize(
    ("ph", "temperature_c", "salinity", "told"),
    [
        (4.9, 25, 35, "pH 4.9 is outside 5 to 10"),
        (8.1, 36, 35, "temperature 36 degC is outside 5 to 35 degC"),
        (8.1, 25, 12, "salinity 12 PSU is outside 20 to 40 PSU"),
        (8.1, float("nan"), 35, "temperature nan degC is outside"),
    ],
)
def test_outside_the_published_range_there_is_none(
    ph: float, temperature_c: float, salinity: float, told: str
) -> None:
    with pytest.raises(BadInputError, match=told):
        nh3_share(ph=ph, temperature_c=temperature_c, salinity=salinity)


def test_water_too_fresh_says_why() -> None:
    fresh = (*BESIDE[:2], sample("salinity", 12.0), sample("ammonia", 0.2))
    assert "not available, because salinity 12 PSU is outside 20 to 40 PSU" in told(*fresh).text()


def test_it_stands_in_the_state_of_ammonia_alone() -> None:
    states = water_state(
        [*BESIDE, sample("ammonia", 0.2)], targets={}, on=NOON.date(), zone=ZoneInfo("UTC")
    )
    [ammonia] = [state for state in states if state.nh3 is not None]
    assert ammonia.parameter == "ammonia"
    assert ammonia.notes[-1].startswith("un-ionised ammonia (NH3): about ")
