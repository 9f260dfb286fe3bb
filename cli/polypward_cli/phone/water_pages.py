"""Pages of water: tests of a system, what was found last beside each field; doses given."""

from datetime import timedelta
from typing import Any, Final

from starlette.responses import Response
from starlette.routing import Route

from polypward.care import cautions_of
from polypward.errors import BadInputError
from polypward.water import PARAMETERS, WaterTest, compounds, parameter, shown
from polypward_cli.phone.page import Ask, go, page, render
from polypward_cli.phone.taps import moment, note_tap
from polypward_cli.report import words
from polypward_cli.ward import Ward
from polypward_cli.water.dosing import add_dose, doses_of
from polypward_cli.water.systems import system_named, systems_of
from polypward_cli.water.testing import add_tests, states_of, water_tests_of

__all__ = ["ROUTES", "UNITS"]

NOTHING: Final = "nd"
_DOSES_SHOWN: Final = 10
# The units to choose from; the first is what is chosen before. Salinity has no first one: whoever
# reads a hydrometer must say so.
UNITS: Final[dict[str, tuple[tuple[str, str], ...]]] = {
    "temperature": (("C", "°C"), ("F", "°F")),
    "salinity": (
        *(("", "choose"), ("PSU", "PSU"), ("ppt", "ppt"), ("sg25/25", "SG 25/25 °C")),
        *(("sg20/20", "SG 20/20 °C"), ("sg20/4", "SG 20/4 °C")),
    ),
    "ph": (),
    "alkalinity": (("dKH", "dKH"), ("meq/L", "meq/L"), ("mg/L CaCO3", "mg/L CaCO₃")),
    "calcium": (("mg/L", "mg/L"),),
    "magnesium": (("mg/L", "mg/L"),),
    "potassium": (("mg/L", "mg/L"),),
    "nitrate": (("NO3", "mg/L NO₃"), ("NO3-N", "mg/L NO₃-N"), (NOTHING, "nothing found")),
    "nitrite": (("NO2", "mg/L NO₂"), ("NO2-N", "mg/L NO₂-N"), (NOTHING, "nothing found")),
    "ammonia": (
        *(("NH4", "mg/L NH₄"), ("NH4-N", "mg/L NH₄-N"), ("NH3", "mg/L NH₃")),
        (NOTHING, "nothing found"),
    ),
    "phosphate": (("PO4", "mg/L PO₄"), ("PO4-P", "mg/L PO₄-P"), (NOTHING, "nothing found")),
}


async def water_form(ask: Ask) -> Response:
    """Show the form of a water test, for one system."""

    def view(ward: Ward) -> dict[str, Any]:
        systems = systems_of(ward)
        asked = ask.text("system")
        chosen = asked if asked in systems else (systems[0] if systems else "")
        return {
            "systems": systems,
            "chosen": chosen,
            "rows": _rows(ward, chosen),
            "cautions": cautions_of("water"),
        }

    return render(ask, "water.html", **await ask.phone.reading(view))


def _rows(ward: Ward, system: str) -> list[dict[str, Any]]:
    known = {}
    if system:
        known = {one.parameter: one for one in states_of(ward, system, on=ward.zone_today)}
    rows = []
    for key in PARAMETERS:
        state = known.get(key)
        last = "not tested yet"
        if state is not None and state.latest is not None:
            value = shown(key, state.latest.value)
            value = "nothing found" if state.latest.below else value
            day = words.day(state.latest.at.astimezone(ward.settings.zone).date())
            verdict = "" if state.verdict in ("no target", "not tested") else f", {state.verdict}"
            verdict = verdict.replace("too old", "too old to say anything of today")
            last = f"last {value} on {day}{verdict}".replace("degC", "\N{DEGREE SIGN}C")
            if state.nh3 is not None:
                last += f"; {state.nh3.text()}"
        label = parameter(key).words
        rows.append(
            {
                "key": key,
                "label": label if label == "pH" else label[:1].upper() + label[1:],
                "units": UNITS[key],
                "last": last,
            }
        )
    return rows


