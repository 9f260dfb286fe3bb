"""Measured colours: CGATS.17 and tables, the conversion, and faults named by line and column."""

from contextlib import suppress
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from polypward.cards import load_layout, patch_colour, read_measurements, with_measurements
from polypward.cards.cgats import Measurement
from polypward.errors import CardError

CGATS = """CGATS.17
ORIGINATOR "a test # not a comment"
# a comment
WEIGHTING_FUNCTION "ILLUMINANT, D50"
NUMBER_OF_FIELDS 5
BEGIN_DATA_FORMAT
SAMPLE_ID SAMPLE_NAME LAB_L LAB_A LAB_B
END_DATA_FORMAT
NUMBER_OF_SETS 2
BEGIN_DATA
1 "brick red" 44.5 35.1 -2.0
2 tan 66.0 9.0
 28.5
END_DATA
"""
STRIP = replace(load_layout("strip"), serial="S1")


def test_cgats_with_quotes_comments_and_broken_lines() -> None:
    assert read_measurements(CGATS) == (
        Measurement("brick red", (44.5, 35.1, -2.0), 11),
        Measurement("tan", (66.0, 9.0, 28.5), 12),
    )


@pytest.mark.parametrize(
    "text",
    [
        "name,L,a,b\ntan,66,9,28.5\n",
        "\ufeffpatch;L*;a*;b*\n\ntan;66,0;9,0;28,5\n",
        "Sample_Name\tLAB_L\tLAB_A\tLAB_B\r\n# note\r\ntan\t66\t9\t28.5\r\n",
        'extra,b,a,L,name\n"x, y",28.5,9,66,tan\n',
    ],
)
def test_tables_in_the_usual_spellings(text: str) -> None:
    (one,) = read_measurements(text)
    assert (one.name, one.lab_d50) == ("tan", (66.0, 9.0, 28.5))


@pytest.mark.parametrize(
    ("xyz", "lab"),
    [
        ("96.422 100 82.521", (100, 0, 0)),  # the D50 white itself
        # CIE 15: L* = 116 (Y/Yn)^(1/3) - 16; a twentieth is above, a thousandth below the bend.
        ("4.8211 5 4.12605", (26.7347, 0, 0)),
        ("0.096422 0.1 0.082521", (0.9033, 0, 0)),  # 903.3 Y/Yn
        ("48.211 12.5 10.315125", (42, 500 * (0.5 ** (1 / 3) - 0.5), 0)),
    ],
)
def test_xyz_becomes_lab_by_cie_15(xyz: str, lab: tuple[float, float, float]) -> None:
    text = (
        "BEGIN_DATA_FORMAT SAMPLE_ID XYZ_X XYZ_Y XYZ_Z END_DATA_FORMAT\n"
        f"BEGIN_DATA 1 {xyz} 2 96.422 100 82.521 END_DATA"
    )
    if lab[1] > 128:  # no colour of a surface
        with pytest.raises(CardError, match="no colour of a print"):
            read_measurements(text)
    else:
        # Values are kept to four decimals.
        assert read_measurements(text)[0].lab_d50 == pytest.approx(lab, abs=1e-4)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "Neither CGATS"),
        ("just words", "Neither CGATS"),
        ("\0\1BEGIN_DATA_FORMAT", "not a text file"),
        ("BEGIN_DATA_FORMAT\nSAMPLE_ID", "Line 1: BEGIN_DATA_FORMAT has no END_DATA_FORMAT"),
        ("BEGIN_DATA_FORMAT ID END_DATA_FORMAT", "BEGIN_DATA is missing"),
        ("BEGIN_DATA_FORMAT END_DATA_FORMAT BEGIN_DATA END_DATA", "data format is empty"),
        (CGATS.replace("-2.0", "-2,x"), r"Line 11, column 25: LAB_B is '-2,x'"),
        (CGATS.replace("-2.0", "nan"), r"Line 11, column 25: LAB_B is 'nan'"),
        (CGATS.replace(" 28.5", ""), r"Line 12, column 12: the last set has 4 of 5"),
        (CGATS.replace("D50", "D65"), r"Line 4, column 20: measured under D65"),
        (CGATS.replace("44.5", "144.5"), r"Line 11: 'brick red' has L 144.5"),
        ("name,L,a\ntan,66,9", "Line 1: no colour columns"),
        ("L,a,b\n66,9,28", "Line 1: no column says which patch"),
        ("name,L,a,b", "no measured rows"),
        ("name,L,a,b\ntan,66,9", "Line 2: 3 cells, but the header names 4"),
        ("name,L,a,b\ntan,66,,28", "Line 2, column 3: A is ''"),
        ('name,L,a,b\n"tan,66,9,28', "Line 2: "),
        ("name,X,Y,Z\nwhite,0.8,0.86,0.7", "Y = 100, not 1"),
    ],
)
def test_faults_name_line_and_column(text: str, told: str) -> None:
    with pytest.raises(CardError, match=told):
        read_measurements(text)


@given(st.text(max_size=200) | st.text(alphabet='BEGIN_DATAFORMLXYZ \n\t",;.#1e-9', max_size=200))
def test_any_text_is_read_or_refused_in_words(text: str) -> None:
    for whole in (text, f"BEGIN_DATA_FORMAT ID LAB_L LAB_A LAB_B END_DATA_FORMAT {text}"):
        with suppress(CardError):  # nothing else comes out
            assert read_measurements(whole)


def measured_strip(shift: float = 1.0) -> list[Measurement]:
    return [
        Measurement(patch.name, (patch.lab_d50[0] - shift, *patch.lab_d50[1:]), line)
        for line, patch in enumerate(STRIP.patches, 2)
    ]


def test_measured_values_replace_the_nominal_ones() -> None:
    card = with_measurements(STRIP, measured_strip())
    assert card.values == "measured"
    assert card.serial == "S1"
    for nominal, measured in zip(STRIP.patches, card.patches, strict=True):
        assert measured.lab_d50 == pytest.approx(
            (nominal.lab_d50[0] - 1, *nominal.lab_d50[1:]), abs=1e-3
        )
        assert replace(measured, lab_d50=nominal.lab_d50) == nominal


def test_a_colour_word_stands_for_all_its_patches_and_repeats_are_averaged() -> None:
    frame = load_layout("frame")
    words = {patch_colour(patch.name): patch.lab_d50 for patch in frame.patches}
    rows = [
        Measurement(word.upper().replace(" ", "_"), (lab[0] + step, *lab[1:]), 1)
        for word, lab in words.items()
        for step in (-1.0, 2.0)
    ]
    card = with_measurements(frame, rows)
    for nominal, measured in zip(frame.patches, card.patches, strict=True):
        assert measured.lab_d50[0] == pytest.approx(nominal.lab_d50[0] + 0.5, abs=1e-3)


def test_numbers_mean_the_order_of_card_json() -> None:
    rows = [replace(row, name=str(n)) for n, row in enumerate(measured_strip(), 1)]
    assert with_measurements(STRIP, rows) == with_measurements(STRIP, measured_strip())


def test_measurements_that_do_not_fit_are_refused() -> None:
    rows = measured_strip()
    with pytest.raises(CardError, match="no measurement of: plum, mustard"):
        with_measurements(STRIP, rows[:-2])
    with pytest.raises(CardError, match="line 99: 'magenta'"):
        with_measurements(STRIP, [*rows, Measurement("magenta", (50, 60, 0), 99)])
    swapped = [replace(row, lab_d50=rows[-1 - index].lab_d50) for index, row in enumerate(rows)]
    with pytest.raises(CardError, match="measured in another order"):
        with_measurements(STRIP, swapped)
