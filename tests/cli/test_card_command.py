"""`polypward card`, `card check` and `card measure` as a person runs them."""

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from polypward.cards import card_from_json, layout_of_serial, load_layout
from polypward_cli.main import app
from polypward_cli.ward import Ward

RUNNER = CliRunner()


def run(*words: str | Path) -> tuple[int, str, str]:
    result = RUNNER.invoke(app, [str(word) for word in words])
    return result.exit_code, result.stdout, result.stderr


@pytest.mark.parametrize("layout", ["frame", "strip"])
def test_card_writes_three_files(tmp_path: Path, layout: str) -> None:
    out = tmp_path / "new" / "card"
    code, said, _ = run("card", "--out", out, "--layout", layout, "--paper", "letter")
    assert code == 0
    assert sorted(path.name for path in out.iterdir()) == ["card.json", "card.pdf", "card.png"]
    card = card_from_json(json.loads((out / "card.json").read_text("utf-8")))
    assert card.layout == layout
    assert layout_of_serial(card.serial) == layout
    assert card.values == "nominal"
    assert card.serial in said


def test_serials_differ_from_card_to_card(tmp_path: Path) -> None:
    serials = set()
    for name in "ab":
        assert run("card", "--out", tmp_path / name)[0] == 0
        serials.add(json.loads((tmp_path / name / "card.json").read_text("utf-8"))["serial"])
    assert len(serials) == 2  # equal once in 31**5 runs


def test_a_serial_of_ones_own_is_printed_in_capitals(tmp_path: Path) -> None:
    assert run("card", "--out", tmp_path, "--serial", "tank-7")[0] == 0
    assert json.loads((tmp_path / "card.json").read_text("utf-8"))["serial"] == "TANK-7"


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["card"], "--out"),
        (["card", "--out", "{out}", "--layout", "disc"], "disc"),
        (["card", "--out", "{out}", "--serial", "a b"], "cannot be a serial"),
        (["card", "--out", "{file}"], "cannot be written"),
        (["card", "check", "--serial", "X1", "--bar-mm", "100"], "--bar-mm"),
    ],
)
def test_wrong_usage_ends_with_2_and_a_sentence(
    tmp_path: Path, words: list[str], told: str
) -> None:
    file = tmp_path / "file"
    file.write_text("no folder", encoding="utf-8")
    code, _, complained = run(*(word.format(out=tmp_path / "out", file=file) for word in words))
    assert code == 2
    assert told in complained
    assert "Traceback" not in complained


def test_check_stores_the_print_scale_for_the_layout_of_the_serial(tmp_path: Path) -> None:
    ward = tmp_path / "ward"
    code, said, _ = run(
        "card", "check", "--serial", "s7kx4dk", "--bar-mm", "99.5", "100.2", "--ward", ward
    )
    assert code == 0
    assert "99.50 %" in said
    with Ward.open(ward) as opened:
        (card,) = opened.cards()
    assert (card.layout, card.serial) == ("strip", "S7KX4DK")
    assert card.print_scale == pytest.approx((0.995, 1.002))
    assert card.patches == load_layout("strip").patches


def test_check_again_replaces_the_scale_and_keeps_the_layout(tmp_path: Path) -> None:
    first = ["--serial", "OWN", "--layout", "strip", "--bar-mm", "99", "99", "--ward", tmp_path]
    assert run("card", "check", *first)[0] == 0
    assert (
        run("card", "check", "--serial", "own", "--bar-mm", "101", "100", "--ward", tmp_path)[0]
        == 0
    )
    with Ward.open(tmp_path) as opened:
        (card,) = opened.cards()
    assert (card.layout, card.print_scale) == ("strip", pytest.approx((1.01, 1.0)))


def test_check_says_what_it_takes_an_unknown_serial_for(tmp_path: Path) -> None:
    code, said, _ = run(
        "card", "check", "--serial", "OWN", "--bar-mm", "99", "99", "--ward", tmp_path
    )
    assert code == 0
    assert "taken as a frame card" in said


def test_check_notices_a_mistyped_serial(tmp_path: Path) -> None:
    words = ["card", "check", "--serial", "S7KX4DX", "--bar-mm", "99", "99", "--ward", tmp_path]
    code, _, complained = run(*words)
    assert code == 2
    assert "does not check" in complained
    assert run(*words, "--layout", "strip")[0] == 0


@pytest.mark.parametrize("bars", [("89.9", "100"), ("100", "110.1"), ("10", "10"), ("nan", "100")])
def test_check_refuses_scales_off_by_more_than_a_tenth(
    tmp_path: Path, bars: tuple[str, str]
) -> None:
    ward = tmp_path / "ward"
    code, _, complained = run("card", "check", "--serial", "OWN", "--bar-mm", *bars, "--ward", ward)
    assert code == 2
    assert "100 mm when true to size" in complained
    assert not ward.exists()


def test_measure_stores_lab_and_keeps_the_print_scale(tmp_path: Path) -> None:
    ward, file = tmp_path / "ward", tmp_path / "patches.txt"
    strip = load_layout("strip")
    rows = [
        f"{patch.name};{patch.lab_d50[0] - 2:.2f};{patch.lab_d50[1]:.2f};{patch.lab_d50[2]:.2f}"
        for patch in strip.patches
    ]
    file.write_text("\n".join(["name;L;a;b", *rows]), encoding="utf-8")
    check = ["card", "check", "--serial", "S7KX4DK", "--bar-mm", "99", "101", "--ward", ward]
    assert run(*check)[0] == 0
    code, said, _ = run("card", "measure", file, "--serial", "S7KX4DK", "--ward", ward)
    assert code == 0
    assert "28 measured colours" in said
    with Ward.open(ward) as opened:
        (card,) = opened.cards()
    assert card.values == "measured"
    assert card.print_scale == pytest.approx((0.99, 1.01))
    for nominal, measured in zip(strip.patches, card.patches, strict=True):
        assert measured.lab_d50[0] == pytest.approx(nominal.lab_d50[0] - 2, abs=0.01)


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (None, "cannot be read"),
        (b"name,L,a,b\ntan,x,1,2\n", "Line 2, column 2"),
        (b"name,L,a,b\n\xfcber,66,1,2\n", "no patches of the strip card"),
        (b"\x89PNG\r\n\x1a\n\0\0", "not a text file"),
    ],
)
def test_measure_names_file_and_fault(tmp_path: Path, content: bytes | None, told: str) -> None:
    file = tmp_path / "patches.csv"
    if content is not None:
        file.write_bytes(content)
    code, _, complained = run(
        "card", "measure", file, "--serial", "S7KX4DK", "--ward", tmp_path / "ward"
    )
    assert code == 2
    assert told in complained
    assert "patches.csv" in complained
