"""What a phone, a stranger in the network or another site may try against the phone page."""

import re
import shutil
import socket
import threading
import time
import warnings
from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from http.client import HTTPConnection
from pathlib import Path
from typing import Any

import pytest
from tests.cli.fakes import FakeEyes

from polypward.errors import BadInputError
from polypward.records import Specimen
from polypward_cli.phone import (
    care_pages,
    inbox,
    lot_pages,
    photo_pages,
    picture_pages,
    ward_pages,
    water_pages,
)
from polypward_cli.phone.app import make_app
from polypward_cli.phone.guard import HEADERS, Limits
from polypward_cli.phone.inbox import keep, kind_of
from polypward_cli.phone.page import Phone
from polypward_cli.phone.pairing import FREE_TRIES, MOST_WRONG, Locked, Pairing, Session
from polypward_cli.phone.serve import LOCAL, link, make_phone, spelled
from polypward_cli.ward import Ward

with warnings.catch_warnings():  # it asks for another package than the one it has always used
    warnings.simplefilter("ignore")
    from starlette.testclient import TestClient

JPEG = b"\xff\xd8\xff\xe0"
HOSTILE = "<script>alert(1)</script>\"'><img src=x onerror=alert(2)>"


class NoEyes(FakeEyes):
    """Fake eyes that take every file for damaged."""


Start = Callable[..., TestClient]


