import pytest

from polypward_cli.naming import Names, clean_name, is_generic
from polypward_cli.scan import whose_photo

NAMES = Names(["LAM-03", "LAM-04"], places=["rack 1"])


@pytest.mark.parametrize(
    "name",
    [
        *("IMG", "IMG_1234", "DSC00012", "DSC_0001", "DSCN0042", "P1000123", "MVIMG", "PXL"),
        *("image", "image (1)", "Photos", "Screenshot 2026-01-12", "DCIM", "Camera Roll"),
        *("100ABC", "100APPLE", "101_PANA", "2026", "2026-01-12", "20260112", "12.01.2026"),
        *("January 2026", "Jan", "week 3", "Week3", "visit 2", "2026-01-12 week 3", "2026-W03"),
        *("New folder (2)", "IMG-20260112-WA0003", "20260112_101500", "top", "Photos from 2026"),
        *("Some App Images", "_", "...", "3. Woche"),
    ],
)
def test_camera_words_and_dates_are_no_specimens(name: str) -> None:
    assert is_generic(name)


@pytest.mark.parametrize("name", ["LAM-03", "lamella", "7", "Coral 3", "amber b", "D3F7", "Ünal"])
def test_other_names_are(name: str) -> None:
    assert not is_generic(name)


@pytest.mark.parametrize(
    ("path", "specimen", "source"),
    [
        ("IMG_1.jpg", "", ""),
        ("PXL_20260112_101500123.jpg", "", ""),
        ("Some App Image 2026-01-12 at 10.15.00.jpeg", "", ""),
        ("2026/01/12/IMG_2.jpg", "", ""),
        ("100APPLE/IMG_2.jpg", "", ""),
        ("amber/IMG_1.jpg", "amber", "folder"),
        ("amber/2026-01-12/IMG_1.jpg", "amber", "folder"),
        ("2026-01-12/amber/IMG_1.jpg", "amber", "folder"),
        ("lam-03/IMG_1.jpg", "LAM-03", "folder"),
        ("LAM-03/side/IMG_1.jpg", "LAM-03", "folder"),
        ("amber_2026-01-12.jpg", "amber", "file name"),
        ("frag 12_20260112_1015.jpg", "frag 12", "file name"),
        ("rack 1/LAM-03_2026-01-12.jpg", "LAM-03", "file name"),
        ("amber/blue_2026-01-12.jpg", "amber", "folder"),
        ("box 4/LAM-03_2026-01-12.jpg", "LAM-03", "file name"),
        ("LAM-03 (2).jpg", "LAM-03", "file name"),
        ("amber.jpg", "", ""),
        ("LAM-03/LAM-03_2026-01-12.jpg", "LAM-03", "folder"),
    ],
)
def test_paths_name_specimens(path: str, specimen: str, source: str) -> None:
    whose = whose_photo(path, names=NAMES)
    assert (whose.specimen, whose.source) == (specimen, source)
    assert whose.code == ("" if specimen else "no-specimen")


def test_the_manifest_comes_before_a_tag_and_a_tag_before_the_folder() -> None:
    both = whose_photo("amber/a.jpg", names=NAMES, manifest="jade", tags=("blue",))
    assert (both.specimen, both.source) == ("jade", "manifest")
    tag = whose_photo("amber/a.jpg", names=NAMES, tags=("blue",))
    assert (tag.specimen, tag.source) == ("blue", "tag")


def test_data_in_a_square_code_is_no_name() -> None:
    whose = whose_photo("a.jpg", names=NAMES, tags=("https://example.org/x",))
    assert whose.code == "no-specimen"


@pytest.mark.parametrize(
    ("path", "said"),
    [
        ("LAM-03/LAM-04_2026-01-12.jpg", {}),
        ("LAM-03/a.jpg", {"tags": ("LAM-04",)}),
        ("LAM-03/a.jpg", {"manifest": "LAM-04"}),
        ("a.jpg", {"tags": ("LAM-04", "lam-03")}),
        ("a.jpg", {"tags": ("amber", "blue")}),
    ],
)
def test_two_ids_that_disagree_are_a_conflict(path: str, said: dict[str, object]) -> None:
    whose = whose_photo(path, names=NAMES, **said)  # type: ignore[arg-type]
    assert (whose.specimen, whose.code) == ("", "specimen-conflict")


def test_an_assignment_settles_a_conflict() -> None:
    whose = whose_photo("LAM-03/LAM-04_2026-01-12.jpg", names=NAMES, assigned="LAM-04")
    assert (whose.specimen, whose.code) == ("LAM-04", "")


def test_names_lose_control_signs_and_spare_spaces() -> None:
    assert clean_name("  a\x00b \n c ") == "a b c"
    assert clean_name("e\u0301") == "\u00e9"
