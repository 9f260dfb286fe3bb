"""Pages of single photos: take one, see what became of it, say whose it is and when it was."""

import asyncio
import math
import traceback
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from polypward.errors import BadInputError
from polypward_cli.dates import parse_time
from polypward_cli.manifest import OPEN, VIEWS
from polypward_cli.naming import clean_name
from polypward_cli.phone.inbox import PHOTOS, Arrival, is_token, keep, new_token
from polypward_cli.phone.page import Ask, Phone, go, page, render
from polypward_cli.phone.picture_pages import token_of
from polypward_cli.phone.results import result_of
from polypward_cli.phone.taps import assign, note_tap, retell
from polypward_cli.phone.uploads import Upload, measure_again, take_in, upload_of
from polypward_cli.rounds import place_of
from polypward_cli.run import LOG
from polypward_cli.ward import Ward
from polypward_cli.ward.ledger import dumps, now_text

if TYPE_CHECKING:
    from concurrent.futures import Future

    from starlette.datastructures import UploadFile

__all__ = ["ROUTES", "held", "measure_left", "specimen_names"]

# The phone is answered at the latest after so long; a photo that takes longer is told to wait.
ANSWER_WITHIN_S: Final = 8.0
# A photo that waited on the phone for a network is dated back by at most this.
LONGEST_WAIT: Final = timedelta(days=14)


def held(ward: Ward) -> list[dict[str, str]]:
    """Return the specimens on the tables by place and name, each with its kind and place."""
    here = [one for one in ward.specimens() if one.state == "held"]
    here.sort(key=lambda one: (place_of(one), one.specimen))
    return [{"name": one.specimen, "kind": one.kind, "place": place_of(one)} for one in here]


def specimen_names(ward: Ward, name: str) -> str:
    """Return the specimen that a phone names, as the ward writes it; "" for "".

    Raises
    ------
    BadInputError
        If the ward knows no such specimen: a slip of the thumb makes none.
    """
    if not name:
        return ""
    known = {one.specimen.casefold(): one.specimen for one in ward.specimens()}
    found = known.get(clean_name(name).casefold())
    if found is None:
        raise BadInputError(f'"{name}" is no specimen of this ward. Choose one of the list.')
    return found


def measure_left(phone: Phone, arrival: Arrival) -> "Future[Upload]":
    """Have the writer measure what came in; it waits for the ward as long as it takes."""
    writer, eyes = phone.writer, phone.eyes

    def work(ward: Ward) -> Upload:
        try:
            upload = take_in(ward, arrival, eyes=eyes, now=datetime.now(UTC), pooled=writer.pooled)
        except Exception as error:
            # The photo is safe and is tried again at the next start; the others go on.
            phone.troubles[arrival.token] = str(error) or type(error).__name__
            with (ward.path / LOG).open("a", encoding="utf-8") as log:
                log.write(f"{now_text()} {arrival.file}\n{traceback.format_exc()}\n")
            raise
        if not arrival.lot:
            _note_sent(ward, arrival)
        return upload

    return writer.submit(work, patient=True)


def _note_sent(ward: Ward, arrival: Arrival) -> None:
    """Keep the tap that sent a photo, once also if it was sent again after a lost answer."""
    if _sent_tap(ward, arrival.sha256) is None:
        words = f"Photo sent{': ' + arrival.specimen if arrival.specimen else ''}"
        note_tap(ward, by=arrival.by, words=words, undo={"photos": [arrival.sha256]})


def _sent_tap(ward: Ward, key: str) -> int | None:
    """Return the number of the tap that sent a photo and was not taken back."""
    rows = ward.db.query(
        "select id from phone_taps where undone_at is null and undo = ? order by id desc limit 1",
        [dumps({"photos": [key]})],
    )
    return next((row["id"] for row in rows), None)


async def photo_form(ask: Ask) -> Response:
    """Show the form that takes a photo."""
    here = await ask.phone.reading(held)
    chosen = ask.text("specimen")
    return render(ask, "photo.html", specimens=here, chosen=chosen, view=ask.text("view") or "top")


async def upload(ask: Ask) -> Response:
    """Take one photo or a lot, keep all of it, then measure it."""
    files = ask.files("photo")
    if not files or not any(file.filename for file in files):
        raise BadInputError("No photo was chosen. Take or choose one, then send it.")
    lot = ask.text("lot")
    if lot and not is_token(lot):
        raise BadInputError("This lot is not known here. Open the page of the lot again.")
    said, at = await ask.phone.reading(lambda ward: _said(ward, ask, lot))
    arrivals = []
    for number, file in enumerate(files):
        place = {"place_in_lot": said["place_in_lot"] + number}
        token = ask.text("token") if len(files) == 1 and is_token(ask.text("token")) else ""
        arrivals.append(
            await run_in_threadpool(_keep, ask.phone.ward, file, at, said | place, token)
        )
    futures = [measure_left(ask.phone, arrival) for arrival in arrivals]
    if lot:
        if ask.wants_json:
            return JSONResponse({"state": "kept", "href": f"/lot/{lot}"})
        return go(f"/lot/{lot}")
    measured = await _within(futures[0])
    href = f"/upload/{arrivals[0].token}"
    if ask.wants_json:
        return JSONResponse({"state": "measured" if measured else "kept", "href": href})
    return go(href)


