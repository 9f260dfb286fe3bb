"""The pictures of the photographing guide are what the guide says: polypward reads each of them."""

import re
from pathlib import Path

import pytest

from phantoms.guide import PICTURES, Picture
from polypward.errors import PhotoRejectedError
from polypward.reasons import REJECTIONS
from polypward_vision import read_photo

# What is right with a photo of a card that was never measured: nobody gave scale or height.
NOTHING_TO_MEND = {"no-print-scale", "no-height"}


@pytest.mark.parametrize("picture", PICTURES, ids=lambda picture: picture.name)
def test_polypward_says_of_each_picture_what_the_guide_says(root: Path, picture: Picture) -> None:
    path = str(root / "docs" / "pictures" / f"{picture.name}.jpg")
    if picture.code in REJECTIONS:
        with pytest.raises(PhotoRejectedError) as caught:
            read_photo(path)
        assert caught.value.code == picture.code
        return
    reasons = set(read_photo(path).reading.reasons) - NOTHING_TO_MEND
    assert reasons == ({picture.code} if picture.code else set())


def test_the_guide_shows_every_picture_with_words(root: Path) -> None:
    """Small enough to load over a slow network: 1.5 MB together."""
    text = (root / "docs" / "photographing.md").read_text("utf-8")
    shown = dict(re.findall(r"!\[([^\]]{20,})\]\(pictures/([\w-]+)\.jpg\)", text))
    assert sorted(shown.values()) == sorted(picture.name for picture in PICTURES)
    files = list((root / "docs" / "pictures").glob("*.jpg"))
    assert {file.stem for file in files} == {picture.name for picture in PICTURES}
    assert sum(file.stat().st_size for file in files) < 1.5e6
