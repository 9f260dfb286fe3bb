"""The report as a person and a browser find it: a ward of built records, no photographs."""

import dataclasses
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote
from zoneinfo import ZoneInfo

import cv2
import numpy as np
import pytest
from typer.testing import CliRunner

from polypward.course import Course, CourseSettings, pool_sd, score_specimen
from polypward.errors import PolypwardError
from polypward.records import CareEvent, Reading, Specimen
from polypward_cli.main import app
from polypward_cli.report import build_report, cutouts
from polypward_cli.report.folder import fresh_folder
from polypward_cli.ward import Ward

FIRST = date(2026, 1, 5)
VISITS = 6
TODAY = FIRST + timedelta(days=7 * (VISITS - 1) + 1)
ZONE = ZoneInfo("Europe/Berlin")
HOSTILE = '<script>alert("x")</script><img src=x onerror=alert(1)>'


@dataclass
class Settings:
    owner: str = ""
    zone: ZoneInfo = ZONE


@dataclass
class BuiltWard:
    """A ward in memory; its courses are the real ones of its readings."""

    path: Path
    kept: list[Specimen]
    taken: list[Reading]
    events: list[CareEvent] = field(default_factory=list)
    settings: Settings = field(default_factory=Settings)
    zone_today: date = TODAY

    def specimens(self) -> list[Specimen]:
        return sorted(self.kept, key=lambda one: one.specimen)

    def readings(self, specimen: str | None = None) -> list[Reading]:
        return [r for r in self.taken if specimen is None or r.specimen == specimen]

    def care(self, specimen: str | None = None) -> list[CareEvent]:
        return [e for e in self.events if specimen is None or e.specimen == specimen]

    def courses(self) -> dict[str, Course]:
        return {
            one.specimen: score_specimen(
                self.readings(one.specimen),
                specimen=one,
                care=self.care(one.specimen),
                pooled=pool_sd(self.taken),
                settings=CourseSettings(),
                today=self.zone_today,
            )
            for one in self.kept
        }


def reading(name: str, visit: int, *, cover: float = 0.95, lightness: float = 45.0) -> Reading:
    day = FIRST + timedelta(days=7 * visit)
    return Reading(
        photo=f"{name}/{day}.jpg",
        sha256=f"{name}-{visit}",
        specimen=name,
        taken_at=datetime(day.year, day.month, day.day, 11, tzinfo=ZONE),
        live_mm2=1000 * cover,
        live_mm2_sd=8.0,
        bare_mm2=1000 * (1 - cover),
        overgrown_mm2=0.0,
        live_cover=cover,
        live_cover_sd=0.008,
        L=lightness,
        a=-10.0,
        b=22.0,
        lab_sd=1.0,
        colour_grade="relative",
        tile=f"tiles/{visit}.jpg",
        mask=f"masks/{visit}.png",
        view="top",
    )


@pytest.fixture
def ward(tmp_path: Path) -> BuiltWard:
    """Four specimens: one recedes, one comes back, one is lost, one bears a hostile name."""
    path = tmp_path / "my ward"
    for folder in ("tiles", "masks"):
        (path / folder).mkdir(parents=True)
    for visit in range(VISITS):
        draw_tile(path, visit, radius=100 - 2 * visit)
    covers = [0.96, 0.955, 0.96, 0.958, 0.80, 0.72]
    paling = [75.0, 70.0, 63.0, 56.0, 50.0, 46.0]
    taken = [reading("Hammer", v, cover=covers[v]) for v in range(VISITS)]
    taken += [reading("Torch 3", v, lightness=paling[v]) for v in range(VISITS)]
    taken += [reading(HOSTILE, v) for v in range(VISITS)]
    taken += [reading("Gone", v) for v in range(2)]
    rejected = dict(status="rejected", tile="", mask="", live_cover=None, detail="1 of 8 markers")
    taken += [dataclasses.replace(taken[0], photo="a.jpg", reasons=("no-card",), **rejected)]
    taken += [
        Reading(photo="IMG_1.jpg", sha256="9", status="rejected", reasons=("no-specimen",)),
    ]
    return BuiltWard(
        path=path,
        kept=[
            Specimen(specimen="Hammer", kind="hammer", place="table 1", cost=20.0),
            Specimen(specimen="Torch 3", kind=HOSTILE, supplier="A & B", expected_price=80.0),
            Specimen(specimen=HOSTILE, expected_price=1200.5),
            Specimen(specimen="Gone", state="lost", left_on=FIRST + timedelta(days=9), cost=30.0),
        ],
        taken=taken,
        events=[
            CareEvent(
                specimen="Torch 3",
                at=datetime(2026, 1, 14, 8, tzinfo=UTC),
                what="move",
                detail={"to": HOSTILE},
                by="Kim",
            ),
            CareEvent(
                specimen="Torch 3",
                at=datetime(2026, 1, 5, 8, tzinfo=UTC),
                what="quarantine",
                detail={"status": "open"},
            ),
        ],
    )