def _how(ask: Ask) -> dict[str, str]:
    view, how_open = ask.text("view"), ask.text("open")
    if view not in ("", *VIEWS) or how_open not in ("", *OPEN):
        raise BadInputError("View or polyps are not as the form has them. Open the form again.")
    return {"view": view, "open": how_open}


def _said(ward: Ward, ask: Ask, lot: str) -> tuple[dict[str, Any], datetime]:
    how, place = _how(ask), ask.text("place_in_lot")
    said = {
        "specimen": specimen_names(ward, ask.text("specimen")),
        **how,
        "by": ask.by,
        "lot": lot,
        "place_in_lot": int(place) if place.isdecimal() and len(place) < 7 else 0,
    }
    return said, datetime.now(ward.settings.zone) - _waited(ask.text("waited_s"))


def _waited(text: str) -> timedelta:
    """Return how long a photo lay on the phone, by the phone's own stopwatch."""
    try:
        seconds = float(text or 0)
    except ValueError:
        return timedelta(0)
    if not math.isfinite(seconds) or seconds < 0:
        return timedelta(0)
    return min(timedelta(seconds=min(seconds, 1e9)), LONGEST_WAIT)


def _keep(
    ward: Path, file: "UploadFile", at: datetime, said: dict[str, Any], token: str
) -> Arrival:
    return keep(ward, file.file, at=at, said=said, token=token or new_token())


async def _within(future: "Future[Upload]") -> bool:
    waiting = asyncio.wrap_future(future)
    done, _ = await asyncio.wait([waiting], timeout=ANSWER_WITHIN_S)
    return bool(done) and waiting.exception() is None


async def result(ask: Ask) -> Response:
    """Show what became of a photo."""
    token = token_of(ask)
    found = await ask.phone.reading(lambda ward: _result(ward, ask, token))
    if ask.wants_json:
        return JSONResponse({"state": "measured" if found else "kept"})
    if found is None:
        if not (ask.phone.ward / PHOTOS / "waiting" / f"{token}.json").exists():
            raise HTTPException(404, "There is no such photo.")
        return render(ask, "waiting.html", token=token, trouble=ask.phone.troubles.get(token, ""))
    return render(ask, "result.html", token=token, **found)


def _result(ward: Ward, ask: Ask, token: str) -> dict[str, Any] | None:
    known = upload_of(ward, token)
    if known is None:
        return None
    return {
        "r": result_of(ward, known, pooled=ask.phone.writer.pooled),
        "upload": known,
        "specimens": held(ward),
        "undo": _sent_tap(ward, known.key),
    }


async def say_whose(ask: Ask) -> Response:
    """Say whose photo it is, after the fact."""
    token, eyes = token_of(ask), ask.phone.eyes

    def work(ward: Ward) -> int:
        known, name = _known(ward, token), specimen_names(ward, ask.text("specimen"))
        if not name:
            raise BadInputError("Choose a specimen first.")
        number = assign(ward, {known.key: name}, by=ask.by, words=f"Photo is of {name}")
        measure_again(ward, [known.file], eyes=eyes, now=datetime.now(UTC))
        return number

    return go(f"/upload/{token}", did=await ask.phone.write(work))


async def say_how(ask: Ask) -> Response:
    """Say from where it was taken and how far the polyps were out, after the fact."""
    token = token_of(ask)

    def work(ward: Ward) -> int:
        known, how = _known(ward, token), _how(ask)
        side = "from the side" if how["view"] == "side" else "from above"
        polyps = f", polyps {how['open']}" if how["open"] else ""
        words = f"Photo is {side}{polyps}"
        return retell(ward, known.key, how, by=ask.by, words=words)

    return go(f"/upload/{token}", did=await ask.phone.write(work))


async def say_when(ask: Ask) -> Response:
    """Say when it was taken, after the fact."""
    token = token_of(ask)

    def work(ward: Ward) -> int:
        known = _known(ward, token)
        at = parse_time(ask.text("at"), zone=ward.settings.zone)
        if at > datetime.now(UTC) + timedelta(minutes=5):
            raise BadInputError("That time is in the future. Say when the photo was taken.")
        rows = ward.db.query("select taken_at from readings where key = ?", [known.key])
        stood = next((row["taken_at"] for row in rows if row["taken_at"]), None)
        before = datetime.fromisoformat(stood) if stood else known.received_at
        # Up to the minute that a person means, whatever the seconds are.
        minutes = math.ceil((at - before).total_seconds() / 60)
        with ward.db.atomic():
            number = assign(
                ward,
                {known.key: None},
                by=ask.by,
                words=f"Photo was taken {at:%Y-%m-%d %H:%M}",
                shift=timedelta(minutes=minutes),
                also={"time_source": [token, known.time_source]},
            )
            ward.db.table("phone_uploads").update(token, {"time_source": "person"})
        return number

    return go(f"/upload/{token}", did=await ask.phone.write(work))


def _known(ward: Ward, token: str) -> Upload:
    known = upload_of(ward, token)
    if known is None:
        raise BadInputError("This photo is not measured yet. Wait a moment, then try again.")
    return known


ROUTES: Final = (
    Route("/photo", page(photo_form)),
    Route("/upload", page(upload), methods=["POST"]),
    Route("/upload/{token}", page(result)),
    Route("/upload/{token}/whose", page(say_whose), methods=["POST"]),
    Route("/upload/{token}/when", page(say_when), methods=["POST"]),
    Route("/upload/{token}/how", page(say_how), methods=["POST"]),
)
