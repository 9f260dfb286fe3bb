import base64
import hashlib
import io
import json
import re
import shutil
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pypdf
import pytest
from PIL import Image
from tests.cli.conftest import Desk
from tests.cli.fakes import FakeEyes
from typer.testing import CliRunner, Result

from polypward.errors import BadInputError
from polypward_cli.claim.desk import Said, do_claim
from polypward_cli.claim.due import claims_due
from polypward_cli.claim.ledger import claim_of, dead_on_arrival, money_claimed
from polypward_cli.claim.pictures import ALL_BYTES, small_pictures
from polypward_cli.claim.words import list_claims
from polypward_cli.claim.write import MOST_BYTES
from polypward_cli.eyes import Opened
from polypward_cli.main import app

TAKEN = "2026-05-12T10:00:00+02:00"
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
NOW = datetime(2026, 5, 12, 11, 30, tzinfo=UTC)
# What must not stand in a sheet: other prices, helpers, places, file names.
SECRETS = (
    "987.65",
    "43.21",
    "77.77",
    "Kimberly",
    "Anastasia",
    "52.5",
    "13.4",
    "IMG_4711",
    "rack 9",
)


def run(*words: object) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words])


class JpegEyes(FakeEyes):
    """Opens real pictures; what measuring finds is the fake's own."""

    def open(self, path: Path) -> Opened:
        if path.name.startswith("bad"):
            return Opened(datetime.fromisoformat(TAKEN), {"rejected": "no-card"})
        return Opened(datetime.fromisoformat(TAKEN), {"cover": 0.25})