async def water(ask: Ask) -> Response:
    """Keep tests of one system, all of them or none."""

    def work(ward: Ward) -> int:
        name = ask.text("new_system") or ask.text("system")
        if not name:
            raise BadInputError("Choose the water system, or name a new one.")
        system = system_named(ward, name, new=bool(ask.text("new_system")))
        written = [entry for key in PARAMETERS if (entry := _entry(ask, key))]
        if not written:
            raise BadInputError("Nothing was filled in. Write at least one value.")
        at = moment(ward).replace(microsecond=0)
        with ward.db.atomic():
            read = add_tests(ward, system, written, at=at, kit=ask.text("kit"), by=ask.by)
            mine = {one.parameter for one, new in read if new}
            numbers = [
                one.id
                for one in water_tests_of(ward, system)
                if one.parameter in mine and abs(one.at - at) < timedelta(seconds=1)
            ]
            told = ", ".join(_told(one) for one, _ in read)
            words_ = f"Water of {system}: {told}"
            return note_tap(ward, by=ask.by, words=words_, undo={"water": numbers})

    did = await ask.phone.write(work)
    return go("/water", system=ask.text("new_system") or ask.text("system"), did=did)


async def dose_form(ask: Ask) -> Response:
    """Show the form of a dose that was given, and those of the last days."""

    def view(ward: Ward) -> dict[str, Any]:
        systems = systems_of(ward)
        given = doses_of(ward)[-_DOSES_SHOWN:]
        return {
            "systems": systems,
            "chosen": ask.text("system"),
            "names": sorted(compounds()),
            "cautions": cautions_of("dose"),
            "given": [
                {
                    "when": words.taken(one.at.astimezone(ward.settings.zone)),
                    "what": f"{one.amount:g} {one.unit} {one.what}, {one.system}",
                    "by": one.by,
                }
                for one in reversed(given)
            ],
        }

    return render(ask, "dose.html", **await ask.phone.reading(view))


async def dose(ask: Ask) -> Response:
    """Keep a dose that was given; a second one on a day is stopped unless it is meant."""

    def work(ward: Ward) -> int:
        by = ask.by or ward.settings.owner
        if not by:
            raise BadInputError("Others must see who gave it: pair this phone with your name.")
        system = system_named(ward, ask.text("system"))
        amount = f"{ask.text('amount')} {ask.text('unit')}".strip()
        with ward.db.atomic():
            given, _ = add_dose(
                ward,
                system,
                ask.text("what"),
                amount,
                at=moment(ward).replace(microsecond=0),
                by=by,
                again=ask.text("again") == "yes",
            )
            number = ward.db.execute("select max(id) from water_doses").fetchone()[0]
            told = f"Dose for {system}: {given.amount:g} {given.unit} {given.what}"
            return note_tap(ward, by=ask.by, words=told, undo={"dose": number})

    return go("/dose", did=await ask.phone.write(work))


def _told(one: WaterTest) -> str:
    value = "nothing found" if one.below else shown(one.parameter, one.value)
    return f"{parameter(one.parameter).words} {value}"


def _entry(ask: Ask, key: str) -> str:
    value, unit = ask.text(f"v-{key}"), ask.text(f"u-{key}")
    if unit == NOTHING:
        if value:
            raise BadInputError(f'{key}: "{value}" and "nothing found": one or the other.')
        return f"{key}={NOTHING}"
    if not value:
        return ""
    if unit not in {one for one, _ in UNITS[key]} | {""}:
        raise BadInputError("The unit is not as the form has it. Open the form again.")
    return f"{key}={value} {unit}".rstrip()


ROUTES: Final = (
    Route("/water", page(water_form)),
    Route("/water", page(water), methods=["POST"]),
    Route("/dose", page(dose_form)),
    Route("/dose", page(dose), methods=["POST"]),
)
