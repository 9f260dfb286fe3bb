"""Pages of care: the daily look without a camera, a feeding, a dip or treatment."""

from collections.abc import Callable
from datetime import datetime
from typing import Any, Final

from starlette.responses import Response
from starlette.routing import Route

from polypward.care import RESPONSES, cautions_of
from polypward.course.looks import ODD
from polypward.errors import BadInputError
from polypward_cli.caring.feeding import fed_on_day, feed
from polypward_cli.caring.food import foods, save_food
from polypward_cli.caring.inspecting import inspect, signs
from polypward_cli.caring.scope import scope_of
from polypward_cli.caring.ticks import open_ticks, tick_off
from polypward_cli.caring.treating import treat
from polypward_cli.looking import WELL, note_looks
from polypward_cli.phone.page import Ask, go, page, render
from polypward_cli.phone.photo_pages import held
from polypward_cli.phone.taps import moment, note_tap
from polypward_cli.report import words
from polypward_cli.ward import Ward

__all__ = ["ROUTES", "looked_today"]

_ODD_WORDS: Final = {**{word: text[:1].upper() + text[1:] for word, text in ODD.items()}}


def looked_today(ward: Ward) -> dict[str, str]:
    """Return the places looked at today, with the time of the last look."""
    found: dict[str, str] = {}
    for row in ward.db.query("select place, at from place_looks where undone_at is null"):
        at = datetime.fromisoformat(row["at"]).astimezone(ward.settings.zone)
        if at.date() == ward.zone_today:
            found[row["place"]] = max(f"{at:%H:%M}", found.get(row["place"], ""))
    return found


async def look_form(ask: Ask) -> Response:
    """Show the places to look at, or the specimens of the one that is asked for."""
    asked = ask.request.query_params.get("place")

    def view(ward: Ward) -> dict[str, Any]:
        places: dict[str, list[dict[str, str]]] = {}
        for one in held(ward):
            places.setdefault(one["place"], []).append(one)
        seen = looked_today(ward)
        return {
            "places": [
                {"name": place, "members": members, "at": seen.get(place, "")}
                for place, members in places.items()
                if asked is None or place == asked
            ]
        }

    values = await ask.phone.reading(view)
    return render(ask, "look.html", odd=_ODD_WORDS, well=WELL, one=asked is not None, **values)


async def look(ask: Ask) -> Response:
    """Keep a look at one place: all as yesterday, but for those that are odd."""
    place = ask.text("place")
    said = {name: ask.text(f"state-{name}") for name in ask.texts("member")}

    def work(ward: Ward) -> int:
        with ward.db.atomic():
            last = ward.db.execute("select coalesce(max(id), 0) from place_looks").fetchone()[0]
            looked = note_looks(
                ward,
                [place],
                odd=[f"{name}={state}" for name, state in said.items() if state in ODD],
                well=[name for name, state in said.items() if state == WELL],
                at=moment(ward),
                by=ask.by,
            )
            rows = ward.db.query("select id from place_looks where id > ?", [last])
            undo = {"looks": [row["id"] for row in rows]}
            return note_tap(ward, by=ask.by, words=f"Look: {looked.words}", undo=undo)

    return go("/look", did=await ask.phone.write(work))


async def feed_form(ask: Ask) -> Response:
    """Show the form of a feeding."""

    def view(ward: Ward) -> dict[str, Any]:
        return _who(ward, ask) | {
            "foods": list(foods(ward)),
            "mixes": _mixes(ward),
            "responses": RESPONSES,
            "cautions": cautions_of("feed"),
        }

    return render(ask, "feed.html", **await ask.phone.reading(view))


def _mixes(ward: Ward) -> list[str]:
    rows = ward.db.query(
        "select mix from mixes where undone_at is null group by mix order by max(made_at) desc"
    )
    return [row["mix"] for row in rows]


async def feeding(ask: Ask) -> Response:
    """Keep a feeding; a second one on a day is asked about first."""

    def work(ward: Ward) -> int:
        kind, _, name = ask.text("what").partition(":")
        if kind not in ("mix", "food") or not name:
            raise BadInputError("Choose what was fed.")
        scope = scope_of(ward, _where(ask))
        at = moment(ward)
        if fed_on_day(ward, scope.specimens, at) and ask.text("again") != "yes":
            raise BadInputError(
                f"{scope.words}: fed already today. If it was fed again, tick "
                '"Fed again on purpose" and send it once more.'
            )
        word = ask.text("response")
        row, _ = feed(
            ward,
            scope,
            at=at,
            by=ask.by,
            mix=name if kind == "mix" else "",
            food=name if kind == "food" else "",
            amount=ask.text("amount") or "usual",
            responses=dict.fromkeys(scope.specimens, word) if word in RESPONSES else None,
            left_over_out=ask.text("left_over") == "yes",
            again=True,
        )
        text = f"Fed {name}: {scope.words}"
        return note_tap(ward, by=ask.by, words=text, undo={"entries": [["feeding", row["id"]]]})

    return await _done(ask, work)


async def food(ask: Ask) -> Response:
    """Put a food on the ward's list."""
    name, unit = ask.text("food"), ask.text("unit")

    def work(ward: Ward) -> int:
        with ward.db.atomic():
            before = foods(ward)
            kept = save_food(ward, name, unit=unit)["food"]
            undo = {"food": [kept, before.get(kept)]}
            return note_tap(ward, by=ask.by, words=f"Food added: {kept}", undo=undo)

    return go("/feed", did=await ask.phone.write(work))