@pytest.fixture(scope="module")
def small_ward(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("small") / "ward"
    with Ward.open(path, create=True) as ward:
        ward.save_specimen(Specimen(specimen="LAM-01", place="rack 1"))
        ward.save_specimen(Specimen(specimen=HOSTILE, place=HOSTILE, kind=HOSTILE))
    return path


@pytest.fixture
def phone(tmp_path: Path, small_ward: Path) -> Phone:
    shutil.copytree(small_ward, tmp_path / "ward")
    return make_phone(tmp_path / "ward", port=8765, show_code=lambda code: None, eyes=NoEyes())


@pytest.fixture
def start(phone: Phone) -> Iterator[Start]:
    """Start the page, with other limits if a test asks for them."""
    opened: list[TestClient] = []

    def begin(**limits: Any) -> TestClient:
        app = make_app(phone, hosts=("testserver",), limits=Limits(**limits))
        client = TestClient(app, raise_server_exceptions=False)
        client.__enter__()
        opened.append(client)
        return client

    yield begin
    for client in opened:
        client.__exit__(None, None, None)


def pair(client: TestClient, phone: Phone) -> str:
    answer = client.post("/pair", data={"code": phone.pairing.code, "name": "Kim"})
    found = re.search(r'form-mark" content="(\w+)"', answer.text)
    assert found, answer.text
    return found[1]


def send(client: TestClient, mark: str, data: bytes, **said: str) -> Any:
    files = {"photo": ("image.jpg", data, "image/jpeg")}
    return client.post("/upload", data={"mark": mark, **said}, files=files, follow_redirects=False)


PAGES = (
    *("/", "/photo", "/lot", "/look", "/care", "/feed", "/treat", "/water", "/dose"),
    *("/inspect", "/settings", "/taps", "/more"),
)


# Who is let in.


def test_nothing_is_shown_to_a_phone_that_is_not_paired(start: Start) -> None:
    client = start()
    for cookie in ("", "guessed"):
        client.cookies.set("polypward8765", cookie)
        for path in (*PAGES, "/specimen?name=LAM-01", "/cutout/1", "/lot/" + "a" * 20):
            answer = client.get(path, follow_redirects=False)
            assert answer.status_code == 303, path
            assert answer.headers["location"].startswith("/pair")


def test_nothing_is_taken_from_a_phone_that_is_not_paired(start: Start, phone: Phone) -> None:
    """Every route that takes a form, but for pairing itself, asks for a session."""
    client = start()
    takes = [
        route.path.replace("{token}", "a" * 20)
        for pages in (ward_pages, photo_pages, picture_pages, lot_pages, care_pages, water_pages)
        for route in pages.ROUTES
        if "POST" in (route.methods or ()) and route.path != "/pair"
    ]
    assert len(takes) > 10
    for path in takes:
        assert client.post(path, data={"place": "rack 1"}).status_code == 401, path
    with Ward.open(phone.ward) as ward:
        assert not ward.db.table("phone_taps").count


def test_a_wrong_code_is_answered_slower_and_slower(start: Start, phone: Phone) -> None:
    """Five free tries, then the address waits, also with the right code."""
    client = start()
    for _ in range(FREE_TRIES):
        assert client.post("/pair", data={"code": "AAAAA-AAAAA"}).status_code == 403
    answer = client.post("/pair", data={"code": phone.pairing.code})
    assert answer.status_code == 429
    assert "Too many wrong codes" in answer.text
    assert "set-cookie" not in answer.headers


def test_guessing_from_many_addresses_throws_the_code_away() -> None:
    """Each address gets a few tries only, and all together no more than MOST_WRONG a code."""
    shown: list[str] = []
    clock = [0.0]
    pairing = Pairing(shown.append, lambda: clock[0])
    first = pairing.code
    for number in range(MOST_WRONG):
        assert not pairing.matches("AAAAAAAAAA", address=f"10.0.0.{number}")
    assert shown == [pairing.code]
    assert pairing.code != first
    assert not pairing.matches(first, address="10.0.1.1")


def test_each_further_wrong_code_doubles_the_wait() -> None:
    clock = [0.0]
    pairing = Pairing(lambda code: None, lambda: clock[0])
    waits = []
    for number in range(FREE_TRIES + 3):
        assert not pairing.matches("A", address="a")
        try:
            pairing.matches("A", address="a")
        except Locked as locked:
            waits.append(locked.seconds)
            clock[0] += locked.seconds
        else:
            assert number < FREE_TRIES - 1
            continue
    assert waits[1] == 2 * waits[0]
    assert pairing.matches(pairing.code.lower(), address="b")


def test_the_code_is_hard_to_guess_and_easy_to_type() -> None:
    """Ten of 23 signs: over 4e13 codes, each of them drawn anew; halves and small letters do."""
    codes = {Pairing(lambda code: None, time.monotonic).code for _ in range(50)}
    assert len(codes) == 50
    assert all(re.fullmatch("[34679ACDEFHJKMNPRTUVWXY]{10}", code) for code in codes)
    pairing = Pairing(lambda code: None, time.monotonic)
    assert pairing.matches(f" {spelled(pairing.code).lower()} ", address="a")
    assert link("192.0.2.7", 8765, "AB") == "http://192.0.2.7:8765/pair?code=AB"


def test_a_session_brought_along_is_not_taken_over(start: Start, phone: Phone) -> None:
    """Fixation: a cookie from before pairing never becomes a session; pairing gives a new one."""
    client = start()
    client.cookies.set("polypward8765", "planted-by-somebody")
    answer = client.post("/pair", data={"code": phone.pairing.code}, follow_redirects=False)
    first = client.cookies.get("polypward8765", domain="testserver.local")
    assert first
    assert first != "planted-by-somebody"
    assert phone.sessions.find("planted-by-somebody") is None
    assert "HttpOnly" in answer.headers["set-cookie"]
    assert "SameSite=strict" in answer.headers["set-cookie"]
    client.cookies.clear()
    client.cookies.set("polypward8765", first)
    client.post("/pair", data={"code": phone.pairing.code}, follow_redirects=False)
    assert phone.sessions.find(first) is None  # a second pairing ends the first session


def test_the_ledger_does_not_hold_what_lets_a_phone_in(start: Start, phone: Phone) -> None:
    client = start()
    pair(client, phone)
    secret = client.cookies.get("polypward8765")
    phone.writer.submit(lambda ward: None).result(10)
    assert secret
    assert secret.encode() not in (phone.ward / "ward.db").read_bytes()
    again = make_phone(phone.ward, port=8765, show_code=lambda code: None)
    session = again.sessions.find(secret)  # paired phones stay so when the page starts anew
    assert session
    assert session.name == "Kim"
    gone = make_phone(phone.ward, port=8765, show_code=lambda code: None, forget=True)
    assert gone.sessions.find(secret) is None


def test_a_phone_that_is_forgotten_is_out(start: Start, phone: Phone) -> None:
    client = start()
    mark = pair(client, phone)
    secret = client.cookies.get("polypward8765") or ""
    client.post("/part", data={"mark": mark})
    assert phone.sessions.find(secret) is None


# Other sites.


@pytest.mark.parametrize("mark", ["", "0" * 64, None])
def test_a_form_without_this_sessions_mark_changes_nothing(
    start: Start, phone: Phone, mark: str | None
) -> None:
    client = start()
    pair(client, phone)
    data = {"place": "rack 1"} | ({} if mark is None else {"mark": mark})
    assert client.post("/look", data=data).status_code == 403
    assert send(client, mark or "", JPEG + b"x").status_code == 403
    assert not list(phone.ward.glob("photos/*"))


def test_the_mark_of_another_phone_does_not_do(start: Start, phone: Phone) -> None:
    client = start()
    pair(client, phone)
    theirs = phone.sessions.add("Mo")[0].csrf
    assert client.post("/look", data={"mark": theirs, "place": "rack 1"}).status_code == 403


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {"origin": "http://["},
        {"origin": ""},
        {"origin": "http://testserver.evil.example"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
    ],
)
def test_what_another_site_sends_is_refused(
    start: Start, phone: Phone, headers: dict[str, str]
) -> None:
    client = start()
    mark = pair(client, phone)
    answer = client.post("/look", data={"mark": mark, "place": "rack 1"}, headers=headers)
    assert answer.status_code == 403
    assert client.post("/pair", data={"code": "A"}, headers=headers).status_code == 403


