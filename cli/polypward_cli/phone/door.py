"""Connections to the phone page: how long one may wait before it asks, how many one address has.

What is told here comes before `guard`, which sees whole requests only.
"""

import asyncio
from typing import TYPE_CHECKING, Any

import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

if TYPE_CHECKING:
    from starlette.types import ASGIApp

    from polypward_cli.phone.guard import Limits

__all__ = ["server_of"]


class Connection(H11Protocol):
    """A connection that is closed unless the head of a request comes whole within `head_s`.

    Without it half a head would hold a connection for good, and a few hundred of them the page.
    """

    limits: "Limits"
    _waiting: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Take a new connection, unless its address has too many."""
        super().connection_made(transport)
        address = self.client and self.client[0]
        theirs = [one for one in self.connections if _address(one) == address]
        if len(theirs) > self.limits.connections:
            transport.close()
        self._wait()

    def data_received(self, data: bytes) -> None:
        """Take what came; if it is part of a head only, wait for the rest, but not for ever."""
        super().data_received(data)
        self._wait()

    def connection_lost(self, exc: Exception | None) -> None:
        """Let go of a connection."""
        self._stop_waiting()
        super().connection_lost(exc)

    def _wait(self) -> None:
        if not self._idle():
            self._stop_waiting()
        elif self._waiting is None:
            self._waiting = self.loop.call_later(self.limits.head_s, self._give_up)

    def _stop_waiting(self) -> None:
        if self._waiting is not None:
            self._waiting.cancel()
            self._waiting = None

    def _give_up(self) -> None:
        self._waiting = None
        if self._idle():
            self.transport.close()

    def _idle(self) -> bool:
        """Say whether no request is being answered."""
        return self.cycle is None or self.cycle.response_complete


def _address(connection: Any) -> str | None:
    client = getattr(connection, "client", None)
    return client[0] if client else None


def server_of(app: "ASGIApp", limits: "Limits") -> uvicorn.Server:
    """Return the server of the page, not yet started."""
    config = uvicorn.Config(
        app,
        http=type("Connection", (Connection,), {"limits": limits}),
        log_level="warning",
        access_log=False,
        server_header=False,
        proxy_headers=False,  # nobody may say on another's behalf where he comes from
        ws="none",
        timeout_keep_alive=15,
        timeout_graceful_shutdown=10,
        h11_max_incomplete_event_size=32_768,
        backlog=256,
    )
    return uvicorn.Server(config)
