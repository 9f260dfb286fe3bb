from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from polypward.errors import BadInputError
from polypward.facts import load_facts
from polypward.water import (
    PARAMETERS,
    Dose,
    Plan,
    WaterTest,
    compound_of,
    compounds,
    correction_hindrances,
    dose_hindrances,
    grams_for,
    parameter,
    plan_additive,
    plan_compound,
    plan_label,
    plan_water,
    raised_by,
    read_label,
    water_state,
)
from polypward.water.plans import down

DAY = date(2026, 6, 1)
ZONE = ZoneInfo("Europe/Berlin")
NOON = datetime(2026, 6, 1, 10, tzinfo=UTC)
SODA = compound_of("sodium bicarbonate", raises="alkalinity")


def soda(now: float, to: float, *, purity: float | None = None, litres: float = 400) -> Plan:
    return plan_compound(
        SODA,
        now=now,
        to=to,
        litres=litres,
        a_day=0.5,
        a_day_source="common practice, no source",
        on=DAY,
        purity=purity,
    )


def test_a_correction_over_the_daily_limit_is_split() -> None:
    plan = soda(7.3, 8.5)
    assert [portion.on - DAY for portion in plan.portions] == [timedelta(n) for n in range(3)]
    assert [portion.end for portion in plan.portions] == pytest.approx([7.7, 8.1, 8.5])
    # 0.4 dKH of 400 L at 29.961 g for 1 dKH of 1000 L.
    assert [portion.amount for portion in plan.portions] == [4.79] * 3
    assert "Test before each portion" in plan.notes[0]
    assert len(soda(8.0, 8.5).portions) == 1
    assert len(soda(8.0, 8.51).portions) == 2


def test_every_result_shows_formula_source_and_caution() -> None:
    plan = soda(8.0, 8.4)
    assert "0.35665 meq/L x 400 L" in plan.formula[0]
    assert "84.006 g/mol" in plan.formula[0]
    assert any("common practice, no source" in source for source in plan.sources)
    assert any("Never mix calcium and alkalinity" in caution for caution in plan.cautions)
    assert "NaHCO3" in plan.what
    assert "100 % pure (assumed" in plan.what
    assert "98 % pure" in soda(8.0, 8.4, purity=0.98).what


@given(
    now=st.floats(2, 15),
    change=st.floats(0.01, 12),
    litres=st.floats(10, 50_000),
    purity=st.floats(0.1, 1),
)
def test_no_day_is_over_the_limit_and_no_portion_over_its_mass(
    now: float, change: float, litres: float, purity: float
) -> None:
    plan = soda(now, now + change, purity=purity, litres=litres)
    whole = grams_for(SODA, change=change, litres=litres, purity=purity)
    amounts = [portion.amount or 0 for portion in plan.portions]
    # Rounded down to three digits: at most 1 % is left out, nothing is added.
    assert 0.99 * whole <= sum(amounts) <= whole * (1 + 1e-6)
    assert all(portion.end - portion.start <= 0.5 + 1e-6 for portion in plan.portions)
    assert plan.portions[-1].end == pytest.approx(now + change)


@pytest.mark.parametrize(
    ("amount", "kept"), [(4.818, 4.81), (29.9999, 29.9), (0.012345, 0.0123), (100.0, 100.0), (0, 0)]
)
def test_amounts_are_rounded_down(amount: float, kept: float) -> None:
    assert down(amount) == kept


def test_nothing_is_lowered_by_a_dose() -> None:
    with pytest.raises(BadInputError, match="nothing to raise"):
        soda(9.0, 8.5)


def test_impossible_numbers_are_refused() -> None:
    with pytest.raises(BadInputError, match="purity 120 %"):
        soda(8.0, 8.4, purity=1.2)
    with pytest.raises(BadInputError, match="takes 100 days"):
        plan_compound(
            SODA, now=1, to=2, litres=400, a_day=0.01, a_day_source="x", on=DAY, purity=None
        )
    with pytest.raises(BadInputError, match="must be over 0"):
        plan_compound(SODA, now=1, to=2, litres=400, a_day=0, a_day_source="x", on=DAY)


