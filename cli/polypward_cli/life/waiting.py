"""Photos that nobody has named, beside the last cut-outs of those they may show.

The list is by place and kind, never by looks: a person picks.
"""

import html
import json
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass
from datetime import date, datetime
from pathlib import Path, PurePosixPath
from typing import Any, Final
from urllib.parse import quote

from polypward.errors import BadInputError
from polypward.reasons import REASONS
from polypward.records import Specimen
from polypward_cli.files import write_text
from polypward_cli.life.past import Past
from polypward_cli.naming import clean_name
from polypward_cli.ward import Ward

__all__ = ["Candidate", "Waiting", "waiting_lines", "waiting_photos", "write_page"]

PAGE: Final = "waiting.html"
_SHELL: Final = frozenset('"$`\\!%')
# On the terminal; the page shows all.
MAX_SHOWN: Final = 12


@dataclass(frozen=True, slots=True)
class Candidate:
    """A specimen that a photo may show, with its last cut-out before that photo, if it has one."""

    specimen: str
    kind: str
    place: str
    cut_out: str
    cut_out_on: str
    seen_that_day: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Waiting:
    """A photo without a specimen: `near` is the place or kind that its folders name, or ""."""

    photo: str
    sha256: str
    taken_at: datetime | None
    reason: str
    detail: str
    cut_out: str
    near: str
    candidates: tuple[Candidate, ...]

    def as_json(self) -> dict[str, Any]:
        """Return it as JSON values."""
        taken = self.taken_at.isoformat() if self.taken_at else None
        return {**asdict(self), "taken_at": taken}


def waiting_photos(ward: Ward, *, place: str = "", kind: str = "") -> list[Waiting]:
    """Return the photos that have no specimen, by time, each beside those it may show.

    Parameters
    ----------
    place, kind : str
        Only specimens that stood at this place (or in this water system) when the photo was taken,
        and of this kind; without, what the photo's folders name, else all that were here.

    Raises
    ------
    BadInputError
        If no specimen ever stood there, or is of this kind.
    """
    zone = ward.settings.zone
    past = Past(ward)
    if not any(_at(one, place) and _of(one, kind) for one in past.everywhere()):
        what = " and ".join(
            part for part in (place and f'place "{place}"', kind and f'kind "{kind}"') if part
        )
        if what:
            raise BadInputError(f"no specimen with {what}; polypward specimen list shows them all")
    shown = _cut_outs(ward)
    found = []
    rows = ward.db.query(
        "select readings.*, path, sha256 from readings join photos using (key) "
        "where readings.specimen = '' and copy_path = '' and decoded = 1 "
        "and placing not like '%\"dropped\"%' order by taken_at, path"
    )
    for row in rows:
        at = datetime.fromisoformat(row["taken_at"]).astimezone(zone) if row["taken_at"] else None
        held = past.held(at)
        asked = [one for one in held if _at(one, place) and _of(one, kind)]
        near, those = ("", asked) if place or kind else _near(row["path"], held)
        codes = json.loads(row["placing"])
        found.append(
            Waiting(
                photo=row["path"],
                sha256=row["sha256"],
                taken_at=at,
                reason=row["measure_code"] or next(iter(codes), ""),
                detail=row["placing_detail"] or row["detail"],
                cut_out=row["tile"],
                near=near,
                candidates=tuple(_candidates(those, shown, at)),
            )
        )
    return found


def waiting_lines(found: Sequence[Waiting]) -> Iterator[str]:
    """Yield the photos that wait as lines of plain text."""
    if not found:
        yield "No photo waits for a name."
        return
    many = "photos wait" if len(found) > 1 else "photo waits"
    yield f"{len(found)} {many} for a name. A person picks."
    for one in found:
        when = one.taken_at.strftime("%Y-%m-%d %H:%M") if one.taken_at else "no date"
        cut_out = f", cut-out {one.cut_out}" if one.cut_out else ""
        near = f", near {one.near}" if one.near else ""
        detail = f" ({one.detail})" if one.detail else ""
        yield ""
        yield f"{one.photo}  {when}{near}{cut_out}: {_why(one)}{detail}"
        for other in one.candidates[:MAX_SHOWN]:
            last = f"cut-out of {other.cut_out_on} {other.cut_out}" if other.cut_out else "no photo"
            seen = ", seen that day" if other.seen_that_day else ""
            what = ", ".join(part for part in (other.kind, other.place) if part)
            yield f"    {other.specimen}  {what + ', ' if what else ''}{last}{seen}"
        if len(one.candidates) > MAX_SHOWN:
            more = len(one.candidates) - MAX_SHOWN
            yield f"    ... and {more} more; narrow it by --place or --kind"
    yield ""
    yield "To name one: polypward assign PHOTO --to SPECIMEN"


def write_page(ward: Ward, found: Sequence[Waiting]) -> Path:
    """Write the photos that wait beside the cut-outs as a page in the ward; return its path.

    Where none waits, the page of an earlier time is taken away.
    """
    path = ward.path / PAGE
    if not found:
        path.unlink(missing_ok=True)
        return path
    blocks = "\n".join(_block(one) for one in found)
    write_text(path, _PAGE.format(count=len(found), blocks=blocks))
    return path


