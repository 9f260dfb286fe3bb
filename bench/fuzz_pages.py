"""Hostile texts in everything that a person or a file names: pages and tables must stay plain."""

import csv
import io
import random
import shutil
import traceback
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

from bench.fuzz_mutate import HOSTILE

__all__ = ["change_texts", "read_requests", "read_texts", "request_seeds", "text_seeds"]

Seeds = list[tuple[str, bytes]]
FIELDS = ("specimen", "kind", "supplier", "place", "note", "batch", "lamp", "person")
# Elements and attributes that run or fetch something.
ACTIVE = frozenset({"script", "iframe", "object", "embed", "base", "form", "meta-refresh"})
FORMULA = ("=", "+", "-", "@", "\t", "\r")


def text_seeds() -> Seeds:
    """Return harmless texts, one a field."""
    return [
        ("plain", "\n".join(("LAN-09", "cup", "Ondriva", "rack", "pale", "B9", "w", "mo")).encode())
    ]


def change_texts(data: bytes, rng: random.Random) -> bytes:
    """Put hostile texts into some of the fields."""
    texts = data.decode().split("\n")
    for number in range(len(texts)):
        if rng.random() < 0.7:
            text = rng.choice(HOSTILE)[:300].replace("\n", " ")
            texts[number] = text + rng.choice(("", "", rng.choice(HOSTILE)[:40].replace("\n", "")))
    return "\n".join(texts).encode("utf-8", "replace")


class Page(HTMLParser):
    """Collects what a page would run or fetch."""

    def __init__(self) -> None:
        super().__init__()
        self.active: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Look at one element; the page's own script lies beside it."""
        own = tag == "script" and (dict(attrs).get("src") or "").strip("./") == "report.js"
        if tag in ACTIVE and not own:
            self.active.append(tag)
        for name, value in attrs:
            plain = (value or "").strip().casefold()
            if name.startswith("on") or plain.startswith(("javascript:", "data:text", "http")):
                self.active.append(f"{tag} {name}={plain[:60]}")


def must_be_plain(html: str, where: str) -> None:
    """Refuse a page that holds anything active."""
    page = Page()
    page.feed(html)
    assert not page.active, f"{where}: {page.active[:3]}"


def must_be_no_formula(text: str, where: str) -> None:
    """Refuse a table with a cell that a spreadsheet would run; negative numbers are none."""
    for row in csv.reader(io.StringIO(text)):
        for cell in row:
            if cell.startswith(FORMULA):
                try:
                    float(cell)
                except ValueError:
                    raise AssertionError(f"{where}: a formula {cell[:60]!r}") from None


def read_texts(name: str, data: bytes, folder: str) -> None:
    """Take hostile names in, and write every page and table that shows them."""
    from datetime import UTC, datetime

    from tests.cli.fakes import FakeEyes, photo
    from typer.testing import CliRunner

    from polypward.records import CareEvent, Specimen
    from polypward_cli.main import app
    from polypward_cli.report import build_report
    from polypward_cli.scoring import Options, score_folder
    from polypward_cli.ward import Ward
    from polypward_cli.ward.kept_courses import refresh

    said = dict(zip(FIELDS, data.decode().split("\n"), strict=True))
    path, photos = Path(folder) / "named", Path(folder) / "photos"
    for old in (path, photos):
        shutil.rmtree(old, ignore_errors=True)
    photo(photos / "LAN-01" / "a.jpg", nonce=1)
    photo(photos / "IMG_0001.jpg", nonce=2)
    odd = said["person"].replace("/", "|").replace("\0", "")[:40]
    photo(photos / f"IMG {odd}.jpg", nonce=3)
    whose = said["specimen"] or "LAN-09"
    with Ward.open(path, create=True, time_zone="UTC") as ward, ward.working("fuzz"):
        ward.save_specimen(
            Specimen(
                specimen=whose,
                kind=said["kind"],
                supplier=said["supplier"],
                place=said["place"],
                batch=said["batch"],
                expected_price=9.0,
            )
        )
        ward.add_care(
            CareEvent(
                specimen=whose,
                at=datetime(2026, 1, 2, tzinfo=UTC),
                what="look",
                detail={"note": said["note"]},
                by=said["person"],
            )
        )
        options = Options(workers=1, lamp=said["lamp"] or None)
        score_folder(
            ward, photos, eyes=FakeEyes(), options=options, now=datetime(2026, 6, 1, tzinfo=UTC)
        )
        refresh(ward)
        build_report(ward)
    for table in ("readings.csv", "scores.csv"):
        must_be_no_formula((path / table).read_text("utf-8"), table)
    out = Path(folder) / "out.csv"
    for words in (
        ("specimen", "list", "--state", "all", "--csv", out),
        ("batch", "--csv"),
        ("care", "list", "feedings", "--csv", out),
        ("rounds", "--out", Path(folder) / "round.pdf"),
        ("assign",),
    ):
        out.unlink(missing_ok=True)
        done = CliRunner().invoke(app, [*map(str, words), "--ward", str(path)])
        if done.exit_code not in (0, 2):
            raise done.exception or AssertionError(done.output)
        if out.exists():
            must_be_no_formula(out.read_text("utf-8-sig"), str(words))
        elif words[0] == "batch" and done.exit_code == 0:
            must_be_no_formula(done.stdout, str(words))
    assert (path / "waiting.html").exists()
    for page in path.rglob("*.html"):
        must_be_plain(page.read_text("utf-8"), page.name)