def test_the_water_in_a_compound_is_never_guessed() -> None:
    with pytest.raises(BadInputError, match=r"with how much water.*CaCl2\.2H2O"):
        compound_of("calcium chloride", raises="calcium")
    assert compound_of("cacl2·2h2o", raises="calcium").hydration == "2 water"
    with pytest.raises(BadInputError, match="raises calcium, not alkalinity"):
        compound_of("CaCl2", raises="alkalinity")
    with pytest.raises(BadInputError, match='Is it "sodium bicarbonate"'):
        compound_of("sodium bicarbonat", raises="alkalinity")
    assert raised_by("Calcium chloride") == ("calcium chloride", "calcium")
    assert raised_by("nahco3") == ("sodium bicarbonate", "alkalinity")
    assert raised_by("amino") == ("amino", "")


def test_every_compound_warns_and_names_its_source() -> None:
    for one in compounds().values():
        assert one.source
        assert any("Powder into water" in text for text in one.cautions)
        if one.raises in ("calcium", "alkalinity"):
            assert any("Never mix" in text for text in one.cautions)
        if "carbonate," in one.name or "hydroxide" in one.name:
            assert any("caustic" in text for text in one.cautions)
        if one.formula in ("CaCl2", "CaCl2.2H2O"):
            assert any("heats" in text for text in one.cautions)
    for name, facts in load_facts("compounds")["compound"].items():
        assert facts["purity"]["source"], name


def test_a_label_overrides_common_practice_and_says_so() -> None:
    usual = plan_additive("amino", litres=378.541, label=None, on=DAY)
    assert usual.portions[0].amount == 4.99  # 5 mL per 378.5412 L, rounded down
    assert "common practice, no source" in usual.sources[0]
    assert any("never mixed straight into the food" in text for text in usual.cautions)
    own = plan_additive("amino", litres=400, label=read_label("2 mL per 100 L"), on=DAY)
    assert own.portions[0].amount == 8
    assert "overrides the common practice of 5 mL per 100 US gal" in own.sources[0]
    with pytest.raises(BadInputError, match="no common practice is known"):
        plan_additive("iodine", litres=400, label=None, on=DAY)


def test_a_product_that_says_what_it_raises() -> None:
    label = read_label("10 mL per 100 L raises alkalinity 0.5 dKH")
    plan = plan_label(
        label, now=8.0, to=8.8, litres=250, a_day=0.5, a_day_source="own word", on=DAY
    )
    # 0.4 dKH of 250 L: 0.8 x 10 mL x 2.5 = 20 mL a day.
    assert [portion.amount for portion in plan.portions] == [20, 20]
    with pytest.raises(BadInputError, match="how far does it raise"):
        plan_label(
            read_label("10 mL per 100 L"),
            now=8,
            to=9,
            litres=250,
            a_day=0.5,
            a_day_source="x",
            on=DAY,
        )


@pytest.mark.parametrize(
    "text", ["", "5 mL", "mL per L", "-5 mL per 100 L", "5 L per 10 L", "5 mL per 100 gal"]
)
def test_labels_that_are_none(text: str) -> None:
    with pytest.raises(BadInputError):
        read_label(text)


def test_salinity_by_swapping_water_keeps_the_salt() -> None:
    plan = plan_water(
        "salinity", now=37, to=35, a_day=1, a_day_source="x", on=DAY, litres=400, mixed=None
    )
    salt = 37.0 * 400
    for portion in plan.portions:
        assert portion.amount is not None
        salt -= portion.amount * salt / 400  # fresh water for as much of the mix
    assert salt / 400 == pytest.approx(35, abs=0.02)  # each portion is rounded down by up to 0.1 L
    with pytest.raises(BadInputError, match="how salty"):
        plan_water("salinity", now=33, to=35, a_day=1, a_day_source="x", on=DAY, litres=400)
    with pytest.raises(BadInputError, match="cannot bring"):
        plan_water(
            "salinity", now=33, to=35, a_day=1, a_day_source="x", on=DAY, litres=400, mixed=34
        )
    steps = plan_water("temperature", now=22, to=25, a_day=1, a_day_source="x", on=DAY).portions
    assert [(portion.end, portion.amount) for portion in steps] == [
        (23, None),
        (24, None),
        (25, None),
    ]


def dose(what: str, raises: str, hours: float) -> Dose:
    at = NOON + timedelta(hours=hours)
    return Dose(system="main", what=what, raises=raises, amount=5, unit="g", at=at, by="Kim")


