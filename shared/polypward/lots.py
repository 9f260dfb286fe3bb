"""Photos that came in as a lot: the tag is photographed first, then its specimen.

What this works out is a proposal in upload order; a person confirms it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final, Literal

__all__ = ["LotItem", "LotPhoto", "in_order_of_time", "order_disagrees", "sort_lot"]

# A photo taken so long after its tag's is told: between two specimens of a round lie minutes.
# Common practice, no source.
LONG_AFTER: Final = timedelta(minutes=20)


@dataclass(frozen=True, slots=True, kw_only=True)
class LotPhoto:
    """A photo of a lot: its place in upload order, and the names on tags in it.

    With `shows_card` it is a photo of a specimen, even with a tag in view. `taken_at` is None where
    the photo's own data hold no time; all aware or all naive.
    """

    place: int
    tags: tuple[str, ...] = ()
    shows_card: bool = False
    taken_at: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LotItem:
    """What a photo of a lot is taken for: a tag, or a photo of `specimen` ("" = not clear).

    `why` is a few words where a person should look twice, else "".
    """

    place: int
    role: Literal["tag", "photo"]
    specimen: str
    why: str = ""


def sort_lot(photos: Sequence[LotPhoto]) -> list[LotItem]:
    """Say of each photo which specimen it shows: that of the last tag photographed before it.

    Parameters
    ----------
    photos : sequence of LotPhoto
        In upload order.

    Returns
    -------
    list of LotItem
        In the same order. A tag in a specimen's own photo counts more than the tag before it; as
        they disagree, what follows is not clear until the next tag.

    Examples
    --------
    >>> lot = [LotPhoto(place=1, tags=("A",)), LotPhoto(place=2, shows_card=True)]
    >>> [(item.role, item.specimen) for item in sort_lot(lot)]
    [('tag', 'A'), ('photo', 'A')]
    """
    items: list[LotItem] = []
    current, opened = "", None
    started = False
    for photo in photos:
        if photo.tags and not photo.shows_card:
            one = len(photo.tags) == 1
            current, opened, started = photo.tags[0] if one else "", photo.taken_at, True
            why = "" if one else f"several tags in it: {', '.join(photo.tags)}"
            items.append(LotItem(place=photo.place, role="tag", specimen=current, why=why))
            continue
        specimen, why = current, ""
        if len(photo.tags) > 1:
            specimen, why = "", f"several tags in it: {', '.join(photo.tags)}"
        elif photo.tags:
            specimen = photo.tags[0]
            if current and specimen != current:
                why = f"the tag before it says {current}, its own tag {specimen}"
                current = ""
        elif not current:
            why = "no clear tag before it" if started else "no tag before it"
        elif opened is not None and photo.taken_at is not None:
            after = photo.taken_at - opened
            if after < timedelta(0):
                why = "taken before the photo of its tag"
            elif after > LONG_AFTER:
                why = f"taken {_span(after)} after the photo of its tag"
        items.append(LotItem(place=photo.place, role="photo", specimen=specimen, why=why))
    return items


def order_disagrees(photos: Sequence[LotPhoto]) -> bool:
    """Say whether the photos' own times run otherwise than their order; False if any has none."""
    return [photo.place for photo in in_order_of_time(photos)] != [p.place for p in photos]


def in_order_of_time(photos: Sequence[LotPhoto]) -> list[LotPhoto]:
    """Return the photos by their own times; as they stand if any has none."""
    times = [photo.taken_at for photo in photos if photo.taken_at is not None]
    if len(times) < len(photos):
        return list(photos)
    order = sorted(range(len(photos)), key=lambda index: times[index])
    return [photos[index] for index in order]


def _span(span: timedelta) -> str:
    minutes = round(span.total_seconds() / 60)
    if minutes < 120:
        return f"{minutes} minutes"
    hours = round(minutes / 60)
    return f"{hours} hours" if hours < 48 else f"{round(hours / 24)} days"
