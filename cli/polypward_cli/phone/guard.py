"""What every request passes before a page sees it, and what every answer carries.

A request is looked at for its host, origin, size, speed and rate.
"""

import asyncio
import time
from collections import OrderedDict
from collections.abc import Collection, MutableMapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import urlsplit

from starlette.exceptions import HTTPException
from starlette.responses import PlainTextResponse

from polypward_cli.phone.inbox import MAX_PHOTO_BYTES

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

__all__ = ["HEADERS", "Guard", "Limits"]

HEADERS: Final = {
    # Nothing from elsewhere, no inline script or style, no frame around the page.
    "content-security-policy": "default-src 'none'; style-src 'self'; script-src 'self'; "
    "img-src 'self'; connect-src 'self'; form-action 'self'; base-uri 'none'; "
    "frame-ancestors 'none'",
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=(), payment=(), usb=()",
    "cache-control": "no-store",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Sizes in bytes, times in seconds, rates in requests.

    An address may send `burst` requests at once and `per_s` a second from then on, over as many
    `connections`. The head of a request comes within `head_s`; a body must bring something every
    `quiet_s` and, after `grace_s`, `slowest_bytes_s` on the whole.
    """

    upload_bytes: int = 6 * MAX_PHOTO_BYTES
    form_bytes: int = 200_000
    quiet_s: float = 20.0
    grace_s: float = 30.0
    slowest_bytes_s: float = 4_000.0
    burst: float = 400.0
    per_s: float = 10.0
    addresses: int = 2_000
    head_s: float = 20.0
    connections: int = 400


class Refused(HTTPException):
    """A request that is not answered as it wishes: a status and a sentence.

    Raised while a body is read it goes through the application, which shows it as a page.
    """

    def __init__(self, status: int, sentence: str) -> None:
        headers = {"connection": "close"} | ({"retry-after": "5"} if status == 429 else {})
        super().__init__(status, sentence, headers)


class Guard:
    """ASGI middleware around the whole page.

    Parameters
    ----------
    app : ASGI application
    hosts : collection of str
        Names and addresses, without port, that the page may be called by: another site's name
        that was made to point here (DNS rebinding) is refused.
    limits : Limits
    """

    def __init__(self, app: "ASGIApp", hosts: Collection[str], limits: Limits) -> None:
        self.app = app
        self._hosts = frozenset(host.lower() for host in hosts)
        self._limits = limits
        self._rates: OrderedDict[str, tuple[float, float]] = OrderedDict()

    async def __call__(self, scope: "Scope", receive: "Receive", send: "Send") -> None:
        """Pass a request on, or refuse it."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self.app(scope, receive, send)
            return

        async def answer(message: "Message") -> None:
            if message["type"] == "http.response.start":
                _dress(message)
            await send(message)

        try:
            self._check(scope)
        except Refused as refused:
            text = PlainTextResponse(refused.detail, refused.status_code, refused.headers)
            await text(scope, receive, answer)
        else:
            await self.app(scope, self._limited(scope, receive), answer)

    def _check(self, scope: "Scope") -> None:
        headers = {
            name.decode("latin-1").lower(): value.decode("latin-1")
            for name, value in scope["headers"]
        }
        host = headers.get("host", "")
        if _name_of(host) not in self._hosts:
            raise Refused(421, "This page is not called by that name. Use the address shown.")
        self._check_rate(scope)
        if scope["method"] in ("GET", "HEAD"):
            return
        if scope["method"] != "POST":
            raise Refused(405, "This page takes GET and POST only.")
        origin = headers.get("origin")
        if headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
            raise Refused(403, "Another site sent this. Nothing was changed.")
        if origin is not None and _place_of(origin) != host.lower():
            raise Refused(403, "Another site sent this. Nothing was changed.")
        length = headers.get("content-length", "0")
        if not (length.isascii() and length.isdigit()) or int(length[:20]) > self._most(scope):
            raise Refused(413, _too_large(self._most(scope)))

    def _check_rate(self, scope: "Scope") -> None:
        address = scope["client"][0] if scope.get("client") else ""
        now = time.monotonic()
        left, at = self._rates.get(address, (self._limits.burst, now))
        left = min(self._limits.burst, left + (now - at) * self._limits.per_s)
        self._rates[address] = (max(left - 1, 0), now)
        self._rates.move_to_end(address)
        if len(self._rates) > self._limits.addresses:
            self._rates.popitem(last=False)
        if left < 1:
            raise Refused(429, "Too many requests at once. Wait a few seconds, then try again.")

    def _most(self, scope: "Scope") -> int:
        upload = scope["path"] == "/upload"
        return self._limits.upload_bytes if upload else self._limits.form_bytes

    def _limited(self, scope: "Scope", receive: "Receive") -> "Receive":
        """Return a `receive` that refuses bodies too large or too slow."""
        most, limits = self._most(scope), self._limits
        began: float | None = None
        size = 0
        whole = False

        async def limited() -> MutableMapping[str, Any]:
            nonlocal began, size, whole
            if whole:  # what is left to hear is that the phone went away
                return await receive()
            began = time.monotonic() if began is None else began
            try:
                message = await asyncio.wait_for(receive(), limits.quiet_s)
            except TimeoutError:
                raise Refused(408, "The phone sent nothing for too long. Send it again.") from None
            size += len(message.get("body", b""))
            whole = not message.get("more_body", False)
            if size > most:
                raise Refused(413, _too_large(most))
            took = time.monotonic() - began
            if took > limits.grace_s and size < took * limits.slowest_bytes_s:
                raise Refused(408, "The network is too slow here. Go nearer, send it again.")
            return message

        return limited


def _place_of(origin: str) -> str:
    """Return host and port of an Origin header, "" where it is none."""
    try:
        return urlsplit(origin).netloc.lower()
    except ValueError:
        return ""


def _name_of(host: str) -> str:
    """Return a Host header without its port, lower case."""
    name = host.lower()
    if name.startswith("["):
        return name[: name.find("]") + 1]
    return name.partition(":")[0]


def _too_large(most: int) -> str:
    return f"This is more than {most // 1_000_000 or 1} MB, the most that is taken at once."


def _dress(message: "Message") -> None:
    have = {name.lower() for name, _ in message["headers"]}
    for name, value in HEADERS.items():
        if name.encode() not in have:
            message["headers"].append((name.encode(), value.encode()))
