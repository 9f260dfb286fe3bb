"""Pages of the ward: today's round, a specimen, the settings, what was tapped, pairing."""

from typing import Any, Final

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route

from polypward.care import cautions_of
from polypward.errors import BadInputError
from polypward_cli.phone.config import changed_text, settings_text, write_settings
from polypward_cli.phone.page import Ask, Phone, go, html, page, render
from polypward_cli.phone.pairing import Locked
from polypward_cli.phone.photo_pages import held
from polypward_cli.phone.results import figures_of_last
from polypward_cli.phone.taps import note_tap, taps, undo_tap
from polypward_cli.phone.uploads import course_of
from polypward_cli.report import words
from polypward_cli.report.details import event_view
from polypward_cli.rounds import place_of, plan_round
from polypward_cli.ward import Ward
from polypward_cli.water.history import with_doses

__all__ = ["ROUTES"]

# What each thing of a round is called, and what its button does.
_KIND: Final = {
    "urgent": "Urgent",
    "look again": "Look again",
    "second look": "Second look",
    "treat": "Treat",
    "tick": "Still to do",
    "quarantine": "Quarantine",
    "water": "Water",
    "inspect": "Inspect",
    "food": "Food",
    "photograph": "Photograph",
}
_SETTINGS: Final = ("owner", "time_zone", "lamp", "height_mm", "water_mm", "colour_model")
_EVENTS_SHOWN: Final = 12
# Longest name of a form's field that a person types while pairing.
_CODE_SIGNS: Final = 40


async def today(ask: Ask) -> Response:
    """Show today's round; the cautions for the phone stand above it until they were read."""

    def view(ward: Ward) -> dict[str, Any]:
        on = ward.zone_today
        return {
            "round": plan_round(ward, on=on),
            "day": words.day(on),
            "kinds": _KIND,
            "cautions": () if ask.session.told else cautions_of("phone"),
            "ward_name": ward.settings.owner or ward.path.resolve().name,
        }

    return render(ask, "today.html", **await ask.phone.reading(view))


async def told(ask: Ask) -> Response:
    """Note that the cautions were read."""
    await ask.phone.write(ask.phone.sessions.tell(ask.session))
    return go("/")


async def specimen(ask: Ask) -> Response:
    """Show a specimen: its last reading, what can be done, its history."""
    name = ask.text("name")
    pooled = ask.phone.writer.pooled

    def view(ward: Ward) -> dict[str, Any] | None:
        known = {one.specimen.casefold(): one for one in ward.specimens()}
        one = known.get(name.casefold())
        if one is None:
            return None
        course = course_of(ward, one.specimen, pooled=pooled)
        assert course is not None
        events = with_doses(ward, ward.care(one.specimen), specimen=one.specimen)[::-1]
        return {
            "one": one,
            "place": place_of(one),
            "advice": words.ADVICE.get(course.advice.what, course.advice.what),
            "reason": course.advice.reason,
            "flags": [
                (words.FLAGS.get(flag.name, flag.name), words.sentence(flag.evidence))
                for flag in course.flags
                if flag.standing
            ],
            "events": [event_view(one, ward.settings.zone) for one in events[:_EVENTS_SHOWN]],
            "state": words.STATES.get(one.state, one.state),
            **figures_of_last(ward, course, pooled=pooled),
        }

    values = await ask.phone.reading(view)
    if values is None:
        raise HTTPException(404, "There is no such specimen in this ward.")
    return render(ask, "specimen.html", **values)


async def settings_form(ask: Ask) -> Response:
    """Show the settings of the ward."""

    def view(ward: Ward) -> dict[str, Any]:
        said = ward.settings
        return {
            "values": {name: getattr(said, name) for name in _SETTINGS},
            "text": (text := settings_text(ward)),
            "seen": _mark(text),
        }

    return render(ask, "settings.html", **await ask.phone.reading(view))


async def settings(ask: Ask) -> Response:
    """Change the settings of the ward: single ones, or the whole file."""

    def work(ward: Ward) -> int:
        before = settings_text(ward)
        whole = ask.form.get("text")
        if isinstance(whole, str):
            if ask.form.get("seen") != _mark(before):
                raise BadInputError(
                    "Somebody changed the settings meanwhile. Open the page again, then repeat."
                )
            after = whole
        else:
            after = changed_text(before, {n: ask.text(n) for n in _SETTINGS if n in ask.form})
        write_settings(ward, after)
        after = settings_text(ward)
        if after == before:
            raise BadInputError("Nothing was changed: the settings are as they were.")
        return note_tap(
            ward,
            by=ask.by,
            words="Settings changed",
            undo={"settings": {"before": before, "after": after}},
        )

    return go("/settings", did=await ask.phone.write(work))


