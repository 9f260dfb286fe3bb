"""The phone page served: which address, which name, what the terminal shows."""

import errno
import socket
import sys
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Final

from polypward.errors import BadInputError
from polypward_cli.eyes import Eyes, RealEyes
from polypward_cli.phone.app import make_app
from polypward_cli.phone.guard import Limits
from polypward_cli.phone.page import Phone
from polypward_cli.phone.pairing import Pairing, Sessions
from polypward_cli.phone.writer import Writer
from polypward_cli.ward import Ward

__all__ = ["LOCAL", "lan_address", "link", "make_phone", "open_door", "serve", "spelled"]

LOCAL: Final = ("127.0.0.1", "localhost", "[::1]")
# No packet goes there (RFC 5737): the system is only asked which of its addresses it would use.
_ELSEWHERE: Final = ("192.0.2.1", 9)


def make_phone(
    ward: Path,
    *,
    port: int,
    show_code: Callable[[str], None],
    eyes: Eyes | None = None,
    forget: bool = False,
) -> Phone:
    """Return the page's state for a ward; with `forget` every paired phone has to pair again.

    Raises
    ------
    BadInputError
        If there is no ward, or it cannot be used.
    """
    import time

    sessions = Sessions()
    with Ward.open(ward) as opened:
        opened.settings.course_settings()  # its faults are told before the work
        if forget:
            with opened.working("phone"), opened.db.atomic():
                opened.db.execute("delete from phone_sessions")
        sessions.load(opened)
    return Phone(
        ward=ward,
        writer=Writer(ward),
        eyes=eyes or RealEyes(),
        pairing=Pairing(show_code, time.monotonic),
        port=port,
        sessions=sessions,
    )


def lan_address() -> str:
    """Return this computer's address in the local network.

    Raises
    ------
    BadInputError
        If it has none.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(_ELSEWHERE)
            address: str = probe.getsockname()[0]
        except OSError:
            address = ""
    if not address or address.startswith("127."):
        raise BadInputError(
            "This computer is in no local network. Connect it, or name its address: --address"
        )
    return address


def link(address: str, port: int, code: str = "") -> str:
    """Return the page's address for a browser, with the pairing code in it if there is one."""
    return f"http://{address}:{port}/" + (f"pair?code={code}" if code else "")


def spelled(code: str) -> str:
    """Return a pairing code in two halves, easier to type."""
    return f"{code[: len(code) // 2]}-{code[len(code) // 2 :]}"


def open_door(host: str, port: int) -> socket.socket:
    """Return a socket that is bound to an address of this computer.

    Raises
    ------
    BadInputError
        If the port is taken or the address is not this computer's.
    """
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    door = socket.socket(family, socket.SOCK_STREAM)
    if sys.platform != "win32":  # there it would let two pages share a port
        door.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        door.bind((host, port))
    except OSError as error:
        door.close()
        if error.errno == errno.EADDRINUSE:
            raise BadInputError(
                f"port {port} is taken: is the page running already? Else: --port {port + 1}"
            ) from error
        raise BadInputError(
            f"{host}, port {port}: not to be opened ({error.strerror or error}). "
            "Name an address of this computer: --address"
        ) from error
    return door


def serve(phone: Phone, door: socket.socket, *, names: tuple[str, ...]) -> None:
    """Serve the page at an open door until it is interrupted.

    Parameters
    ----------
    phone : Phone
    door : socket
        From `open_door`; closed at the end.
    names : tuple of str
        What the page is called by, besides this computer's own names.
    """
    from polypward_cli.phone.door import server_of

    limits = Limits()
    app = make_app(phone, hosts=(*LOCAL, *names), limits=limits)
    with door, suppress(KeyboardInterrupt):
        server_of(app, limits).run(sockets=[door])