def _near(photo: str, held: list[Specimen]) -> tuple[str, list[Specimen]]:
    """Return what the folders of a photo name of places and kinds, and the specimens of it."""
    parts = [clean_name(part) for part in PurePosixPath(photo).parts[:-1]]
    named, those = [], held
    for part in reversed(parts):
        for fits in (_at, _of):
            there = [one for one in those if fits(one, part)]
            if there and len(there) < len(held):
                named.append(part)
                those = there
                break
    return ", ".join(reversed(named)), those


def _at(one: Specimen, place: str) -> bool:
    wanted = place.strip().casefold()
    return not wanted or wanted in (one.place.casefold(), one.water_system.casefold())


def _of(one: Specimen, kind: str) -> bool:
    return not kind or kind.strip().casefold() == one.kind.casefold()


def _cut_outs(ward: Ward) -> dict[str, list[tuple[datetime, str]]]:
    """Return time and path of the cut-outs of every specimen, in order of time."""
    found = defaultdict(list)
    rows = ward.db.query(
        "select specimen, taken_at, tile from readings where specimen != '' and tile != '' "
        "and taken_at is not null and placing not like '%\"dropped\"%' order by taken_at, key"
    )
    for row in rows:
        at = datetime.fromisoformat(row["taken_at"]).astimezone(ward.settings.zone)
        found[row["specimen"]].append((at, row["tile"]))
    return found


def _candidates(
    those: Iterable[Specimen], shown: dict[str, list[tuple[datetime, str]]], at: datetime | None
) -> list[Candidate]:
    """Return those that it may show: first whoever has no photo of that day, then by name."""
    found = []
    for one in those:
        mine = shown.get(one.specimen, [])
        before = [entry for entry in mine if at is None or entry[0] <= at] or mine[:1]
        day, cut_out = (str(before[-1][0].date()), before[-1][1]) if before else ("", "")
        seen = at is not None and _seen_on(mine, at.date())
        found.append(Candidate(one.specimen, one.kind, one.place, cut_out, day, seen))
    return sorted(found, key=lambda other: (other.seen_that_day, other.specimen))


def _seen_on(mine: Iterable[tuple[datetime, str]], day: date) -> bool:
    return any(at.date() == day for at, _ in mine)


def _why(one: Waiting) -> str:
    return REASONS[one.reason].means if one.reason in REASONS else one.reason


def _block(one: Waiting) -> str:
    when = one.taken_at.strftime("%Y-%m-%d %H:%M") if one.taken_at else "no date"
    others = "".join(
        _figure(
            other.cut_out,
            f"{other.specimen}: {', '.join(p for p in (other.kind, other.place) if p)}",
            (f"cut-out of {other.cut_out_on}" if other.cut_out else "no photo yet")
            + ("; has a photo of that day" if other.seen_that_day else ""),
        )
        for other in one.candidates
    )
    near = f" · near {html.escape(one.near)}" if one.near else ""
    # A name that a shell would run or expand is not offered for copying.
    photo = "PHOTO" if _SHELL & set(one.photo) else f'"{one.photo}"'
    command = html.escape(f"polypward assign {photo} --to SPECIMEN")
    return (
        f"<section><h2>{html.escape(one.photo)}</h2><p>{when}{near}</p>"
        f"<div class=row>{_figure(one.cut_out, 'This photo', _why(one))}{others}</div>"
        f"<p><code>{command}</code></p></section>"
    )


def _figure(cut_out: str, title: str, words: str) -> str:
    told = html.escape(title)
    picture = (
        f'<img src="{quote(cut_out)}" alt="{told}" loading="lazy">'
        if cut_out
        else "<div class=none>no cut-out</div>"
    )
    return (
        f"<figure>{picture}<figcaption><b>{told}</b><br>{html.escape(words)}</figcaption></figure>"
    )


_PAGE: Final = """<!doctype html>
<html lang="en"><meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Photos that wait for a name</title>
<style>
body {{ font: 17px/1.45 system-ui, sans-serif; margin: 1rem; color: #1c1c1c; background: #fff; }}
.row {{ display: grid; grid-template-columns: repeat(auto-fill, minmax(9.5rem, 1fr)); gap: .8rem; }}
figure {{ margin: 0; max-width: 13rem; }}
figure:first-child {{ outline: 3px solid #1c1c1c; outline-offset: 3px; }}
img, .none {{ width: 100%; aspect-ratio: 1; object-fit: contain; background: #eee; }}
.none {{ display: grid; place-items: center; }}
code {{ background: #eee; padding: .15rem .35rem; }}
</style>
<h1>Photos that wait for a name: {count}</h1>
<p>The first picture of each row has no specimen. Beside it stand the last cut-outs of the same
place and kind, those without a photo of that day first. You pick; polypward never does.</p>
{blocks}
</html>
"""