def draw_tile(path: Path, visit: int, *, radius: int) -> None:
    """Draw a disc of live tissue in the middle of a tile of 240 rows and 320 columns."""
    mask = np.zeros((240, 320), np.uint8)
    cv2.circle(mask, (160, 120), radius, 1, -1)
    picture = np.full((240, 320, 3), 60, np.uint8)
    picture[mask == 1] = (60, 150, 90)
    (path / f"tiles/{visit}.jpg").write_bytes(cv2.imencode(".jpg", picture)[1])
    (path / f"masks/{visit}.png").write_bytes(cv2.imencode(".png", mask)[1])


class Page(HTMLParser):
    """What a browser would see of a page: its tags with their attributes, and its words."""

    def __init__(self, path: Path) -> None:
        super().__init__()
        self.path = path
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.labelled: list[dict[str, str | None]] = []  # fields that stand in their label
        self._words: list[str] = []
        self._in_label = 0
        self.feed(path.read_text("utf-8"))
        self.words = " ".join(" ".join(self._words).split())

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        self._in_label += tag == "label"
        if self._in_label:
            self.labelled.append(dict(attrs))

    def handle_endtag(self, tag: str) -> None:
        self._in_label -= tag == "label"

    def handle_data(self, data: str) -> None:
        self._words.append(data)


def pages(index: Path) -> Iterator[Page]:
    found = sorted(index.parent.rglob("*.html"))
    assert len(found) == 5 + 4
    yield from map(Page, found)


def test_hostile_names_are_words_and_no_markup(ward: BuiltWard) -> None:
    """What users and files name can hold anything; in a page it is only ever text."""
    seen = 0
    for page in pages(build_report(ward)):
        for tag, attributes in page.tags:
            assert tag not in ("iframe", "object", "form", "base")
            if tag == "script":  # the report's own, and nothing inline
                assert str(attributes["src"]).removeprefix("../") == "report.js"
            assert not [name for name in attributes if name.startswith("on")]
        seen += '<script>alert("x")</script>' in page.words
    assert seen >= 4  # first page, all specimens, its own, that of the kind


def test_the_folder_stands_alone(ward: BuiltWard) -> None:
    """Nothing points outside the folder, and everything it points at is there."""
    index = build_report(ward)
    for path in index.parent.rglob("*"):
        if path.suffix in (".html", ".css", ".json"):
            text = path.read_text("utf-8")
            assert "http" not in text.replace("http-equiv", ""), path
            assert "//" not in text, path
            assert "@import" not in text, path
    script = (index.parent / "report.js").read_text("utf-8")
    assert not re.search(r"http|fetch|XMLHttp|import|eval|innerHTML|sendBeacon|WebSocket", script)
    shown = {page.path.resolve(): page for page in pages(index)}
    for page in shown.values():
        targets = [a[k] for _, a in page.tags for k in ("href", "src") if k in a]
        assert targets
        for target in targets:
            assert target is not None
            file, _, fragment = target.partition("#")
            found = (page.path.parent / unquote(file)).resolve() if file else page.path.resolve()
            assert found.is_file(), target
            assert found.is_relative_to(index.parent.resolve())
            if fragment:
                assert fragment in {a["id"] for _, a in shown[found].tags if "id" in a}, target