def jpeg(path: Path, *, seed: int, size: tuple[int, int] = (1200, 900)) -> bytes:
    """A noisy picture with a place, an owner and a camera in its data."""
    rng = np.random.default_rng(seed)
    pixels = rng.integers(0, 255, (size[1] // 6, size[0] // 6, 3), np.uint8)
    image = Image.fromarray(pixels).resize(size)
    exif = Image.Exif()
    exif[0x013B] = "Kimberly"  # Artist
    exif[0x8298] = "Anastasia"  # Copyright
    exif[0x8825] = {1: "N", 2: (52.0, 31.0, 12.0), 3: "E", 4: (13.0, 24.0, 18.0)}
    path.parent.mkdir(parents=True, exist_ok=True)
    image.save(path, "JPEG", quality=90, exif=exif, comment=b"taken at 52.52 13.405")
    data = path.read_bytes()
    with Image.open(path) as there:
        assert there.getexif().get_ifd(0x8825)[2] == (52.0, 31.0, 12.0)
    return data


@pytest.fixture
def arrived(desk: Desk, tmp_path: Path) -> Desk:
    """Batch B7 of four: three photographed, prices known, terms in ward.toml."""
    register = tmp_path / "register.csv"
    register.write_text(
        "specimen,batch,supplier,kind,place,cost,arrived_on,expected_price,as_is_price\n"
        "amber,B7,Blue Crate,torch,rack 9,60,2026-05-12,987.65,43.21\n"
        "blue,B7,Blue Crate,torch,rack 9,50,2026-05-12,987.65,43.21\n"
        "coral,B7,Blue Crate,brain,rack 9,77.77,2026-05-12,987.65,43.21\n"
        "dusk,B7,Blue Crate,brain,rack 9,30,2026-05-12,987.65,43.21\n"
    )
    desk.ward().close()
    assert run("intake", register, "--ward", desk.path).exit_code == 0
    settings = desk.path / "ward.toml"
    text = settings.read_text().replace('currency = ""', 'currency = "EUR"')
    text = text.replace('owner = ""', 'owner = "North Lagoon"')
    settings.write_text(
        text + '\n[[supplier]]\nname = "blue crate"\nwindow_hours = 4\nsince = "delivery"\n'
        'proof = ["sealed bag", "out of bag"]\ncredit_dead_percent = 100\n'
        "credit_poor_percent = 40\nsmallest_loss_percent = 30\n"
    )
    jpeg(desk.photos / "amber" / "IMG_4711.jpg", seed=1)
    jpeg(desk.photos / "blue" / "bad_card.jpg", seed=2)
    jpeg(desk.photos / "unsorted" / "IMG_4712.jpg", seed=3)
    manifest = tmp_path / "manifest.csv"
    manifest.write_text("photo,photographer\namber/IMG_4711.jpg,Kimberly\n")
    desk.score(eyes=JpegEyes())
    return desk


def claimed(desk: Desk, *, now: datetime = NOW, **said: Any) -> Any:
    said = {"photos": [desk.photos], "at": "2026-05-12T12:00", "by": "Kimberly", **said}
    with desk.ward() as ward, ward.working("claim"):
        return do_claim(ward, "b7", Said(**said), now=now)


DELIVERED = {"delivery": "2026-05-12T09:30"}


def test_a_claim_says_hours_left_proof_and_money(arrived: Desk) -> None:
    """Delivered 09:30 in Berlin (07:30 UTC), 4 h: until 11:30 UTC; at 10:00 UTC 1 h 30 min left."""
    outcome = claimed(
        arrived,
        now=datetime(2026, 5, 12, 10, 0, tzinfo=UTC),
        moments=DELIVERED,
        dead=["Amber"],
        poor=["blue"],
        note="no mouth seen",
        at=None,
    )
    sheet = outcome.sheet
    assert sheet.clock.words() == "1 h 30 min left"
    assert [(p.specimen, p.verdict, p.missing, p.asked) for p in sheet.pieces] == [
        ("amber", "dead", ("sealed bag",), 60.0),  # measured, so it was out of its bag
        ("blue", "poor", ("sealed bag", "out of bag"), 20.0),  # 40 % of 50
    ]
    assert (sheet.together.count, sheet.together.of) == (2, 4)
    # Wilson, 2 of 4: centre (1/2 + z^2/8)/(1 + z^2/4) = 1/2, half width 0.35 (by the formula).
    assert (sheet.together.low, sheet.together.high) == pytest.approx((0.1500, 0.8500), abs=5e-5)
    assert sheet.asked == 80.0
    assert sheet.short_of == ""
    told = claimed(arrived, note="box  wet at a corner").sheet
    assert (told.note, told.pieces[0].note) == ("box wet at a corner", "no mouth seen")


def test_nothing_of_a_place_of_other_prices_or_of_helpers_is_in_a_sheet(arrived: Desk) -> None:
    key = hashlib.sha256((arrived.photos / "unsorted" / "IMG_4712.jpg").read_bytes()).hexdigest()
    outcome = claimed(
        arrived,
        moments=DELIVERED,
        dead=["amber"],
        poor=["blue"],
        proof="box label",
        proof_photos=["IMG_4712.jpg"],
    )
    folder = outcome.written.folder
    assert {p.name for p in folder.iterdir()} == {
        "sheet.pdf", "sheet.html", "message.txt", "contents.txt", "originals",
    }  # fmt: skip
    html = (folder / "sheet.html").read_text()
    pdf = pypdf.PdfReader(folder / "sheet.pdf")
    words = "\n".join(page.extract_text() for page in pdf.pages)
    shown = {
        "html": re.sub(r"base64,[^\"]+", "", html),
        "pdf": words + str(pdf.metadata),
        "message": (folder / "message.txt").read_text(),
        "contents": (folder / "contents.txt").read_text(),
    }
    for where, text in shown.items():
        for secret in SECRETS:
            assert secret not in text, (where, secret)
        assert "North Lagoon" in text
        assert "Blue Crate" in text
    # The pictures themselves are pixels and nothing else.
    inside = [base64.b64decode(text) for text in re.findall(r'base64,([^"]+)"', html)]
    inside += [image.data for page in pdf.pages for image in page.images]
    assert len(inside) == 6
    for data in inside:
        with Image.open(io.BytesIO(data)) as bare:
            assert not bare.getexif()
        assert b"Kimberly" not in data
        assert b"52.52" not in data
    # Raw bytes of the files, compressed parts aside.
    for name in ("sheet.pdf", "sheet.html"):
        assert b"Kimberly" not in (folder / name).read_bytes()
    # Every photo is cited with its time and SHA-256, and its original kept byte for byte.
    copies = {
        hashlib.sha256(p.read_bytes()).hexdigest() for p in (folder / "originals").glob("*.jpg")
    }
    assert len(copies) == 3
    assert key in copies
    flat = re.sub(r"\s", "", words)
    for sha256 in copies:
        assert sha256 in html
        assert sha256 in flat
        assert sha256 in shown["contents"]
    assert html.count("2026-05-12T10:00:00+02:00") == 3


def test_photos_of_other_days_are_left_out_and_told(arrived: Desk) -> None:
    """The sheet shows the arrival: from a day before the first moment to seven days after it."""
    early = claimed(arrived, moments={"delivery": "2026-05-05T09:00"}, dead=["amber"])
    assert early.written.remarks[0].startswith("amber: 1 photo is not in the sheet")
    late = claimed(arrived, moments={"delivery": "2026-05-13T12:00"})
    assert late.sheet.photos == ()
    inside = claimed(arrived, moments={"delivery": "2026-05-05T10:00"})
    assert len(inside.sheet.photos) == 1
    named = claimed(
        arrived,
        moments={"delivery": "2026-04-01T09:00"},
        proof="sealed bag",
        proof_photos=["amber/IMG_4711.jpg"],
        proof_of=["amber"],
    )
    assert [photo.shows for photo in named.sheet.photos] == [("out of bag", "sealed bag")]
    assert named.written.remarks == ()  # it is in the sheet now


def test_a_photo_of_the_box_is_no_failed_reading(arrived: Desk) -> None:
    told = claimed(
        arrived, dead=["amber"], proof="box label", proof_photos=["unsorted/IMG_4712.jpg"]
    )
    [number] = told.sheet.shared_photos
    [photo] = told.sheet.photos_of([number])
    assert photo.reading == "no photo reading: it names no piece"


@pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine")
@pytest.mark.parametrize("width", [390, 1440])
def test_the_sheet_fits_a_phone_and_a_desk(arrived: Desk, width: int) -> None:
    from playwright.sync_api import sync_playwright

    folder = claimed(arrived, moments=DELIVERED, dead=["amber"], poor=["blue"]).written.folder
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": width, "height": 900})
        page.goto((folder / "sheet.html").as_uri())
        wide = "(one) => one.scrollWidth - one.clientWidth"
        # Neither the page nor its table has to be moved sideways.
        assert page.eval_on_selector("html", wide) <= 0
        assert page.eval_on_selector(".scroll", wide) <= 0
        picture = page.locator("img").first.bounding_box()
        caption = page.locator("figcaption").first.bounding_box()
        browser.close()
    assert picture is not None
    assert caption is not None
    assert picture["width"] > 300
    # A single photo has its words below it on a phone, beside it on a desk.
    assert (caption["y"] > picture["y"] + picture["height"] - 1) == (width == 390)


def test_the_hash_is_that_of_the_contents_and_says_what_it_shows(arrived: Desk) -> None:
    outcome = claimed(arrived, moments=DELIVERED, dead=["amber"])
    folder = outcome.written.folder
    digest = hashlib.sha256((folder / "contents.txt").read_bytes()).hexdigest()
    pdf_digest = hashlib.sha256((folder / "sheet.pdf").read_bytes()).hexdigest()
    message = (folder / "message.txt").read_text()
    assert digest in message
    assert pdf_digest in message
    html = (folder / "sheet.html").read_text()
    assert digest in html
    for said in (
        "changed after the sheet was made",
        "does not show when a photo was taken",
        "the date of the message is the proof",
    ):
        assert said in html
    # Made again later from the same facts it is the same; another fact changes it.
    later = datetime(2026, 5, 13, tzinfo=UTC)
    assert claimed(arrived, now=later).sheet.sha256 == digest
    assert claimed(arrived, dead=["blue"]).sheet.sha256 != digest


def test_a_sheet_that_was_sent_is_never_changed(arrived: Desk) -> None:
    first = claimed(arrived, moments=DELIVERED, dead=["amber"], state="sent")
    folder = first.written.folder
    assert folder.name == "sheet-1"
    before = {p.name: p.read_bytes() for p in folder.iterdir() if p.is_file()}
    again = claimed(arrived, now=datetime(2026, 5, 14, tzinfo=UTC))
    assert again.written.folder == folder
    second = claimed(arrived, poor=["blue"])
    assert second.written.folder.name == "sheet-2"
    assert any("send this one too" in remark for remark in second.written.remarks)
    claimed(arrived, state="open")
    assert claimed(arrived, withdraw=["blue"]).written.folder.name == "sheet-3"
    assert {p.name: p.read_bytes() for p in folder.iterdir() if p.is_file()} == before


def test_states_and_credits(arrived: Desk) -> None:
    claimed(arrived, moments=DELIVERED, dead=["amber"], poor=["blue"])
    with arrived.ward() as ward:
        assert money_claimed(ward).words() == (
            "Claims: 80.00 claimed, 0.00 credited, 80.00 still open."
        )
        with pytest.raises(BadInputError, match="was not sent yet"):
            do_claim(ward, "B7", Said(state="answered", at="2026-05-12T12:00"), now=NOW)
        with pytest.raises(BadInputError, match="was not sent yet"):
            do_claim(ward, "B7", Said(credited=10, at="2026-05-12T12:00"), now=NOW)
        assert claim_of(ward, "B7").state == "open"
    sent = claimed(arrived, state="sent", at="2026-05-12T13:00")
    assert sent.claim.state == "sent"
    got = claimed(arrived, credited=55.0, at="2026-05-14")
    assert (got.claim.state, got.claim.credited, got.claim.claimed) == ("answered", 55.0, 80.0)
    claimed(arrived, credited=60.0, at="2026-05-15")
    closed = claimed(arrived, state="closed", at="2026-05-20")
    assert closed.claim.state == "closed"
    with arrived.ward() as ward:
        assert money_claimed(ward).words() == (
            "Claims: 80.00 claimed, 60.00 credited, 0.00 still open."
        )
        audited = [
            json.loads(row["old"])["credited"]
            for row in ward.db.query("select old from audit where what = 'claim changed'")
            if "credited" in json.loads(row["old"])
        ]
        assert audited == [0.0, 55.0]
        assert list_claims(ward, now=NOW)[0] == (
            "B7 (Blue Crate): closed; 2 pieces, 80.00 EUR claimed, 60.00 EUR credited"
        )
    opened = claimed(arrived, state="open", at="2026-05-21")
    assert (opened.claim.state, opened.claim.sent_at) == ("open", None)


def test_what_a_photo_shows_is_taken_back(arrived: Desk) -> None:
    proof: dict[str, Any] = {"proof": "sealed bag", "proof_photos": ["unsorted/IMG_4712.jpg"]}
    first = claimed(arrived, dead=["amber"], proof_of=["amber"], **proof)
    assert (first.sheet.pieces[0].missing, len(first.sheet.photos)) == ((), 2)
    after = claimed(arrived, no_proof=["IMG_4712.jpg"])
    assert (after.sheet.pieces[0].missing, len(after.sheet.photos)) == (("sealed bag",), 1)
    with pytest.raises(BadInputError, match="was named as proof of batch"):
        claimed(arrived, no_proof=["IMG_4712.jpg"])
    with arrived.ward() as ward:
        [row] = ward.db.query("select old from audit where what = 'proof taken back'")
        assert [one["kind"] for one in json.loads(row["old"])] == ["sealed bag"]


def test_moments_come_in_their_order(arrived: Desk) -> None:
    claimed(arrived, moments={"delivery": "2026-05-12T09:30"})
    for moments in ({"opening": "2026-05-12T09:00"}, {"landing": "2026-05-12T10:00"}):
        with pytest.raises(BadInputError, match="one of them is wrong"):
            claimed(arrived, moments=moments)
    with arrived.ward() as ward:
        assert set(claim_of(ward, "B7").moments) == {"delivery"}
    both = {"landing": "2026-05-12T06:00", "opening": "2026-05-12T10:00"}
    assert len(claimed(arrived, moments=both).sheet.moments) == 3


def test_a_whole_price_that_no_terms_name_is_told(arrived: Desk) -> None:
    told = run("claim", "B7", "--dead", "amber", "--poor", "blue", "--ward", arrived.path).stdout
    assert "whole price" not in told
    settings = arrived.path / "ward.toml"
    settings.write_text(settings.read_text().replace("credit_poor_percent = 40\n", ""))
    told = run("claim", "B7", "--ward", arrived.path).stdout
    assert "For poor pieces the whole price is asked: ward.toml has no credit_poor_percent." in told
    assert "Asked: 110.00 EUR" in told


def test_the_list_goes_out_as_csv(arrived: Desk, tmp_path: Path) -> None:
    claimed(arrived, moments=DELIVERED, dead=["amber"])
    out = tmp_path / "claims.csv"
    assert run("claim", "--csv", out, "--ward", arrived.path).stdout == f"{out}: 1 row\n"
    head, row = out.read_text().splitlines()
    assert head == "batch,supplier,state,pieces,hours_left,claimed,credited"
    assert row.startswith("B7,Blue Crate,open,1,-")
    assert row.endswith(",60.0,0.0")
    assert run("claim", "--dead", "amber", "--ward", arrived.path).exit_code == 2


def test_verdicts_are_withdrawn_and_kept(arrived: Desk) -> None:
    claimed(arrived, dead=["amber"], poor=["blue"], note="no mouth")
    after = claimed(arrived, poor=["amber"])  # put right; what was seen stays
    assert [(p.verdict, p.note) for p in after.sheet.pieces] == [("poor", "no mouth")] * 2
    after = claimed(arrived, withdraw=["amber"])
    assert [piece.specimen for piece in after.sheet.pieces] == ["blue"]
    none = claimed(arrived, withdraw=["blue"])
    assert (none.written, none.claim.claimed) == (None, 0.0)
    with arrived.ward() as ward:
        what = [row["what"] for row in ward.db.query("select what from audit order by id")]
        assert what.count("verdict withdrawn") == 2


def test_what_was_noted_at_unpacking_is_asked_about(arrived: Desk) -> None:
    run("specimen", "change", "amber", "--unpacked-as", "dead", "--ward", arrived.path)
    text = run("claim", "B7", "--ward", arrived.path).stdout
    assert (
        "Noted at unpacking, but not claimed: amber dead. polypward claim B7 --dead amber" in text
    )
    with arrived.ward() as ward:
        assert dead_on_arrival(ward) == {"amber"}


def bad_input() -> Iterator[tuple[dict[str, Any], str]]:
    yield {"dead": ["nobody"]}, '"nobody" is no specimen'
    yield {"dead": ["amber"], "poor": ["amber"]}, "both dead and poor"
    yield {"dead": ["other"]}, 'did not come with batch "B7"'
    yield {"state": "sent"}, "nothing is claimed"
    yield {"dead": ["amber"], "credited": -1.0}, "amount of money, 0 or more"
    yield {"dead": ["amber"], "credited": float("nan")}, "amount of money, 0 or more"
    yield {"withdraw": ["amber"]}, "has no verdict"
    yield {"moments": {"delivery": "2999-01-01"}}, "in the future"
    yield {"moments": {"delivery": "soon"}}, '"soon" is no time'
    yield {"proof": "sealed bag", "proof_photos": ["nothing.jpg"]}, "no photo of this ward"
    yield {"photos": [Path("nowhere")]}, "no such folder"


@pytest.mark.parametrize(("said", "message"), list(bad_input()))
def test_bad_input_writes_nothing(arrived: Desk, said: dict[str, Any], message: str) -> None:
    register = arrived.photos.parent / "other.csv"
    register.write_text("specimen,batch,supplier,kind,cost\nother,B8,Red Crate,torch,5\n")
    run("intake", register, "--ward", arrived.path)
    with pytest.raises(BadInputError, match=re.escape(message)):
        claimed(arrived, **said)
    with arrived.ward() as ward:
        assert list(ward.db.query("select * from claims")) == []
        assert list(ward.db.query("select * from claim_pieces")) == []


def test_terms_with_faults_name_their_lines(arrived: Desk) -> None:
    settings = arrived.path / "ward.toml"
    settings.write_text(settings.read_text() + '\n[[supplier]]\nsince = "tomorrow"\nhours = 3\n')
    line = next(
        n for n, text in enumerate(settings.read_text().splitlines(), 1) if "tomorrow" in text
    )
    with pytest.raises(BadInputError, match=f"line {line}: since is one of landing") as told:
        claimed(arrived)
    assert f'line {line + 1}: "hours" is no setting of [[supplier]]' in str(told.value)
    assert "needs its name" in str(told.value)


def test_without_terms_the_example_is_shown(desk: Desk, tmp_path: Path) -> None:
    register = tmp_path / "r.csv"
    register.write_text("specimen,batch,supplier,kind,cost\namber,B7,Red Crate,torch,5\n")
    run("intake", register, "--ward", desk.path)
    desk.ward().close()
    run("intake", register, "--ward", desk.path)
    done = run("claim", "B7", "--ward", desk.path)
    assert done.exit_code == 0
    assert (
        "hours left: not available, because no claim window of Red Crate"
        in done.stdout.lower().replace("red crate", "Red Crate")
    )
    assert '[[supplier]]\n  name = "Red Crate"' in done.stdout
    done = run("claim", "B7", "--dead", "amber", "--ward", desk.path)
    assert "look again after 24 h" in done.stdout
    assert "No photo of this piece" in (desk.path / "claims/B7/sheet-1/sheet.html").read_text()
    assert run("claim", "B9", "--ward", desk.path).exit_code == 2
    listed = json.loads(run("claim", "--json", "--ward", desk.path).stdout)
    assert [(one["batch"], one["pieces"], one["claimed"]) for one in listed] == [("B7", 1, 5.0)]
    told = json.loads(run("claim", "B7", "--json", "--ward", desk.path).stdout)
    assert (told["deadline"], told["asked"], told["state"]) == (None, 5.0, "open")


def test_many_photos_stay_under_five_megabytes(arrived: Desk) -> None:
    """40 photos: what each may take shrinks with their number."""
    for index in range(40):
        jpeg(arrived.photos / "coral" / f"IMG_{index}.jpg", seed=100 + index, size=(600, 450))
    arrived.score(eyes=JpegEyes())
    outcome = claimed(arrived, moments=DELIVERED, dead=["coral"])
    assert len(outcome.sheet.photos) == 40
    for name in ("sheet.pdf", "sheet.html"):
        assert (outcome.written.folder / name).stat().st_size < MOST_BYTES


def test_more_photos_than_can_be_seen_are_refused(arrived: Desk) -> None:
    with arrived.ward() as ward:
        one = ward.readings("amber")
        with pytest.raises(BadInputError, match="do not fit a sheet of 5 MB"):
            small_pictures(ward, one * (ALL_BYTES // 8_000 + 1), {})


def test_a_lost_original_is_replaced_by_its_cut_out(arrived: Desk) -> None:
    (arrived.photos / "amber" / "IMG_4711.jpg").unlink()
    outcome = claimed(arrived, dead=["amber"])
    assert (
        "cut-out; the original was not at hand"
        in (outcome.written.folder / "sheet.html").read_text()
    )
    assert any("originals were not found" in remark for remark in outcome.written.remarks)


def test_an_original_that_was_moved_is_found_by_its_hash(arrived: Desk, tmp_path: Path) -> None:
    target = tmp_path / "archive" / "deep" / "x.jpg"
    target.parent.mkdir(parents=True)
    (arrived.photos / "amber" / "IMG_4711.jpg").rename(target)
    outcome = claimed(arrived, dead=["amber"], photos=[tmp_path / "archive"])
    assert outcome.written.remarks == ()
    assert len(list((outcome.written.folder / "originals").glob("photo-*"))) == 1


def test_hostile_names_stay_inside(desk: Desk, tmp_path: Path) -> None:
    """Names come from users: no markup, no path and no foreign letter gets out of hand."""
    register = tmp_path / "r.csv"
    register.write_text(
        "specimen,batch,supplier,kind,cost\namber,../../B <b>7</b>,Zażółć <script>,kąt,5\n",
        encoding="utf-8",
    )
    desk.ward().close()
    assert run("intake", register, "--ward", desk.path).exit_code == 0
    done = run("claim", "../../B <b>7</b>", "--dead", "amber", "--ward", desk.path)
    assert done.exit_code == 0, done.output
    (folder,) = (desk.path / "claims").iterdir()
    assert re.fullmatch(r"[A-Za-z0-9-]+", folder.name)
    html = (folder / "sheet-1" / "sheet.html").read_text()
    assert "<script>" not in html
    assert "Zażółć &lt;script&gt;" in html
    # The PDF's own letters have no ż, ł and ć: they go without their marks.
    assert (
        "Zazólc <script>"
        in pypdf.PdfReader(folder / "sheet-1" / "sheet.pdf").pages[0].extract_text()
    )


def test_open_windows_lead_the_round_and_money_stands_on_the_first_page(arrived: Desk) -> None:
    claimed(arrived, moments=DELIVERED, dead=["amber"])
    with arrived.ward() as ward:
        assert claims_due(ward, now=datetime(2026, 5, 12, 8, 0, tzinfo=UTC)) == [
            "Claim on batch B7: 3 h 30 min left; 1 piece claimed, not sent. polypward claim B7"
        ]
        assert claims_due(ward, now=NOW) == []  # 11:30 UTC is the end of it
    just_now = (datetime.now(UTC) - timedelta(minutes=1)).isoformat(timespec="seconds")
    assert run("claim", "B7", "--delivered", just_now, "--ward", arrived.path).exit_code == 0
    first = run("rounds", "--ward", arrived.path).stdout.splitlines()[0]
    assert re.match(r"Claim on batch B7: 3 h 5\d min left; 1 piece claimed, not sent", first)
    assert run("report", "--ward", arrived.path).exit_code == 0
    page = (arrived.path / "report" / "index.html").read_text()
    assert "Claims: 60.00 EUR claimed, 0.00 EUR credited, 60.00 EUR still open." in page
    settings = arrived.path / "ward.toml"
    settings.write_text(settings.read_text().replace("window_hours = 4", "window_hours = -4"))
    told = run("rounds", "--ward", arrived.path)
    assert (told.exit_code, "window_hours must be a number from 0" in told.stdout) == (0, True)