@pytest.mark.parametrize("host", ["evil.example", "testserver.evil.example", "", "localhost:1@x"])
def test_another_name_for_this_computer_is_refused(start: Start, host: str) -> None:
    """DNS rebinding: a site whose name was made to point here is not answered."""
    answer = start().get("/pair", headers={"host": host})
    assert answer.status_code == 421
    assert "127.0.0.1" in LOCAL


def test_other_methods_are_refused(start: Start) -> None:
    client = start()
    for method in ("PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"):
        assert client.request(method, "/photo").status_code == 405


# Markup and paths from users.


def test_no_markup_of_a_user_gets_into_a_page(start: Start, phone: Phone) -> None:
    client = start()
    pair(client, phone)
    for path in (*PAGES, "/pair?code=" + HOSTILE, "/pair?to=" + HOSTILE):
        text = client.get(path).text
        assert "<script>alert" not in text
        assert "<img src=x" not in text


def test_names_and_notes_are_shown_as_text(start: Start, phone: Phone) -> None:
    client = start()
    mark = pair(client, phone)
    client.post("/settings", data={"mark": mark, "owner": HOSTILE})
    client.post("/food", data={"mark": mark, "food": HOSTILE, "unit": HOSTILE})
    client.post("/feed", data={"mark": mark, "where": HOSTILE, "what": f"food:{HOSTILE[:40]}"})
    client.post("/look", data={"mark": mark, "place": HOSTILE})
    answer = client.get("/specimen", params={"name": HOSTILE})
    assert answer.status_code == 200
    odd = client.get("/look", params={"place": HOSTILE})
    assert "Keep this look" in odd.text
    for page in (answer.text, odd.text, *(client.get(path).text for path in PAGES)):
        assert "<script>alert" not in page
        assert "<img src=x" not in page


def test_every_answer_carries_the_headers_that_keep_others_out(start: Start) -> None:
    client = start()
    answers = [
        client.get(path, follow_redirects=False)
        for path in ("/", "/pair", "/nowhere", "/style.css", "/phone.js")
    ]
    answers.append(client.get("/pair", headers={"host": "evil.example"}))
    for answer in answers:
        assert set(HEADERS) <= set(answer.headers)
    assert "'unsafe" not in HEADERS["content-security-policy"]
    assert "http" not in HEADERS["content-security-policy"]


OUTSIDE = (
    "/upload/../ward.db",
    "/upload/..%2f..%2fward.db",
    "/preview/..%2f..%2fward.db",
    "/preview/%2e%2e%2fward.toml",
    "/preview/" + "a" * 20,
    "/cutout/..%2fward.db",
    "/cutout/99999999",
    "/cutout/-1",
    "/lot/..%2f..",
    "/lot/%00",
    "/style.css/../../ward.toml",
    "/photos/ward.db",
    "/ward.db",
    "/specimen?name=../../ward.toml",
)


def test_no_path_leads_out_of_the_page(start: Start, phone: Phone) -> None:
    client = start()
    pair(client, phone)
    for path in OUTSIDE:
        answer = client.get(path)
        assert answer.status_code == 404, path
        assert "time_zone" not in answer.text
        assert not answer.content.startswith(b"SQLite")


