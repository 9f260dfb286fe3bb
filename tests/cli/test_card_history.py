"""Cards that fade, are retired, and hand their colours on to the next."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from tests.cli.conftest import Desk
from tests.cli.fakes import photo
from typer.testing import CliRunner

from polypward.cards import load_layout
from polypward.errors import PhotoRejectedError
from polypward_cli.card.history import bridges, card_charts, retired
from polypward_cli.main import app
from polypward_cli.ward.ledger import dumps

FRAME = load_layout("frame")
COUNT = len(FRAME.patches)


def residuals(day: int, *, faded: float) -> list[list[float]]:
    rng = np.random.default_rng([day, 3])
    prints = np.random.default_rng(1).normal(0, 4, (COUNT, 3))
    one = prints + rng.normal(0, 0.6, (COUNT, 3)) + np.array([faded, 0, faded])
    return [[float(v) for v in row] for row in one]


@pytest.fixture
def scored(desk: Desk) -> tuple[Desk, list[str]]:
    for day in range(1, 21):
        photo(
            desk.photos / "amber" / f"{day}.jpg", f"2026-05-{day:02d}T10:00:00+02:00",
            serial="FADES", residuals=residuals(day, faded=0.0 if day <= 11 else 6.0),
        )  # fmt: skip
        photo(
            desk.photos / "birch" / f"{day}.jpg", f"2026-05-{day:02d}T11:00:00+02:00",
            serial="STAYS", residuals=residuals(day + 40, faded=0.0),
        )  # fmt: skip
    return desk, list(desk.score().lines())


def test_a_faded_card_is_told_after_scoring_until_it_is_retired(scored) -> None:
    # Truth: the card changes on 12 May; three photos outside the limit in a row tell.
    desk, lines = scored
    told = [line for line in lines if line.startswith("The card ")]
    assert len(told) == 1
    assert told[0].startswith("The card FADES has changed since 2026-05-1")
    run, ward = CliRunner().invoke, ["--ward", str(desk.path)]
    shown = run(app, ["card", "history", *ward]).output
    assert "FADES: changed since 2026-05-1" in shown
    assert "STAYS: as when it was new" in shown
    [one] = json.loads(run(app, ["card", "history", "--serial", "STAYS", "--json", *ward]).output)
    assert (one["photos"], one["changed_since"], len(one["points"])) == (20, None, 12)
    assert run(app, ["card", "retire", "FADES", "--by", "Ana", *ward]).exit_code == 0
    with desk.ward() as opened:
        assert retired(opened)["FADES"]["by"] == "Ana"
    assert not any(line.startswith("The card ") for line in desk.score().lines())
    assert run(app, ["card", "retire", "FADES", "--back", *ward]).exit_code == 0
    with desk.ward() as opened:
        assert retired(opened) == {}
    wrong = run(app, ["card", "retire", "OTHER", *ward])
    assert (wrong.exit_code, "FADES, STAYS" in wrong.stderr) == (2, True)


def test_photos_under_another_light_are_not_charted(scored) -> None:
    desk, _ = scored
    with desk.ward() as ward, ward.working("test"):
        ward.db.execute("update readings set light_changed = 1 where taken_at > '2026-05-12'")
        charts = card_charts(ward)
    assert all(chart.since is None for chart in charts.values())


@pytest.fixture
def both(desk: Desk, tmp_path: Path, monkeypatch) -> tuple[Desk, Path, np.ndarray]:
    """A ward with a kept card, and photos of two cards as vision would read them."""
    folder = tmp_path / "both"
    folder.mkdir()
    for number in range(4):
        (folder / f"{number}.jpg").write_bytes(bytes([number]))
    with desk.ward() as ward, ward.working("test"):
        ward.save_card(replace(FRAME, serial="OLD", values="measured", print_scale=(1.0, 1.0)))
    true = np.array([patch.lab_d50 for patch in FRAME.patches]) + np.array([1.0, -0.5, 2.0])

    def seen_by(photo, known, *, new_serial, new_layout, residuals):
        assert (known.serial, new_serial, new_layout, residuals) == ("OLD", "NEW", "frame", None)
        number = photo[0]
        if number == 3:
            raise PhotoRejectedError("no-card", "the card NEW was not found in it")
        read = true + np.array([0.3, 0, 0]) if number == 1 else true
        return np.where(np.arange(COUNT)[:, None] == number, np.nan, read)

    monkeypatch.setattr("polypward_vision.two_cards.seen_by", seen_by)
    monkeypatch.setattr("polypward_vision.load.load_photo", lambda path: path.read_bytes())
    return desk, folder, true


def compare(desk: Desk, folder: Path, *more: str):
    how = ["--known", "OLD", "--new", "NEW", "--layout", "frame", "--ward", str(desk.path)]
    return CliRunner().invoke(app, ["card", "compare", str(folder), *how, *more])


def test_a_new_card_takes_its_colours_from_a_known_one(both, monkeypatch) -> None:
    desk, folder, true = both
    monkeypatch.setattr("polypward_cli.card.bridging.FEWEST_PHOTOS", 2)
    done = compare(desk, folder, "--by", "Ana")
    assert done.exit_code == 0, done.output
    assert "graded measured" in done.output
    assert "3.jpg was not used: no-card" in done.stderr
    with desk.ward() as ward:
        [new] = [card for card in ward.cards() if card.serial == "NEW"]
        assert new.values == "measured"
        found = np.array([patch.lab_d50 for patch in new.patches])
        # The median of three photos, of which one reads 0.3 lighter.
        np.testing.assert_allclose(found, true, atol=0.16)
        assert bridges(ward) == {"NEW": "OLD"}


def test_hidden_patches_and_too_few_photos_are_refused(both) -> None:
    desk, folder, _ = both
    hidden = compare(desk, folder)
    assert hidden.exit_code == 2
    assert FRAME.patches[0].name in hidden.stderr
    (folder / "2.jpg").unlink()
    few = compare(desk, folder)
    assert (few.exit_code, "2 of 3 photos" in few.stderr) == (2, True)
    same = CliRunner().invoke(
        app, ["card", "compare", str(folder), "--known", "OLD", "--new", "OLD", "--ward",
              str(desk.path)],
    )  # fmt: skip
    assert "two cards" in same.stderr
    with desk.ward() as ward:
        assert [card.serial for card in ward.cards()] == ["OLD"]


def test_colour_goes_on_over_a_bridge(desk: Desk) -> None:
    for day, serial in ((4, "OLD"), (11, "OLD"), (18, "NEW"), (25, "NEW")):
        taken = f"2026-05-{day:02d}T10:00:00+02:00"
        photo(desk.photos / "amber" / f"{day}.jpg", taken, serial=serial)
    desk.score()

    def cards() -> list[str]:
        with desk.ward() as ward:
            return [visit.card for visit in ward.courses()["amber"].visits]

    assert cards() == ["OLD", "OLD", "NEW", "NEW"]
    with desk.ward() as ward, ward.working("test"):
        ward.db.table("card_events").insert(
            {"serial": "NEW", "at": "2026-05-15T00:00:00+00:00", "what": "bridged",
             "detail": dumps({"known": "OLD"}), "by": ""}
        )  # fmt: skip
    assert cards() == ["OLD", "OLD", "OLD", "OLD"]
    desk.score()
    table = (desk.path / "readings.csv").read_text("utf-8")
    assert table.count(",NEW,") == 2