async def treat_form(ask: Ask) -> Response:
    """Show the form of a dip or treatment."""

    def view(ward: Ward) -> dict[str, Any]:
        return _who(ward, ask) | {"cautions": cautions_of("treat")}

    return render(ask, "treat.html", **await ask.phone.reading(view))


async def treatment(ask: Ask) -> Response:
    """Keep a dip or treatment; a second one within two days is asked about first."""

    def work(ward: Ward) -> int:
        scope = scope_of(ward, _where(ask))
        row, _ = treat(
            ward,
            scope,
            at=moment(ward),
            by=ask.by,
            agent=ask.text("agent"),
            how="course" if ask.text("how") == "course" else "dip",
            concentration=ask.text("concentration"),
            source=ask.text("source"),
            prescriber=ask.text("prescriber"),
            bath_minutes=number(ask, "bath_minutes", "Minutes in the bath"),
            again=ask.text("again") == "yes",
        )
        text = f"{row['agent']}: {scope.words}"
        return note_tap(ward, by=ask.by, words=text, undo={"entries": [["treatment", row["id"]]]})

    return await _done(ask, work)


async def inspect_form(ask: Ask) -> Response:
    """Show the form of an inspection for pests and signs."""

    def view(ward: Ward) -> dict[str, Any]:
        return _who(ward, ask) | {"signs": signs(ward), "cautions": cautions_of("inspect")}

    return render(ask, "inspect.html", **await ask.phone.reading(view))


async def inspection(ask: Ask) -> Response:
    """Keep an inspection."""

    def work(ward: Ward) -> int:
        scope = scope_of(ward, _where(ask))
        found, clean = ask.texts("found"), ask.text("clean") == "yes"
        if bool(found) == clean:
            raise BadInputError("Tick what was found, or that nothing was found.")
        row = inspect(
            ward,
            scope,
            at=moment(ward),
            found=found,
            clean=clean,
            treated=ask.text("treated"),
            by=ask.by,
        )
        text = f"Inspection of {scope.words}: {', '.join(found) or 'nothing found'}"
        return note_tap(ward, by=ask.by, words=text, undo={"entries": [["inspection", row["id"]]]})

    return await _done(ask, work)


async def tick(ask: Ask) -> Response:
    """Tick off what was still to do of a feeding or a bath."""
    wanted = ask.text("tick")

    def work(ward: Ward) -> int:
        if not wanted.isdecimal():
            raise BadInputError("There is nothing of that kind to tick off.")
        with ward.db.atomic():
            (done,) = tick_off(ward, wanted, at=moment(ward), by=ask.by)
            words_ = f"Done: {done.what}, {done.where}"
            return note_tap(ward, by=ask.by, words=words_, undo={"tick": done.number})

    return go("/care", did=await ask.phone.write(work))


async def _done(ask: Ask, work: Callable[[Ward], int]) -> Response:
    did = await ask.phone.write(work)
    names = _where(ask)
    if ask.text("from") == "specimen" and len(names) == 1:
        return go("/specimen", name=names[0], did=did)
    return go("/care", did=did)


def _where(ask: Ask) -> list[str]:
    where = [name for name in ask.texts("where") if name]
    if not where:
        raise BadInputError("Choose a place or a specimen.")
    return where


def number(ask: Ask, name: str, label: str) -> float | None:
    """Return a number of the form, None if the field is empty; a comma is a decimal point.

    Raises
    ------
    BadInputError
        If it is no number.
    """
    text = ask.text(name).replace(",", ".")
    if not text:
        return None
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if value != value or value in (float("inf"), float("-inf")):
        raise BadInputError(f'{label}: "{ask.text(name)}" is no number.')
    return value


def _who(ward: Ward, ask: Ask) -> dict[str, Any]:
    here = held(ward)
    places = sorted({one["place"] for one in here if one["place"]})
    return {"specimens": here, "places": places, "chosen": ask.text("specimen")}


async def care(ask: Ask) -> Response:
    """Show what can be noted, and what was noted today."""

    def view(ward: Ward) -> dict[str, Any]:
        today = ward.zone_today
        events = [one for one in ward.care() if one.at.date() == today][-40:]
        return {
            "events": [
                {
                    "at": f"{one.at:%H:%M}",
                    "what": one.what,
                    "specimen": one.specimen,
                    "by": one.by,
                }
                for one in reversed(events)
            ],
            "today": words.day(today),
            "ticks": open_ticks(ward),
        }

    return render(ask, "care.html", **await ask.phone.reading(view))


ROUTES: Final = (
    Route("/care", page(care)),
    Route("/look", page(look_form)),
    Route("/look", page(look), methods=["POST"]),
    Route("/feed", page(feed_form)),
    Route("/feed", page(feeding), methods=["POST"]),
    Route("/food", page(food), methods=["POST"]),
    Route("/treat", page(treat_form)),
    Route("/treat", page(treatment), methods=["POST"]),
    Route("/inspect", page(inspect_form)),
    Route("/inspect", page(inspection), methods=["POST"]),
    Route("/tick", page(tick), methods=["POST"]),
)