def hindered(given: Dose, raises: str) -> list[tuple[str, bool]]:
    found = dose_hindrances([given], raises=raises, at=NOON, zone=ZONE)
    return [(one.why, one.waived) for one in found]


def test_a_dose_of_today_stops_with_who_and_when() -> None:
    [(why, waived)] = hindered(dose("soda", "alkalinity", -3), "alkalinity")
    assert "soda, 5 g, by Kim at 2026-06-01 09:00" in why  # 07:00 UTC in Berlin's summer
    assert not waived
    [(_, waived)] = hindered(dose("amino acids", "", -3), "alkalinity")
    assert waived
    assert hindered(dose("soda", "alkalinity", -24), "alkalinity") == []


def test_midnight_is_no_reason_to_dose_twice() -> None:
    """A quarter past midnight, the other helper dosed at half past eleven; at ten he may."""
    late = datetime(2026, 5, 31, 21, 30, tzinfo=UTC)  # 23:30 in Berlin
    given = Dose(system="main", what="amino acids", at=late, amount=5, unit="mL", by="Kim")
    for hours, count in ((0.75, 1), (5.9, 1), (6.1, 0)):
        at = late + timedelta(hours=hours)
        assert len(dose_hindrances([given], raises="", at=at, zone=ZONE)) == count
    [one] = dose_hindrances([given], raises="", at=late + timedelta(hours=0.75), zone=ZONE)
    assert one.why == "given already within 6 h: amino acids, 5 mL, by Kim at 2026-05-31 23:30"


def test_calcium_and_alkalinity_are_kept_apart_over_midnight() -> None:
    assert "never dosed together" in hindered(dose("soda", "alkalinity", -11), "calcium")[0][0]
    assert "never dosed together" in hindered(dose("chloride", "calcium", 11.9), "alkalinity")[0][0]
    assert hindered(dose("soda", "alkalinity", -13), "calcium") == []  # the evening before


def before(
    key: str,
    *tests: tuple[str, float, float],
    doses: tuple[Dose, ...] = (),
    changed: float | None = None,
) -> str:
    """What stands before a correction of `key` at noon; tests are parameter, value, hours."""
    told = [
        WaterTest(system="main", parameter=name, value=value, at=NOON + timedelta(hours=hours))
        for name, value, hours in tests
    ]
    targets = {name: parameter(name).target for name in PARAMETERS}
    at = None if changed is None else NOON + timedelta(hours=changed)
    states = water_state(told, targets=targets, on=DAY, zone=ZONE)
    return "; ".join(correction_hindrances(key, states, doses=doses, at=NOON, changed_at=at))


GOOD = (("temperature", 25.0, -1.0), ("salinity", 35.0, -1.0))


def test_temperature_and_salinity_come_first() -> None:
    alk = ("alkalinity", 7.0, -1.0)
    assert before("alkalinity", *GOOD, alk) == ""
    assert "temperature is not tested: it comes before" in before("alkalinity", GOOD[1], alk)
    cold = before("alkalinity", ("temperature", 22.0, -1), ("salinity", 32.0, -1), alk)
    assert cold.index("temperature is 22 degC, under target") < cold.index("salinity is 32 PSU")
    old = before("alkalinity", ("temperature", 25.0, -72), GOOD[1], alk)
    assert "temperature was tested 3 days ago" in old
    assert before("temperature", ("temperature", 22.0, -1)) == ""
    assert "temperature is not tested" in before("salinity", GOOD[1])


def test_a_dose_stands_on_a_fresh_unsurprising_test_after_the_last_dose() -> None:
    assert "test it before dosing" in before("alkalinity", *GOOD)
    assert "no older than 24 h" in before("alkalinity", *GOOD, ("alkalinity", 7.0, -25))
    jump = before("alkalinity", *GOOD, ("alkalinity", 9.0, -24), ("alkalinity", 7.0, -1))
    assert "test once more before any dose" in jump
    given = dose("soda", "alkalinity", -0.5)
    alk = ("alkalinity", 7.0, -1.0)
    assert "dosed after its last test" in before("alkalinity", *GOOD, alk, doses=(given,))
    told = before("alkalinity", *GOOD, alk, changed=-0.5)
    assert "water was changed after the last test of alkalinity" in told
    assert before("alkalinity", *GOOD, alk, changed=-2) == ""
    other = dose("chloride", "calcium", -0.5)
    assert before("alkalinity", *GOOD, alk, doses=(other,)) == ""