@pytest.mark.parametrize(
    "name", ["../../x.jpg", "/etc/passwd", "a\x00b.jpg", "con.jpg", "C:\\x.jpg", "x" * 5000]
)
def test_a_files_name_is_never_used(start: Start, phone: Phone, name: str) -> None:
    client = start()
    mark = pair(client, phone)
    client.post("/upload", data={"mark": mark}, files={"photo": (name, JPEG + b"x", "image/jpeg")})
    everything = [path for path in phone.ward.rglob("*") if path.is_file()]
    kept = [path for path in everything if path.read_bytes() == JPEG + b"x"]
    assert len(kept) <= 1  # an impossible name may be refused as a whole
    assert all(path.parent == phone.ward / "photos" for path in kept)
    assert all(re.fullmatch(r"[\d_-]{18}[0-9a-f]{64}\.jpg", path.name) for path in kept)


@pytest.mark.parametrize(
    "back", ["https://evil.example", "//evil.example", "/\\evil.example", "javascript:alert(1)"]
)
def test_no_form_sends_a_phone_to_another_site(start: Start, phone: Phone, back: str) -> None:
    client = start()
    mark = pair(client, phone)
    client.post("/look", data={"mark": mark, "place": "rack 1"})
    answer = client.post(
        "/undo", data={"mark": mark, "tap": "1", "back": back}, follow_redirects=False
    )
    assert answer.headers["location"].startswith("/taps")
    data = {"code": phone.pairing.code, "to": back}
    answer = client.post("/pair", data=data, follow_redirects=False)
    assert answer.headers["location"] == "/"


# Sizes, speeds, rates.


def test_a_body_too_large_is_refused_before_it_is_read(start: Start, phone: Phone) -> None:
    client = start(form_bytes=1000, upload_bytes=5000)
    mark = pair(client, phone)
    assert client.post("/look", data={"mark": mark, "place": "x" * 2000}).status_code == 413
    assert send(client, mark, JPEG + b"x" * 9000).status_code == 413
    assert not list(phone.ward.glob("photos/*.jpg"))


@pytest.mark.parametrize("path", ["/lot/", "/photo/", "//evil.example/", "/look/?x=1"])
def test_no_redirect_names_a_host(start: Start, phone: Phone, path: str) -> None:
    client = start()
    pair(client, phone)
    answer = client.get("http://testserver" + path, follow_redirects=False)
    assert answer.status_code == 404
    assert "location" not in answer.headers


@pytest.mark.parametrize("length", ["-1", "\xb2", "1e3", "9" * 5000, "0x10", ""])
def test_a_length_that_is_no_number_is_refused(start: Start, length: str) -> None:
    """Also digits that only look like one (superscript two), and one that never ends."""
    headers = {"content-length": length.encode("latin-1")}
    answer = start().post("/pair", content=b"code=A", headers=headers)
    assert answer.status_code == 413


def test_a_body_that_does_not_say_its_size_is_stopped_on_the_way(
    start: Start, phone: Phone
) -> None:
    client = start(upload_bytes=5000)
    mark = pair(client, phone)
    given = 0

    def body() -> Iterator[bytes]:
        nonlocal given
        yield b'--b\r\ncontent-disposition: form-data; name="photo"; filename="a.jpg"\r\n\r\n'
        for _ in range(100):
            given += 1
            yield b"x" * 1000

    headers = {"content-type": "multipart/form-data; boundary=b", "x-form-mark": mark}
    answer = client.post("/upload", content=body(), headers=headers)
    assert answer.status_code == 413


def test_a_photo_too_large_is_refused_and_not_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import io
    from datetime import UTC, datetime

    monkeypatch.setattr(inbox, "MAX_PHOTO_BYTES", 1000)
    with pytest.raises(BadInputError, match="larger than"):
        keep(tmp_path, io.BytesIO(JPEG + b"x" * 2000), at=datetime.now(UTC), said={})
    assert not [path for path in (tmp_path / "photos").rglob("*") if path.is_file()]


def test_a_full_disk_is_told_and_nothing_half_is_left(
    start: Start, phone: Phone, monkeypatch: pytest.MonkeyPatch
) -> None:
    client = start()
    mark = pair(client, phone)
    monkeypatch.setattr(inbox, "KEEP_FREE_BYTES", 1 << 60)
    answer = send(client, mark, JPEG + b"x")
    assert answer.status_code == 422
    assert "almost full" in answer.text
    assert not [path for path in (phone.ward / "photos").rglob("*") if path.is_file()]