def test_pages_can_be_read_without_eyes(ward: BuiltWard) -> None:
    """Every picture has a text, every check box a label, every section a heading."""
    for page in pages(build_report(ward)):
        tags = page.tags
        assert ("html", {"lang": "en"}) in tags
        assert [tag for tag, _ in tags].count("h1") == 1
        ids = [a["id"] for _, a in tags if "id" in a]
        assert len(ids) == len(set(ids))
        for tag, a in tags:
            if tag == "img":
                assert "alt" in a
            if tag == "svg":
                assert a.get("aria-hidden") == "true" or a.get("role") == "img"
            if tag in ("input", "select"):
                assert a in page.labelled or ("label", {"for": a["id"]}) in tags
            for name in (a.get("aria-labelledby") or "").split():
                assert name in ids


def test_the_first_page_sorts_the_ward(ward: BuiltWard) -> None:
    """Receding asks for a person, a sure gain in quarantine comes back, healthy can be sold."""
    index = build_report(ward)
    words = Page(index).words
    sections = ["Who needs me today 1", "Coming back 1", "Can be sold 1", "Due for a photo 1"]
    places = [words.index(section) for section in sections]
    assert places == sorted(places)
    needs, back, sold, rest = (words[a:b] for a, b in zip(places, [*places[1:], None], strict=True))
    assert "Hammer" in needs
    assert "falling" in needs
    assert "Torch 3" in back
    assert "rising" in back
    assert "Torch 3" not in needs + sold + rest
    assert "<script>" in sold
    assert "never into natural waters" in sold
    assert "No longer on the tables 1" in rest
    every = Page(index.parent / "all.html").words
    assert "Due for a photo 1 Hammer" in every
    assert "No longer on the tables 1 Gone : lost 14 Jan 2026" in every
    assert "3 specimens on the tables: 1 needs someone today, 1 coming back, 1 can be sold" in words


def test_the_page_of_photos_says_what_to_do_differently(ward: BuiltWard) -> None:
    words = Page(build_report(ward)).words
    assert "Photos not counted 2" in words
    photos = Page(ward.path / "report/photos.html").words
    assert "No colour card was found. Lay the whole card beside" in photos
    assert "a.jpg (Hammer): 1 of 8 markers" in photos
    assert "IMG_1.jpg" in photos


def test_money_is_summed_where_the_register_has_prices(ward: BuiltWard) -> None:
    """80 + 1200.50 held, the one lost had cost 30; without prices there is no such line."""
    index = build_report(ward)
    words = Page(index.parent / "ward.html").words
    assert "on the tables: 1 280.50 expected for 2 specimens" in words  # no-break space
    assert "lost or discarded: 30.00 of cost" in words
    assert "Can be sold now: 1 200.50 expected." in Page(index).words
    ward.kept = [dataclasses.replace(one, cost=None, expected_price=None) for one in ward.kept]
    index = build_report(ward)
    assert "expected" not in Page(index).words + Page(index.parent / "ward.html").words


def test_a_specimen_page_tells_its_course(ward: BuiltWard) -> None:
    page = Page(specimen_page(build_report(ward), "hammer"))
    for told in (
        "seen from above",
        "Advice: treat",
        "A person decides",
        "Recession",
        "Photo readings (7)",
        "not counted",
        "Colour reference: its richest three visits",
        "Weekly photos cannot promise early warning of fast tissue loss: the daily look does",
    ):
        assert told in page.words
    drawn = [a for tag, a in page.tags if tag == "svg" and a.get("role") == "img"]
    assert len(drawn) == 3  # cover, colour, condition
    newest, *alts = [str(a["alt"]) for tag, a in page.tags if tag == "img"]
    assert newest == alts[-1]
    assert len(alts) == VISITS
    assert alts[0].startswith("Hammer on 5 Jan 2026, cover 96 %")
    assert alts[-1].startswith("Hammer on 9 Feb 2026, cover 72 %")


