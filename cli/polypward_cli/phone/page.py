"""What all pages have in common: who asks, the form that was sent, the ward, the HTML."""

import re
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TypeVar
from urllib.parse import urlencode

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response

from polypward.errors import PolypwardError
from polypward_cli.eyes import Eyes
from polypward_cli.phone.pairing import Pairing, Session, Sessions
from polypward_cli.phone.taps import taps
from polypward_cli.phone.writer import Writer
from polypward_cli.ward import Ward

__all__ = ["Ask", "Phone", "go", "page", "render"]

T = TypeVar("T")
# A form has no more fields than this, and no field more signs than the settings' text.
MOST_FIELDS = 1500
MOST_FILES = 200


@dataclass(slots=True)
class Phone:
    """The page's own state: the ward, its one writer, the paired phones.

    `port` tells cookies of two wards on one machine apart. `troubles` says of uploads that are
    kept but could not be measured what went wrong.
    """

    ward: Path
    writer: Writer
    eyes: Eyes
    pairing: Pairing
    port: int
    sessions: Sessions = field(default_factory=Sessions)
    troubles: dict[str, str] = field(default_factory=dict)

    @property
    def cookie(self) -> str:
        """Name of the cookie that holds a session's secret."""
        return f"polypward{self.port}"

    def read(self, asked: Callable[[Ward], T]) -> T:
        """Return what `asked` finds in the ward; nothing is written."""
        with Ward.open(self.ward) as ward:
            return asked(ward)

    async def reading(self, asked: Callable[[Ward], T]) -> T:
        """Do `read` beside other requests."""
        return await run_in_threadpool(self.read, asked)

    async def write(self, work: Callable[[Ward], T]) -> T:
        """Have the writer do `work` and return what it returns or raise what it raises."""
        import asyncio

        return await asyncio.wrap_future(self.writer.submit(work))


@dataclass(slots=True)
class Ask:
    """A request of a paired phone: the state, its session, and what its form says."""

    phone: Phone
    request: Request
    session: Session
    form: FormData = field(default_factory=FormData)

    @property
    def by(self) -> str:
        """Who asks: the name given when the phone was paired."""
        return self.session.name

    @property
    def wants_json(self) -> bool:
        """Say whether the page's own script asks."""
        return "application/json" in self.request.headers.get("accept", "")

    def text(self, name: str) -> str:
        """Return a text field of the form, else of the address, trimmed; "" if there is none."""
        value = self.form.get(name, self.request.query_params.get(name, ""))
        return value.strip() if isinstance(value, str) else ""

    def texts(self, name: str) -> list[str]:
        """Return every text of a field that may come several times."""
        return [one.strip() for one in self.form.getlist(name) if isinstance(one, str)]

    def files(self, name: str) -> list[UploadFile]:
        """Return the files of a field, in the order in which they were sent."""
        return [one for one in self.form.getlist(name) if isinstance(one, UploadFile)]


Handler = Callable[[Ask], Awaitable[Response]]


def page(handler: Handler) -> Callable[[Request], Awaitable[Response]]:
    """Return an endpoint: only for paired phones, a form only with its session's own mark.

    A `PolypwardError` becomes a page with its sentence, and nothing was written then.
    """

    async def endpoint(request: Request) -> Response:
        phone: Phone = request.app.state.phone
        session = phone.sessions.find(request.cookies.get(phone.cookie, ""))
        if session is None:
            if request.method == "POST" or "application/json" in request.headers.get("accept", ""):
                raise HTTPException(401, "This phone is not paired any more. Pair it again.")
            wanted = request.url.path + (f"?{request.url.query}" if request.url.query else "")
            return go("/pair", to=wanted if wanted != "/" else None)
        ask = Ask(phone, request, session)
        if request.method != "POST":
            return await _answer(handler, ask)
        async with request.form(max_files=MOST_FILES, max_fields=MOST_FIELDS) as form:
            ask.form = form
            mark = request.headers.get("x-form-mark") or ask.text("mark")
            if not _same(mark, session.csrf):
                raise HTTPException(403, "This page is out of date. Open it again, then repeat.")
            return await _answer(handler, ask)

    return endpoint


async def _answer(handler: Handler, ask: Ask) -> Response:
    try:
        return await handler(ask)
    except PolypwardError as error:
        said = _for_the_page(str(error))
        if ask.wants_json:
            return JSONResponse({"error": said}, status_code=422)
        back = ask.request.headers.get("referer", "")
        back = _path_of(ask.request.headers.get("referer", ""))
        return render(
            ask,
            "message.html",
            status=422,
            page_title="That did not work",
            text=said,
            back=back,
        )


def _for_the_page(text: str) -> str:
    """Return an error in the words of the page: a form has a tick where a command has a flag."""
    return re.sub(r"(give )?--again\b", 'tick "on purpose" and send it once more', text)


def _path_of(address: str) -> str:
    """Return the path of an address of this page, to go back to."""
    from urllib.parse import urlsplit

    parts = urlsplit(address)
    path = parts.path if parts.path.startswith("/") and not parts.path.startswith("//") else "/"
    return path + (f"?{parts.query}" if parts.query else "")


def _same(one: str, other: str) -> bool:
    import hmac

    return hmac.compare_digest(one.encode("utf-8", "replace"), other.encode())


def go(path: str, **query: object) -> RedirectResponse:
    """Return the way to another page; `path` is ours, the query's values may be anybody's."""
    known = {name: value for name, value in query.items() if value is not None}
    return RedirectResponse(path + (f"?{urlencode(known)}" if known else ""), status_code=303)


def render(ask: Ask, template: str, *, status: int = 200, **values: Any) -> HTMLResponse:
    """Return a page. Every value is escaped; a misspelt name is an error."""
    did = ask.request.query_params.get("did", "")
    tap = None
    if did.isdecimal() and len(did) < 12:
        tap = next(iter(ask.phone.read(lambda ward: taps(ward, number=int(did)))), None)
    common = {
        "session": ask.session,
        "here": ask.request.url.path,
        "tap": tap,
        "told": ask.session.told,
        "now": datetime.now(UTC),
    }
    return HTMLResponse(html(template, {**common, **values}), status_code=status)


def html(template: str, values: Mapping[str, Any]) -> str:
    """Return the HTML of a template of this package."""
    from polypward_cli.templates import templates_of

    return templates_of(__package__).get_template(f"{template}.j2").render(values)