@pytest.mark.parametrize(
    "data",
    [
        b"GIF89a",
        b"%PDF-1.7",
        b"<svg xmlns='http://www.w3.org/2000/svg' onload='alert(1)'/>",
        b"<!doctype html><script>alert(1)</script>",
        b"PK\x03\x04",
        b"\x7fELF",
        b"",
    ],
)
def test_what_is_no_picture_is_refused_whatever_it_calls_itself(
    start: Start, phone: Phone, data: bytes
) -> None:
    client = start()
    mark = pair(client, phone)
    assert send(client, mark, data).status_code == 422
    assert not list(phone.ward.glob("photos/*.*"))


def test_pictures_are_known_by_their_first_bytes() -> None:
    """Signatures: JPEG (ITU-T T.81), PNG (ISO/IEC 15948), TIFF 6.0, ISO/IEC 14496-12 brands."""
    known = {
        b"\xff\xd8\xff\xe1": ".jpg",
        b"\x89PNG\r\n\x1a\n": ".png",
        b"II*\0": ".tif",
        b"MM\0*": ".tif",
        b"\0\0\0\x18ftypheic": ".heic",
        b"\0\0\0\x18ftypmif1": ".heic",
        b"\0\0\0\x18ftypavif": ".avif",
        b"RIFF\0\0\0\0WEBP": ".webp",
        b"\0\0\0\x18ftypisom": "",
        b"RIFF\0\0\0\0WAVE": "",
    }
    assert {head: kind_of(head) for head in known} == known


@pytest.mark.parametrize(
    ("content_type", "body"),
    [
        ("application/json", b'{"place": "rack 1"}'),
        ("text/plain", b"place=rack 1"),
        ("multipart/form-data", b"no boundary"),
        ("multipart/form-data; boundary=b", b"--b\r\nbroken"),
        ("", b"place=rack 1"),
    ],
)
def test_a_wrong_content_type_changes_nothing(
    start: Start, phone: Phone, content_type: str, body: bytes
) -> None:
    client = start()
    pair(client, phone)
    answer = client.post("/look", content=body, headers={"content-type": content_type})
    assert answer.status_code in (400, 403)
    with Ward.open(phone.ward) as ward:
        assert not ward.db.table("phone_taps").count


def test_too_many_fields_are_refused(start: Start, phone: Phone) -> None:
    client = start(form_bytes=10_000_000)
    mark = pair(client, phone)
    data = {"mark": mark, **{f"f{number}": "1" for number in range(5000)}}
    files = {name: (None, value) for name, value in data.items()}
    assert client.post("/look", files=files).status_code == 400


def test_too_many_requests_are_told_to_wait(start: Start) -> None:
    client = start(burst=5, per_s=0.001)
    answers = [client.get("/pair").status_code for _ in range(8)]
    assert answers == [200] * 5 + [429] * 3


@pytest.fixture
def listen(phone: Phone) -> Iterator[Callable[..., Callable[[], socket.socket]]]:
    """Serve the page over real sockets as `polypward phone` does; gives what connects to it."""
    from polypward_cli.phone.door import server_of

    ends: list[Callable[[], None]] = []

    def begin(**limits: Any) -> Callable[[], socket.socket]:
        within = Limits(**limits)
        door = socket.create_server(("127.0.0.1", 0))
        server = server_of(make_app(phone, hosts=("127.0.0.1",), limits=within), within)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [door]})
        thread.start()

        def end() -> None:
            server.should_exit = True
            thread.join()
            door.close()

        ends.append(end)
        while not server.started:
            time.sleep(0.02)
        return lambda: socket.create_connection(door.getsockname(), timeout=10)

    yield begin
    for end in ends:
        end()


Listen = Callable[..., Callable[[], socket.socket]]


FIELD = '--b\r\nContent-Disposition: form-data; name="%s"%s\r\n\r\n'


def upload_head(session: Session, *, size: int) -> bytes:
    return (
        f"POST /upload HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: {size}\r\n"
        "Content-Type: multipart/form-data; boundary=b\r\n"
        f"Cookie: polypward8765={session.secret}\r\n\r\n"
    ).encode()


def test_a_body_that_stops_coming_is_cut_off(listen: Listen, phone: Phone) -> None:
    """A phone that sends nothing more is answered 408 after `quiet_s`."""
    with listen(quiet_s=0.3)() as slow:
        slow.sendall(upload_head(phone.sessions.add("Kim")[0], size=4000) + b"--b\r\n")
        began = time.monotonic()
        answer = slow.recv(4096)
    assert b" 408 " in answer.splitlines()[0]
    assert time.monotonic() - began < 5