def test_loss_that_only_the_side_shows_is_told_on_the_first_page(ward: BuiltWard) -> None:
    """Cover 98 % from above throughout, from the side 95 % down to 70 %."""
    side = [0.95, 0.95, 0.93, 0.86, 0.78, 0.70]
    top = [reading("Stalk", v, cover=0.98) for v in range(VISITS)]
    ward.kept = [Specimen(specimen="Stalk")]
    ward.taken = top + [
        dataclasses.replace(
            reading("Stalk", v, cover=side[v]), view="side", photo=f"Stalk/{v}_side.jpg"
        )
        for v in range(VISITS)
    ]
    index = build_report(ward)
    words = Page(index).words
    needs = words[words.index("Who needs me today 1") : words.index("Coming back")]
    assert "Recession, side photos" in needs
    assert "98 % from above; side 70 %" in needs
    assert "falling" in needs
    page = Page(specimen_page(index, "stalk"))
    assert page.words.index("From above") < page.words.index("From the side")
    assert "Live cover, side photos" in page.words
    _, *alts = [str(a["alt"]) for tag, a in page.tags if tag == "img"]
    assert [" from the side" in alt for alt in alts] == VISITS * [False] + VISITS * [True]


def test_overgrowth_has_its_own_chart_and_mark(ward: BuiltWard) -> None:
    shares = [0.01, 0.01, 0.02, 0.10, 0.16, 0.22]
    ward.kept = [Specimen(specimen="Edge")]
    ward.taken = [
        dataclasses.replace(
            reading("Edge", v, cover=0.97 - shares[v]),
            bare_mm2=30.0,
            overgrown_mm2=1000 * shares[v],
        )
        for v in range(VISITS)
    ]
    page = Page(specimen_page(build_report(ward), "edge"))
    assert "Overgrown share From 1 % on 5 Jan 2026 to 22 % on 9 Feb 2026, 6 visits." in " ".join(
        page.words.replace("Overgrown share Overgrown share", "Overgrown share").split()
    )
    assert "Overgrowth since" in page.words


def test_an_acknowledged_flag_is_told_as_cleared(ward: BuiltWard) -> None:
    ward.events = [
        CareEvent(
            specimen="Hammer",
            at=datetime(2026, 2, 10, 8, tzinfo=UTC),
            what="acknowledge",
            detail={"flag": flag},
        )
        for flag in ("recession", "sharp-loss")
    ]
    page = Page(specimen_page(build_report(ward), "hammer"))
    assert "acknowledged by a person" in page.words


def test_a_coral_without_live_tissue_asks_for_a_second_look(ward: BuiltWard) -> None:
    """Shrunken corals look dead: the first page asks for eyes, not for the bin."""
    ward.kept = [Specimen(specimen="Shrunken", kind="button")]
    ward.taken = [dataclasses.replace(reading("Shrunken", 5, cover=0.01), L=None, a=None, b=None)]
    words = Page(build_report(ward)).words
    needs = words[words.index("Who needs me today 1") : words.index("Coming back")]
    assert "look again after 24 hours" in needs
    assert "discard" not in needs


def test_a_long_list_goes_on_in_rows(ward: BuiltWard) -> None:
    """70 specimens that can be sold: 40 in full, 30 in a table, all of them linked."""
    ward.kept = [Specimen(specimen=f"n{n:02d}") for n in range(70)]
    ward.taken = [reading(f"n{n:02d}", v) for n in range(70) for v in range(VISITS)]
    page = Page(build_report(ward))
    assert "Can be sold 70" in page.words
    assert [a.get("class") for tag, a in page.tags if tag == "li"].count("card") == 40
    assert "30 more" in page.words
    linked = [str(a.get("href")) for tag, a in page.tags if tag == "a"]
    assert all(f"specimens/n{n:02d}.html" in linked for n in range(70))


def test_care_stands_on_the_page_and_on_the_charts(ward: BuiltWard) -> None:
    page = Page(specimen_page(build_report(ward), "torch"))
    assert "14 Jan 2026, 09:00 move: to <script>" in page.words  # 8:00 UTC in the ward's zone
    assert "2026-01-14: move" in page.words


