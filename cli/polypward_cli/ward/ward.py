"""A ward on disk: what others may ask of it, in records."""

import json
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, date, datetime
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sqlite_utils import Database

from polypward.errors import BadInputError
from polypward.records import Card, CareEvent, Reading, Specimen
from polypward_cli.ward import lock
from polypward_cli.ward.ledger import DATABASE, audit, dumps, now_text, open_ledger
from polypward_cli.ward.rows import (
    READING_ROW,
    care_of,
    reading_of,
    row_of_specimen,
    specimen_of,
)
from polypward_cli.ward.settings import SETTINGS, WardSettings, read_settings, write_new_settings
from polypward_cli.ward.upkeep import refuse_half_a_ward

if TYPE_CHECKING:
    from polypward.course import Course

__all__ = ["Ward"]


class Ward:
    """An open ward; made by `Ward.open`, a context manager.

    Attributes
    ----------
    path : Path
        The ward's folder.
    db : Database
        The ledger; written only while `working` holds the lock.
    settings : WardSettings
        What ward.toml says.
    """

    def __init__(
        self, path: Path, db: Database, settings: WardSettings, *, today: date | None = None
    ) -> None:
        self._today = today
        self.path = path
        self.db = db
        self.settings = settings

    @classmethod
    def open(
        cls,
        path: Path | str,
        *,
        create: bool = False,
        time_zone: str | None = None,
        today: date | None = None,
    ) -> "Ward":
        """Open the ward in the folder `path`; with `create`, make it if it is not there.

        `time_zone` is that of a new ward; without it this computer's is taken. `today` stands in
        for the clock.

        Raises
        ------
        BadInputError
            If there is no ward (and `create` is false), or its ledger or settings are unreadable.
        """
        path = Path(path)
        refuse_half_a_ward(path)
        there = (path / DATABASE).exists()
        if not there and not create:
            raise BadInputError(
                f"{path}: no ward here. Go to the folder that holds it, or name it: --ward PATH. "
                f"A new one: polypward score FOLDER --ward {path}"
            )
        if path.exists() and not path.is_dir():
            raise BadInputError(f"{path}: a file, but a ward is a folder; name another --ward")
        try:
            path.mkdir(parents=True, exist_ok=True)
            if not (path / SETTINGS).exists():
                write_new_settings(path / SETTINGS, time_zone=time_zone)
        except OSError as error:
            raise BadInputError(f"{path}: the ward cannot be written ({error.strerror})") from error
        settings = read_settings(path / SETTINGS)
        return cls(path, open_ledger(path / DATABASE, create=create), settings, today=today)

    def __enter__(self) -> "Ward":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the ledger."""
        self.db.close()

    @contextmanager
    def working(self, doing: str, *, only_reads: bool = False) -> Iterator[None]:
        """Hold the ward for writing; another polypward is told what runs since when.

        With `only_reads` a ward in a read-only folder is not held: nobody can write there.
        """
        with lock.hold(self.path, doing, only_reads=only_reads):
            yield

    # What is in it.

    def specimens(self) -> list[Specimen]:
        """Return every specimen, by name."""
        return [specimen_of(row) for row in self.db.query("select * from specimens order by 1")]

    def specimen(self, name: str) -> Specimen | None:
        """Return the specimen of exactly this name, None if there is none."""
        rows = self.db.query("select * from specimens where specimen = ?", [name])
        return next((specimen_of(row) for row in rows), None)

    def readings(self, specimen: str | None = None) -> list[Reading]:
        """Return the stored readings (of one specimen), by time, then photo.

        What follows from the course (paling, pale_mm2, expansion) is in `courses`.
        """
        where = "" if specimen is None else "where readings.specimen = ?"
        rows = self.db.query(
            f"select {READING_ROW} from readings join photos using (key) "
            f"{where} order by taken_at, path, specimen",
            None if specimen is None else [specimen],
        )
        return [reading_of(row, zone=self.settings.zone) for row in rows]

    def readings_by_key(self, keys: Collection[str]) -> list[Reading]:
        """Return the readings of the photos with these keys of the ledger, by path."""
        rows = self.db.query(
            f"select {READING_ROW} from readings join photos using (key) "
            "where key in (select value from json_each(?)) order by path, specimen",
            [dumps(sorted(keys))],
        )
        return [reading_of(row, zone=self.settings.zone) for row in rows]

    def care(self, specimen: str | None = None) -> list[CareEvent]:
        """Return what was done to or seen on the specimens (or one), by time."""
        where = "" if specimen is None else "where specimen = ?"
        rows = self.db.query(
            f"select * from care {where} order by at, id", None if specimen is None else [specimen]
        )
        return [care_of(row, zone=self.settings.zone) for row in rows]

    def looks(self, specimen: str | None = None) -> list[CareEvent]:
        """Return the visits without figures: care events whose `what` is "look"."""
        return [event for event in self.care(specimen) if event.what == "look"]

    @cached_property
    def zone_today(self) -> date:
        """Today in the ward's time zone, the same for as long as the ward is open."""
        return self._today or datetime.now(self.settings.zone).date()

    def courses(self, *, today: date | None = None) -> dict[str, "Course"]:
        """Return the course of every specimen, computed from the stored readings."""
        from polypward_cli.ward.courses import courses, with_worth

        return with_worth(self, courses(self, today=today or self.zone_today))

    def summaries(self) -> dict[str, dict[str, Any]]:
        """Return what the last run knew of each specimen (see `courses.summary`)."""
        rows = self.db.query("select specimen, summary from summaries order by 1")
        return {row["specimen"]: json.loads(row["summary"]) for row in rows}

    # Cards.

    def cards(self) -> list[Card]:
        """Return the ward's own cards, by serial, with measured values and print scale."""
        from polypward.cards import card_from_json

        cards = []
        for row in self.db.query("select * from cards order by serial"):
            card = card_from_json(json.loads(row["card"]))
            if row["scale_x"] is not None:
                card = replace(card, print_scale=(row["scale_x"], row["scale_y"]))
            cards.append(card)
        return cards

    def save_card(self, card: Card) -> None:
        """Keep a card of the ward; an older one of the same serial goes into the audit."""
        from polypward.cards import card_to_json

        if not card.serial:
            raise BadInputError("a card needs a serial to be kept in a ward")
        scale_x, scale_y = card.print_scale or (None, None)
        row = {"card": dumps(card_to_json(card)), "scale_x": scale_x, "scale_y": scale_y}
        with self.db.atomic():
            for old in list(
                self.db.query(
                    "select card, scale_x, scale_y from cards where serial = ?", [card.serial]
                )
            ):
                if old == row:
                    return
                audit(self.db, "card changed", card.serial, old=old, new=row)
            self.db.table("cards").insert(
                {"serial": card.serial, **row, "saved_at": now_text()}, pk="serial", replace=True
            )

    # Writing specimens and care.

    def save_specimen(
        self, specimen: Specimen, *, register_key: str | None = None, by: str = ""
    ) -> None:
        """Add a specimen, or change what is known of it (the old row goes into the audit)."""
        row = row_of_specimen(specimen)
        names = list(row)
        old = list(self.db.query("select * from specimens where specimen = ?", [specimen.specimen]))
        with self.db.atomic():
            if not old:
                extra = {"register_key": register_key, "first_named": now_text()}
                self.db.table("specimens").insert(row | extra)
                return
            before = {name: old[0][name] for name in names}
            if before == row:
                return
            told = row | ({"by": by} if by else {})
            audit(self.db, "specimen changed", specimen.specimen, old=before, new=told)
            self.db.table("specimens").update(specimen.specimen, row)

    def add_care(self, event: CareEvent) -> bool:
        """Keep a care event; False if the very same one is there. Leaving changes the state.

        Raises
        ------
        BadInputError
            If the specimen is not in the ward, had not arrived then, or was not there when it is
            said to have left, moved or been cut.
        """
        from polypward.life import LIFE, check_order
        from polypward_cli.life.follow import check_arrived, follow, keep_first_stand

        one = self.specimen(event.specimen)
        if one is None:
            raise BadInputError(
                f'"{event.specimen}" is no specimen of this ward; '
                "register it first: polypward intake REGISTER.csv"
            )
        check_arrived(self, one, event.at)
        row: dict[str, Any] = {
            "specimen": event.specimen,
            "at": event.at.astimezone(UTC).isoformat(),
            "what": event.what,
            "detail": dumps(dict(event.detail)),
            "by": event.by,
        }
        with self.db.atomic():
            before = self.db.table("care").count
            self.db.table("care").insert(row, ignore=True)
            if self.db.table("care").count == before:
                return False
            if event.what in LIFE:
                check_order(self.care(event.specimen), zone=self.settings.zone)
                if event.what == "move":
                    keep_first_stand(self, one)
                follow(self, event)
        return True
