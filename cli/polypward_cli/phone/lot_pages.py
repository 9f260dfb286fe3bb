"""Pages of a lot: photos of a round sent together later, the tag before its photos."""

from datetime import UTC, datetime
from typing import Any, Final

from starlette.exceptions import HTTPException
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from polypward.errors import BadInputError
from polypward.lots import LotPhoto, in_order_of_time, order_disagrees, sort_lot
from polypward.records import Reading
from polypward_cli.naming import Names
from polypward_cli.phone.inbox import is_token, new_token, waiting
from polypward_cli.phone.page import Ask, go, page, render
from polypward_cli.phone.photo_pages import held, specimen_names
from polypward_cli.phone.results import Advice, advice_of
from polypward_cli.phone.taps import assign
from polypward_cli.phone.uploads import Upload, measure_again, readings_of_key, rows_of_lot
from polypward_cli.placing import names_of
from polypward_cli.report import words
from polypward_cli.ward import Ward

__all__ = ["ROUTES"]

# What a photo of a lot may be besides a photo of a specimen.
TAG: Final = "-tag-"
LATER: Final = ""
# Reasons that are settled by saying whose photo it is.
_WHOSE: Final = frozenset({"no-specimen", "specimen-conflict"})


async def lot_form(ask: Ask) -> Response:
    """Show the form that sends a lot, and the lots that wait for a word."""
    open_lots = await ask.phone.reading(_open_lots)
    return render(ask, "lot.html", lot=new_token(), open_lots=open_lots)


async def lot(ask: Ask) -> Response:
    """Show what the photos of a lot are taken for, to confirm or change."""
    token = _lot(ask)
    by_time = ask.text("order") == "time"
    values = await ask.phone.reading(lambda ward: _view(ward, token, by_time=by_time))
    if ask.wants_json:
        return JSONResponse({"waiting": values["waiting"], "measured": len(values["photos"])})
    if not values["photos"] and not values["waiting"]:
        raise HTTPException(404, "There is no such lot.")
    return render(ask, "lot_sort.html", lot=token, by_time=by_time, tag=TAG, **values)


async def confirm(ask: Ask) -> Response:
    """Keep what a person confirmed of a lot."""
    token, eyes = _lot(ask), ask.phone.eyes

    def work(ward: Ward) -> int:
        uploads = {one.token: one for one in rows_of_lot(ward, token)}
        chosen: dict[str, str | None] = {}
        for name, one in uploads.items():
            word = ask.text(f"is-{name}")
            if word == TAG:
                chosen[one.key] = None
            elif word != LATER:
                chosen[one.key] = specimen_names(ward, word)
        if not chosen:
            raise BadInputError("Nothing was chosen. Choose for at least one photo what it shows.")
        count = len([one for one in chosen.values() if one])
        with ward.db.atomic():
            number = assign(
                ward, chosen, by=ask.by, words=f"Lot of {words.counted(count, 'photo')} confirmed"
            )
            for name, one in uploads.items():
                if one.key in chosen:
                    ward.db.table("phone_uploads").update(name, {"settled": 1})
        files = [one.file for one in uploads.values() if chosen.get(one.key)]
        if files:
            measure_again(ward, files, eyes=eyes, now=datetime.now(UTC))
        return number

    return go(f"/lot/{token}", did=await ask.phone.write(work))


def _open_lots(ward: Ward) -> list[dict[str, Any]]:
    rows = ward.db.query(
        "select lot, min(received_at) as at, count(*) as photos from phone_uploads "
        "where lot != '' and settled = 0 group by lot order by at desc limit 10"
    )
    return [
        {
            "href": f"/lot/{row['lot']}",
            "when": words.taken(datetime.fromisoformat(row["at"]).astimezone(ward.settings.zone)),
            "photos": words.counted(row["photos"], "photo"),
        }
        for row in rows
    ]


def _view(ward: Ward, token: str, *, by_time: bool) -> dict[str, Any]:
    uploads = rows_of_lot(ward, token)
    stored = {one.key: readings_of_key(ward, one.key)[0] for one in uploads}
    names = names_of(ward)
    photos = [_photo(one, stored[one.key], names) for one in uploads]
    disagrees = order_disagrees(photos)
    if by_time:
        photos = in_order_of_time(photos)
    proposed = {item.place: item for item in sort_lot(photos)}
    by_place = {one.place_in_lot: one for one in uploads}
    known = {one.specimen.casefold(): one.specimen for one in ward.specimens()}
    shown = []
    for photo in photos:
        one, item = by_place[photo.place], proposed[photo.place]
        reading = stored[one.key]
        name = known.get(item.specimen.casefold(), "")
        why = item.why
        if item.specimen and not name:
            why = f'the tag says "{item.specimen}", which is no specimen of this ward'
        choice = TAG if item.role == "tag" else name
        if one.settled:
            choice = TAG if "dropped" in reading.reasons else reading.specimen
        shown.append(
            {
                "token": one.token,
                "place": photo.place,
                "role": item.role,
                "choice": choice,
                "why": "" if one.settled else why,
                "taken": words.taken(reading.taken_at) if reading.taken_at else "",
                "own_time": one.time_source != "upload",
                "settled": one.settled,
                "verdict": _verdict(reading, is_tag=choice == TAG),
            }
        )
    return {
        "photos": shown,
        "waiting": len([one for one in waiting(ward.path) if one.lot == token]),
        "disagrees": disagrees,
        "specimens": held(ward),
        "settled": bool(shown) and all(one["settled"] for one in shown),
        "untimed": any(not one["own_time"] and one["choice"] != TAG for one in shown),
    }


def _photo(one: Upload, reading: Reading, names: Names) -> LotPhoto:
    """Return a photo of the lot; a reusable tag means who wore it then, else its own name."""
    tags = [names.of_tag(tag, reading.taken_at) or tag for tag in one.tags]
    return LotPhoto(
        place=one.place_in_lot,
        tags=tuple(dict.fromkeys(tags)),
        shows_card=bool(reading.card) or not set(reading.reasons) & {"no-card"},
        taken_at=reading.taken_at if one.time_source != "upload" else None,
    )


def _verdict(reading: Reading, *, is_tag: bool) -> Advice:
    """Say whether a photo will count once it is known whose it is, and what to do if not."""
    if is_tag:
        return Advice(means="A tag: names the photos after it.", do="")
    bad = [code for code in reading.reasons if code not in _WHOSE]
    if reading.status == "accepted":
        return Advice(means="Accepted.", do="")
    if not bad:
        return Advice(means="Good. Say whose photo it is.", do="")
    first = advice_of(bad[0])
    return Advice(means=f"Not accepted. {first.means}", do=first.do)


def _lot(ask: Ask) -> str:
    token: str = ask.request.path_params["token"]
    if not is_token(token):
        raise HTTPException(404, "There is no such lot.")
    return token


ROUTES: Final = (
    Route("/lot", page(lot_form)),
    Route("/lot/{token}", page(lot)),
    Route("/lot/{token}", page(confirm), methods=["POST"]),
)