async def done(ask: Ask) -> Response:
    """Show what was tapped, to take it back."""
    return render(ask, "taps.html", taps=await ask.phone.reading(taps))


async def undo(ask: Ask) -> Response:
    """Take a tap back."""
    number = ask.text("tap")
    if not number.isdecimal() or len(number) > 12:
        raise BadInputError("There is no such tap to take back.")
    await ask.phone.write(lambda ward: undo_tap(ward, int(number), by=ask.by))
    back = ask.text("back")
    return go(back if _is_ours(back) else "/taps", did=number)


async def more(ask: Ask) -> Response:
    """Show the way to what is needed less often, and to every specimen."""
    return render(ask, "more.html", specimens=await ask.phone.reading(held))


def _is_ours(path: str) -> bool:
    """Say whether a way back stays on this page: one slash, and signs that no browser turns."""
    plain = all(sign.isalnum() or sign in "/-_" for sign in path)
    return path.startswith("/") and not path.startswith("//") and plain


def _mark(text: str) -> str:
    import hashlib

    return hashlib.sha256(text.encode()).hexdigest()


async def pair_form(request: Request) -> Response:
    """Show the form of the pairing code; the code of a scanned link stands in it already."""
    return _pair_page(request, code=request.query_params.get("code", "")[:_CODE_SIGNS])


def _pair_page(
    request: Request, *, code: str = "", trouble: str = "", status: int = 200
) -> HTMLResponse:
    phone: Phone = request.app.state.phone
    paired = phone.sessions.find(request.cookies.get(phone.cookie, "")) is not None
    to = request.query_params.get("to", "")
    values = {"code": code, "trouble": trouble, "paired": paired, "to": to if to else "/"}
    return HTMLResponse(html("pair.html", values), status_code=status)


async def pair(request: Request) -> Response:
    """Pair a phone that knows the code: it gets a new session, whatever cookie it brought."""
    phone: Phone = request.app.state.phone
    async with request.form(max_files=0, max_fields=5) as form:
        code, name, to = (str(form.get(field, "")) for field in ("code", "name", "to"))
    address = request.client.host if request.client else ""
    try:
        good = phone.pairing.matches(code[:_CODE_SIGNS], address=address)
    except Locked as locked:
        minutes = max(1, round(locked.seconds / 60))
        text = f"Too many wrong codes. Try again in {words.counted(minutes, 'minute')}."
        return _pair_page(request, trouble=text, status=429)
    if not good:
        text = "That is not the code. It stands in the terminal that runs the page."
        return _pair_page(request, trouble=text, status=403)
    session, write = phone.sessions.add(name)
    old = phone.sessions.find(request.cookies.get(phone.cookie, ""))
    phone.writer.submit(write, patient=True, changes=False)
    if old is not None:
        phone.writer.submit(phone.sessions.end(old), patient=True, changes=False)
    answer = go(_after_pairing(to))
    answer.set_cookie(
        phone.cookie,
        session.secret,
        max_age=phone.sessions.lasts_s,
        httponly=True,
        samesite="strict",
    )
    return answer


def _after_pairing(to: str) -> str:
    from urllib.parse import quote, urlsplit

    parts = urlsplit(to)
    if parts.scheme or parts.netloc or not _is_ours(parts.path):
        return "/"
    return parts.path + (f"?{quote(parts.query, safe='=&%')}" if parts.query else "")


async def part(ask: Ask) -> Response:
    """Forget this phone."""
    await ask.phone.write(ask.phone.sessions.end(ask.session))
    answer = go("/pair")
    answer.delete_cookie(ask.phone.cookie, httponly=True, samesite="strict")
    return answer


ROUTES: Final = (
    Route("/", page(today)),
    Route("/told", page(told), methods=["POST"]),
    Route("/specimen", page(specimen)),
    Route("/settings", page(settings_form)),
    Route("/settings", page(settings), methods=["POST"]),
    Route("/more", page(more)),
    Route("/taps", page(done)),
    Route("/undo", page(undo), methods=["POST"]),
    Route("/pair", pair_form),
    Route("/pair", pair, methods=["POST"]),
    Route("/part", page(part), methods=["POST"]),
)