# The phone page.


def request_seeds() -> Seeds:
    """Return requests: method, path, headers and body, parted by empty lines."""
    form = "content-type: application/x-www-form-urlencoded"
    upload = "content-type: multipart/form-data; boundary=b"
    body = (
        '--b\r\nContent-Disposition: form-data; name="mark"\r\n\r\nMARK\r\n--b\r\n'
        'Content-Disposition: form-data; name="photo"; filename="a.jpg"\r\n'
        "Content-Type: image/jpeg\r\n\r\n\xff\xd8\xff\xe0data\r\n--b--\r\n"
    )
    texts = [
        "GET / ",
        "GET /specimen?name=LAN-01 ",
        "GET /lot/aaaaaaaaaaaaaaaaaaaa ",
        "GET /cutout/1 ",
        f"POST /pair {form}\n\ncode=AAAA-BBBB&name=Mo",
        f"POST /look {form}\n\nmark=MARK&place=rack&note=well",
        f"POST /feed {form}\n\nmark=MARK&place=rack&food=x",
        f"POST /water {form}\n\nmark=MARK&system=lagoon&calcium=420",
        f"POST /settings {form}\n\nmark=MARK&owner=Mo&lamp=white&time_zone=UTC",
        f"POST /upload {upload}\n\n{body}",
        f"POST /undo {form}\n\nmark=MARK&tap=1&back=/",
        "POST /look origin: http://testserver\n\nmark=MARK",
        "POST /look origin: http://[::1]:8765\n\nmark=MARK",
        "POST /look content-length: 9\n\nmark=MARK",
        "POST /look content-length: \xb2\n\nmark=MARK",
        "GET / cookie: polypward8765=abc; a=b\n\n",
        "GET /taps accept: application/json\n\n",
        "GET / host: testserver:8765\n\n",
    ]
    return [(text.split(" ")[1], text.encode("latin-1")) for text in texts]


_page: list[Any] = []


def read_requests(name: str, data: bytes, folder: str) -> None:
    """Send a request from a paired phone: an answer under 500, nothing active in it."""
    client, mark = _page[0]
    head, _, body = data.partition(b"\n\n")
    method, _, rest = head.decode("latin-1").partition(" ")
    path, _, header = rest.partition(" ")
    named, _, value = header.partition(": ")
    headers = {}
    if named and named.isascii() and named.replace("-", "").isalnum():
        headers[named] = value.encode("latin-1")
    try:
        answer = client.request(
            method if method.isalpha() and method.isascii() else "POST",
            "/" + path.lstrip("/"),
            content=body.replace(b"MARK", mark.encode()),
            headers=headers,
            follow_redirects=False,
        )
    except Exception as error:
        frames = traceback.extract_tb(error.__traceback__)
        if any("polypward_cli" in frame.filename for frame in frames):
            raise
        return  # a request that this client itself does not send
    assert answer.status_code < 500, f"{answer.status_code}: {answer.text[:200]}"
    assert "default-src 'none'" in answer.headers["content-security-policy"]
    text = answer.text if "html" in answer.headers.get("content-type", "") else ""
    parser = Page()
    parser.feed(text)
    bad = [one for one in parser.active if one not in ("script", "form")]
    assert not bad, bad
    assert answer.headers.get("location", "/").startswith("/"), answer.headers["location"]


def start_page(folder: Path) -> None:
    """Start the page with a ward, and pair a phone."""
    import re
    import warnings

    from tests.cli.fakes import FakeEyes

    from polypward.records import Specimen
    from polypward_cli.phone.app import make_app
    from polypward_cli.phone.guard import Limits
    from polypward_cli.phone.serve import make_phone
    from polypward_cli.ward import Ward

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from starlette.testclient import TestClient
    path = folder / "phone-ward"
    with Ward.open(path, create=True, time_zone="UTC") as ward:
        ward.save_specimen(Specimen(specimen="LAN-01", place="rack", water_system="lagoon"))
    phone = make_phone(path, port=8765, show_code=lambda _: None, eyes=FakeEyes())
    limits = Limits(burst=1e9, per_s=1e9)
    client = TestClient(
        make_app(phone, hosts=("testserver",), limits=limits), raise_server_exceptions=True
    )
    client.__enter__()
    answer = client.post("/pair", data={"code": phone.pairing.code, "name": "Mo"})
    found = re.search(r'form-mark" content="(\w+)"', answer.text)
    assert found
    _page[:] = [(client, found[1])]