def test_a_ward_without_photos_has_a_report(tmp_path: Path) -> None:
    ward = BuiltWard(path=tmp_path, kept=[Specimen(specimen="New")], taken=[])
    index = build_report(ward)
    assert "No photos were scored yet." in Page(index).words
    page = Page(index.parent / "specimens" / next((index.parent / "specimens").iterdir()).name)
    assert "No photo of this specimen was counted yet." in page.words
    assert "not known" in page.words


def test_the_command_writes_the_report_of_a_ward(tmp_path: Path) -> None:
    Ward.open(tmp_path / "w", create=True, time_zone="UTC").close()
    result = CliRunner().invoke(app, ["report", "--ward", str(tmp_path / "w")])
    assert result.exit_code == 0
    assert (tmp_path / "w/report/index.html").is_file()
    assert str(tmp_path / "w" / "report" / "index.html") in result.stdout


def test_the_command_says_that_there_is_no_ward(tmp_path: Path) -> None:
    result = CliRunner().invoke(app, ["report", "--ward", str(tmp_path / "none")])
    assert result.exit_code == 2
    assert "no ward here" in result.stderr


def specimen_page(index: Path, start: str) -> Path:
    (found,) = (index.parent / "specimens").glob(f"{start}*.html")
    return found


# Cut-outs.


def test_outlines_follow_the_mask(ward: BuiltWard, tmp_path: Path) -> None:
    """A disc of 100 px round (160, 120) of 320 x 240, drawn at 280 x 210: 87.5 px round (140, 105).

    The square of 320 px about the disc is cut off at the tile's upper and lower edge.
    Half a pixel for the border's centre, 0.6 for straightening, one for the scaled step.
    """
    made = cutouts.make_cutouts(
        [reading("Hammer", 0)], ward=ward.path, folder=tmp_path / "cut", earlier=None
    )["tiles/0.jpg"]
    assert (made.width, made.height) == (280, 210)
    assert made.frame == (-160.5, -120.5, 320, 240)  # about the middle of 60..260, 20..220
    assert made.body_px == 201
    assert set(made.outlines) == {"live"}
    steps = made.outlines["live"].strip("MZ").split("L")
    points = np.array([step.split() for step in steps], float)
    radii = np.hypot(points[:, 0] - 140.4, points[:, 1] - 105.4)
    assert len(points) >= 12
    np.testing.assert_allclose(radii, 87.5, atol=1.2)
    jpeg = cv2.imdecode(np.fromfile(tmp_path / "cut" / made.file, np.uint8), cv2.IMREAD_COLOR)
    assert jpeg.shape == (210, 280, 3)
    assert jpeg[105, 140, 1] > 130 > 90 > jpeg[5, 5, 1]  # live tissue in, ground out


def test_cut_outs_of_a_strip_have_one_scale_and_one_middle(ward: BuiltWard) -> None:
    """Tiles of 0.2 and 0.1 mm a pixel: the second picture is half as wide as the first."""
    ward.kept = [Specimen(specimen="Near")]
    ward.taken = [
        dataclasses.replace(reading("Near", visit), tile_mm_per_px=scale)
        for visit, scale in ((0, 0.2), (1, 0.1))
    ]
    page = Page(specimen_page(build_report(ward), "near"))
    styles = [a.get("style") or "" for tag, a in page.tags if a.get("class") == "pic"]
    placed = [
        [float(value) for value in re.findall(r":(-?[\d.]+)%", style)] for style in styles if style
    ]
    assert len(placed) == 2
    for left, top, width, height in placed:  # to half a pixel of the tile
        assert left + width / 2 == pytest.approx(50, abs=0.5)
        assert top + height / 2 == pytest.approx(50, abs=0.5)
    assert placed[0][2] == pytest.approx(2 * placed[1][2], abs=0.1)
    assert "each square is 46 mm wide" in page.words  # 1.15 of 201 px of 0.2 mm


