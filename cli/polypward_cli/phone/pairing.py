"""Who may use the page: a pairing code shown in the terminal, and sessions of paired phones."""

import hashlib
import hmac
import secrets
import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final

from polypward_cli.ids import ALPHABET
from polypward_cli.ward import Ward

__all__ = ["Locked", "Pairing", "Session", "Sessions"]

# 23 signs that nobody misreads; ten of them are 45 bits.
CODE_SIGNS: Final = 10
# Wrong codes from one address before it has to wait, and how long then; each further one doubles
# the wait. With MOST_WRONG of them, from wherever, the code is thrown away: a guesser then has a
# chance of under 1 in 10^12 per code.
FREE_TRIES: Final = 5
FIRST_WAIT_S: Final = 30.0
LONGEST_WAIT_S: Final = 3600.0
MOST_WRONG: Final = 25
# Addresses whose tries are remembered; the oldest are forgotten first.
MOST_ADDRESSES: Final = 1000
# A paired phone stays paired for so long.
SESSION_LASTS: Final = timedelta(days=30)
MAX_NAME: Final = 40


class Locked(Exception):  # noqa: N818  (an answer, not a fault)
    """Too many wrong codes: try again after `seconds`."""

    def __init__(self, seconds: float) -> None:
        super().__init__(f"try again in {seconds:.0f} s")
        self.seconds = seconds


class Pairing:
    """The pairing code and the wrong tries at it.

    Parameters
    ----------
    show : callable
        Told a new code when the old one was thrown away.
    clock : callable
        Seconds that never go back.
    """

    def __init__(self, show: Callable[[str], None], clock: Callable[[], float]) -> None:
        self._show = show
        self._clock = clock
        self._lock = threading.Lock()
        self._wrong: OrderedDict[str, tuple[int, float]] = OrderedDict()
        self._count = 0
        self.code = _new_code()

    def matches(self, text: str, *, address: str) -> bool:
        """Say whether `text` is the code, whatever its case, spaces and hyphens.

        Raises
        ------
        Locked
            If this address has to wait; the code is then not even looked at.
        """
        with self._lock:
            wrong, until = self._wrong.get(address, (0, 0.0))
            left = until - self._clock()
            if left > 0:
                raise Locked(left)
            plain = "".join(sign for sign in text.upper() if sign in ALPHABET)
            if hmac.compare_digest(plain, self.code):
                self._wrong.pop(address, None)
                return True
            self._note_wrong(address, wrong + 1)
            return False

    def _note_wrong(self, address: str, wrong: int) -> None:
        beyond = wrong - FREE_TRIES
        wait = min(FIRST_WAIT_S * 2.0 ** min(beyond, 20), LONGEST_WAIT_S) if beyond >= 0 else 0.0
        self._wrong[address] = (wrong, self._clock() + wait)
        self._wrong.move_to_end(address)
        if len(self._wrong) > MOST_ADDRESSES:
            self._wrong.popitem(last=False)
        self._count += 1
        if self._count >= MOST_WRONG:
            self._count = 0
            self.code = _new_code()
            self._show(self.code)


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """A paired phone. `secret` is its cookie, `digest` how the ledger knows it."""

    secret: str
    digest: str
    name: str
    told: bool

    @property
    def csrf(self) -> str:
        """What a form of this session carries; no other site can know it."""
        return hashlib.sha256(f"form:{self.secret}".encode()).hexdigest()


class Sessions:
    """The paired phones: in memory by the digest of their secret, and in the ledger."""

    lasts_s: Final = int(SESSION_LASTS.total_seconds())

    def __init__(self) -> None:
        self._known: dict[str, tuple[str, datetime, bool]] = {}

    def load(self, ward: Ward) -> None:
        """Read the sessions that the ledger holds."""
        for row in ward.db.query("select * from phone_sessions"):
            expires = datetime.fromisoformat(row["expires_at"])
            self._known[row["digest"]] = (row["name"], expires, bool(row["told"]))

    def find(self, secret: str) -> Session | None:
        """Return the session of a cookie, None if there is none or it has ended."""
        digest = _digest(secret)
        known = self._known.get(digest)
        if known is None or known[1] <= datetime.now(UTC):
            return None
        return Session(secret=secret, digest=digest, name=known[0], told=known[2])

    def add(self, name: str) -> tuple[Session, Callable[[Ward], None]]:
        """Make a session, always with a new secret; also return what writes it into the ledger."""
        secret = secrets.token_urlsafe(32)
        digest, now = _digest(secret), datetime.now(UTC)
        expires = now + SESSION_LASTS
        clean = " ".join(name.split())[:MAX_NAME]
        self._known[digest] = (clean, expires, False)

        def write(ward: Ward) -> None:
            ward.db.execute("delete from phone_sessions where expires_at <= ?", [now.isoformat()])
            ward.db.table("phone_sessions").insert(
                {
                    "digest": digest,
                    "name": clean,
                    "paired_at": now.isoformat(timespec="seconds"),
                    "expires_at": expires.isoformat(timespec="seconds"),
                    "told": 0,
                },
                pk="digest",
                replace=True,
            )

        return Session(secret=secret, digest=digest, name=clean, told=False), write

    def tell(self, session: Session) -> Callable[[Ward], None]:
        """Note that the cautions were shown; return what writes that into the ledger."""
        name, expires, _ = self._known[session.digest]
        self._known[session.digest] = (name, expires, True)

        def write(ward: Ward) -> None:
            ward.db.execute("update phone_sessions set told = 1 where digest = ?", [session.digest])

        return write

    def end(self, session: Session) -> Callable[[Ward], None]:
        """Part from a phone; return what takes it out of the ledger."""
        self._known.pop(session.digest, None)

        def write(ward: Ward) -> None:
            ward.db.execute("delete from phone_sessions where digest = ?", [session.digest])

        return write


def _new_code() -> str:
    return "".join(secrets.choice(ALPHABET) for _ in range(CODE_SIGNS))


def _digest(secret: str) -> str:
    return hashlib.sha256(secret.encode("utf-8", "replace")).hexdigest()