def test_a_body_that_trickles_in_is_cut_off(listen: Listen, phone: Phone) -> None:
    """Never silent for `quiet_s`, but slower on the whole than `slowest_bytes_s`."""
    with listen(quiet_s=5, grace_s=0.4, slowest_bytes_s=1000)() as slow:
        part = (FIELD % ("photo", '; filename="a.jpg"')).encode()
        slow.sendall(upload_head(phone.sessions.add("Kim")[0], size=400_000) + part)
        slow.settimeout(0.05)
        answer = b""
        for _ in range(100):
            slow.sendall(b"x")
            try:
                answer = slow.recv(4096)
            except TimeoutError:
                continue
            break
    assert b" 408 " in answer.splitlines()[0]
    assert not list(phone.ward.glob("photos/*.*"))


def test_a_head_that_trickles_in_is_cut_off(listen: Listen) -> None:
    """A connection without a whole request is closed after `head_s`, whatever comes meanwhile."""
    connect = listen(head_s=0.4)
    with connect() as silent, connect() as slow:
        began = time.monotonic()
        slow.sendall(b"GET /pair HTTP/1.1\r\nHost: 127.0.0.1\r\nX-")
        slow.settimeout(0.05)
        for _ in range(200):
            try:
                slow.sendall(b"a")
                ended = slow.recv(10) == b""
            except TimeoutError:
                continue
            except OSError:  # reset: it was closed while a byte was on its way
                ended = True
            break
        assert ended
        assert silent.recv(10) == b""
        port = silent.getpeername()[1]
        assert 0.3 < time.monotonic() - began < 5
    again = HTTPConnection("127.0.0.1", port)
    for _ in range(2):  # a connection that was answered may rest, and ask again
        again.request("GET", "/style.css")
        assert again.getresponse().read()
        time.sleep(0.6)
    again.close()


def test_two_hundred_connections_at_once_are_all_answered(listen: Listen, phone: Phone) -> None:
    """One address, as behind a router, each photo on a connection of its own."""
    connect = listen()
    session, _ = phone.sessions.add("Kim")

    def upload(number: int) -> bytes:
        with connect() as one:
            text = FIELD % ("mark", "") + session.csrf + "\r\n"
            text += FIELD % ("photo", '; filename="a.jpg"')
            body = text.encode() + JPEG + b"%d\r\n--b--\r\n" % number
            ready.wait(30)
            one.sendall(upload_head(session, size=len(body)) + body)
            one.settimeout(60)
            return one.recv(4096).splitlines()[0]

    ready = threading.Barrier(200)
    with ThreadPoolExecutor(200) as pool:
        answers = Counter(pool.map(upload, range(200)))
    assert len(list(phone.ward.glob("photos/*.jpg"))) == 200
    assert answers == {b"HTTP/1.1 303 See Other": 200}


def test_one_address_cannot_take_all_connections(listen: Listen) -> None:
    connect = listen(connections=3)
    with ExitStack() as stack:
        first = [stack.enter_context(connect()) for _ in range(3)]
        assert [stack.enter_context(connect()).recv(10) for _ in range(3)] == [b""] * 3
        for one in first:
            one.sendall(b"GET /pair HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\n\r\n")
            assert b" 200 " in one.recv(4096).splitlines()[0]


# What is passed on.


def test_no_place_or_owner_of_a_photo_is_passed_on(
    phone: Phone, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A JPEG with GPS, an artist and a serial number: its small picture has no EXIF at all."""
    import io

    from PIL import ExifTags, Image

    from polypward_cli.phone.picture_pages import _small

    exif = Image.Exif()
    exif[ExifTags.Base.Artist] = "Somebody"
    exif[ExifTags.Base.BodySerialNumber] = "SN-12345"
    exif.get_ifd(ExifTags.IFD.GPSInfo)[ExifTags.GPS.GPSLatitude] = (52.0, 31.0, 12.0)
    path = tmp_path / "gps.jpg"
    Image.new("RGB", (1200, 900), "teal").save(path, exif=exif)
    assert b"Somebody" in path.read_bytes()
    small = _small(path)
    assert small
    with Image.open(io.BytesIO(small)) as shown:
        assert not dict(shown.getexif())
        assert max(shown.size) <= 480
    for told in (b"Somebody", b"SN-12345", b"Exif", b"GPS"):
        assert told not in small
