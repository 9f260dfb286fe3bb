"""The phone page as an ASGI application: its routes, its guard, its own style and script."""

from collections.abc import AsyncIterator, Collection
from contextlib import asynccontextmanager
from importlib.resources import files
from typing import TYPE_CHECKING, Final

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response
from starlette.routing import Route

from polypward_cli.phone import (
    care_pages,
    lot_pages,
    photo_pages,
    picture_pages,
    ward_pages,
    water_pages,
)
from polypward_cli.phone.guard import Guard, Limits
from polypward_cli.phone.inbox import clean, waiting
from polypward_cli.phone.page import Phone, html
from polypward_cli.phone.photo_pages import measure_left
from polypward_cli.phone.uploads import warm

if TYPE_CHECKING:
    from starlette.types import ASGIApp

__all__ = ["make_app"]

_STATIC: Final = {"style.css": "text/css", "phone.js": "text/javascript"}


def make_app(phone: Phone, *, hosts: Collection[str], limits: Limits | None = None) -> "ASGIApp":
    """Return the application.

    Parameters
    ----------
    phone : Phone
        The ward, its writer (started and stopped with the application) and who is paired.
    hosts : collection of str
        Names and addresses, without port, that the page is called by.
    limits : Limits, optional
        Sizes, speeds and rates.
    """

    @asynccontextmanager
    async def life(_: Starlette) -> AsyncIterator[None]:
        phone.writer.start()
        phone.writer.submit(lambda _: warm(phone.eyes), patient=True, changes=False)
        try:
            clean(phone.ward)
            for arrival in waiting(phone.ward):
                measure_left(phone, arrival)
            yield
        finally:
            phone.writer.stop()

    app = Starlette(
        routes=[
            *ward_pages.ROUTES,
            *photo_pages.ROUTES,
            *picture_pages.ROUTES,
            *lot_pages.ROUTES,
            *care_pages.ROUTES,
            *water_pages.ROUTES,
            *(Route(f"/{name}", _static) for name in _STATIC),
        ],
        exception_handlers={HTTPException: _refused, OSError: _failed},  # type: ignore[dict-item]
        lifespan=life,
    )
    app.router.redirect_slashes = False  # it would redirect by the host that was asked for
    app.state.phone = phone
    return Guard(app, hosts, limits or Limits())


async def _static(request: Request) -> Response:
    name = request.url.path.removeprefix("/")
    text = files("polypward_cli.phone").joinpath("templates", name).read_text("utf-8")
    return Response(text, media_type=_STATIC[name], headers={"cache-control": "no-cache"})


async def _refused(request: Request, error: HTTPException) -> Response:
    text = error.detail if error.detail and error.status_code != 405 else "This cannot be done."
    if error.status_code == 404 and text == "Not Found":
        text = "There is no such page."
    answer = _say(request, error.status_code, text)
    answer.headers.update(error.headers or {})
    return answer


async def _failed(request: Request, error: OSError) -> Response:
    return _say(request, 507, f"The ward cannot be written: {error.strerror or error}.")


def _say(request: Request, status: int, text: str) -> Response:
    if "application/json" in request.headers.get("accept", ""):
        return JSONResponse({"error": text}, status_code=status)
    values = {"title": "That did not work", "text": text, "back": "/"}
    return HTMLResponse(html("plain.html", values), status_code=status)
