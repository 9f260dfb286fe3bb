"""What a run came to, for a person to read and for a program."""

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from polypward.reasons import REASONS
from polypward.records import Reading
from polypward_cli.card.history import change_of
from polypward_cli.scoring import Outcome
from polypward_cli.ward import Ward

__all__ = ["Closing", "close"]

# Photos, files or folders named one by one under a heading; the rest are counted.
MAX_LISTED = 40


@dataclass(frozen=True, slots=True, kw_only=True)
class Closing:
    """The readings of a run's photos, told apart, and the flags that stand in the ward."""

    outcome: Outcome
    accepted: tuple[Reading, ...]
    rejected: tuple[Reading, ...]
    dropped: int
    flagged: tuple[tuple[str, str, str], ...]  # specimen, flag, evidence
    unregistered: tuple[str, ...]
    ward: Ward
    cards: tuple[str, ...] = ()  # a sentence about each card that has changed

    def as_json(self) -> dict[str, Any]:
        """Return the list as JSON values."""
        return {
            "ward": self.ward.path.as_posix(),
            "photos": len(self.accepted) + len(self.rejected) + self.dropped,
            "measured": self.outcome.measured,
            "accepted": len(self.accepted),
            "rejected": [
                {"photo": one.photo, "reasons": list(one.reasons), "detail": one.detail}
                for one in self.rejected
            ],
            "dropped": self.dropped,
            "duplicates": self.outcome.duplicates,
            "skipped": self.outcome.scan.skipped,
            "moved": list(self.outcome.moved),
            "unused_manifest_rows": list(self.outcome.unused_rows),
            "flagged": [
                {"specimen": specimen, "flag": flag, "evidence": evidence}
                for specimen, flag, evidence in self.flagged
            ],
        }

    def lines(self) -> Iterator[str]:
        """Yield the list as lines of plain text."""
        yield from self._counts()
        if self.rejected:
            yield from ("", "Rejected, kept in the ward without measures:")
            yield from _rejections(self.rejected)
        yield from self._told()
        yield from self.cards
        yield ""
        if self.flagged:
            yield "Flagged:"
            for specimen, flag, evidence in self.flagged:
                yield f"  {specimen}  {flag}: {evidence}"
        else:
            yield "Flagged: no specimen."
        yield ""
        path = self.ward.path.as_posix()
        yield f"Figures: {path}/readings.csv, {path}/scores.csv"
        yield f"Pages:   polypward report --ward {path} --open"

    def _counts(self) -> Iterator[str]:
        outcome = self.outcome
        count = len(self.accepted) + len(self.rejected) + self.dropped
        line = f"{_many(count, 'photo')}: {len(self.accepted)} accepted, "
        line += f"{len(self.rejected)} rejected"
        line += f", {self.dropped} taken out earlier" if self.dropped else ""
        yield f"{line} ({outcome.measured} measured now)."
        bare = sum("no-card-scale" in one.reasons for one in self.accepted)
        if bare:
            yield f"{_many(bare, 'photo')} without a card, by the scale given: no colour from them."
        if outcome.scan.skipped:
            yield f"{_many(outcome.scan.skipped, 'file')} without a picture's suffix skipped."
        if outcome.duplicates:
            yield f"{_many(outcome.duplicates, 'file')} with the same bytes counted once."

    def _told(self) -> Iterator[str]:
        outcome = self.outcome
        groups: Mapping[str, tuple[str, ...]] = {
            "Moved by a person's word": outcome.moved,
            "In the manifest, but not in the folder": outcome.unused_rows,
            "Folders that are wards, not scanned": outcome.scan.wards,
            "Folders that cannot be read": outcome.scan.unreadable,
            "Specimens that are not in the register": self.unregistered,
        }
        for title, items in groups.items():
            if items:
                shown = "; ".join(items[:MAX_LISTED])
                more = f"; and {len(items) - MAX_LISTED} more" if len(items) > MAX_LISTED else ""
                yield f"{title}: {shown}{more}"


def close(ward: Ward, outcome: Outcome) -> Closing:
    """Gather the closing list of a run after the courses were refreshed."""
    keys = set(outcome.keys)
    own = sorted(ward.readings_by_key(keys), key=lambda one: (one.photo, one.specimen))
    dropped = [one for one in own if "dropped" in one.reasons]
    rejected = [one for one in own if one.status == "rejected" and "dropped" not in one.reasons]
    registered = {one.specimen for one in ward.specimens() if one.registered}
    named = {one.specimen for one in own if one.specimen}
    serials = {one.card_serial for one in own if one.status == "accepted" and one.card_serial}
    return Closing(
        outcome=outcome,
        accepted=tuple(one for one in own if one.status == "accepted"),
        rejected=tuple(rejected),
        dropped=len(dropped),
        flagged=tuple(
            (name, flag["name"], flag["evidence"])
            for name, known in ward.summaries().items()
            for flag in known["flags"]
        ),
        unregistered=tuple(sorted(named - registered)) if registered else (),
        ward=ward,
        cards=tuple(filter(None, (change_of(ward, serial) for serial in sorted(serials)))),
    )


def _rejections(rejected: Sequence[Reading]) -> Iterator[str]:
    """Say each reason and what to do about it once, with the photos under it.

    A photo stands under each reason that rejects it; what was merely noted is left to the table.
    """
    by_code: dict[str, list[Reading]] = defaultdict(list)
    for one in rejected:
        for code in [code for code in one.reasons if REASONS[code].rejects] or one.reasons:
            by_code[code].append(one)
    for code, photos in sorted(by_code.items(), key=lambda item: (-len(item[1]), item[0])):
        yield f"  {code}, {_many(len(photos), 'photo')}: {REASONS[code].means} {REASONS[code].do}"
        for one in photos[:MAX_LISTED]:
            yield f"      {one.photo}" + (f" ({one.detail})" if one.detail else "")
        if len(photos) > MAX_LISTED:
            yield f"      ... and {len(photos) - MAX_LISTED} more, see readings.csv"


def _many(count: int, what: str) -> str:
    return f"{count} {what}" if count == 1 else f"{count} {what}s"