def test_details_hold_intervals_limits_and_lab(ward: BuiltWard) -> None:
    page = Page(specimen_page(build_report(ward), "hammer"))
    for told in (
        "Photo condition, 90 % interval",
        "Lost 13 % of what it had (90 %:",  # from sqrt(0.96) to sqrt(0.72)
        "Slope of cover",
        "6 visits in 35 days",
        "L* 45.0, a* \N{MINUS SIGN}10.0, b* 22.0",
        "Not known yet: the ward has too few repeat photos",  # smallest change: 20 are needed
    ):
        assert told in page.words, told
    rows = page.words[page.words.index("Light and state") :]
    assert "9 Feb 2026 top" in rows
    assert "72.0 ± 0.8 %" in rows


def test_only_new_cutouts_are_made(ward: BuiltWard, monkeypatch: pytest.MonkeyPatch) -> None:
    build_report(ward)
    made = []

    def counting(folder: Path, tile: str, mask: str, ensure=cutouts.ensure_small) -> object:  # type: ignore[no-untyped-def]
        made.append(tile)
        return ensure(folder, tile, mask)

    monkeypatch.setattr(cutouts, "ensure_small", counting)
    build_report(ward)
    assert made == []
    draw_tile(ward.path, 1, radius=40)  # a corrected mask
    index = build_report(ward)
    assert made == ["tiles/1.jpg"]
    assert len(list((index.parent / "cutouts").glob("*.jpg"))) == VISITS


@pytest.mark.parametrize("damage", [b"", b"\xff\xd8\xff no picture", None])
def test_a_damaged_tile_costs_one_cutout_only(ward: BuiltWard, damage: bytes | None) -> None:
    tile = ward.path / "tiles/2.jpg"
    if damage is None:
        tile.unlink()
    else:
        tile.write_bytes(damage)
    index = build_report(ward)
    page = Page(specimen_page(index, "hammer"))
    assert len([tag for tag, _ in page.tags if tag == "img"]) == 1 + VISITS - 1  # the newest twice


def test_a_damaged_index_of_cutouts_is_made_again(ward: BuiltWard) -> None:
    index = build_report(ward)
    (index.parent / "cutouts" / cutouts.INDEX).write_text("[1, 2", "utf-8")
    build_report(ward)
    assert len(list((index.parent / "cutouts").glob("*.jpg"))) == VISITS


# The folder as a whole.


def test_a_failed_report_leaves_the_earlier_one(
    ward: BuiltWard, monkeypatch: pytest.MonkeyPatch
) -> None:
    index = build_report(ward)
    before = {p: p.read_bytes() for p in index.parent.rglob("*") if p.is_file()}
    monkeypatch.setattr(BuiltWard, "zone_today", property(lambda _: 1 / 0), raising=False)
    del ward.__dict__["zone_today"]
    with pytest.raises(ZeroDivisionError):
        build_report(ward)
    assert {p: p.read_bytes() for p in index.parent.rglob("*") if p.is_file()} == before
    assert [p.name for p in ward.path.iterdir() if p.name.startswith(".")] == []


def test_what_a_killed_run_left_is_swept(tmp_path: Path) -> None:
    (tmp_path / ".report-new-0000/deep").mkdir(parents=True)
    with fresh_folder(tmp_path / "report") as folder:
        (folder / "a").write_text("1")
    assert [p.name for p in tmp_path.iterdir()] == ["report"]
    assert (tmp_path / "report/a").read_text() == "1"


def test_a_folder_that_cannot_be_replaced_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "report"
    target.mkdir()
    (target / "old").write_text("old")
    rename = Path.rename

    def refuse(self: Path, to: Path) -> Path:
        if "-new-" in self.name:
            raise PermissionError(13, "Access is denied")
        return rename(self, to)

    monkeypatch.setattr(Path, "rename", refuse)
    with (
        pytest.raises(PolypwardError, match=r"cannot be replaced \(Access is denied\)"),
        fresh_folder(target),
    ):
        pass
    assert (target / "old").read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["report"]
