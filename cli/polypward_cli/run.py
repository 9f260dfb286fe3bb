"""One run over a folder of photos: what it was told, what it measures, places and keeps."""

import json
from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from polypward.records import PhotoSettings
from polypward_cli.cameras.calibrating import lens_marks, lenses
from polypward_cli.eyes import Eyes
from polypward_cli.files import is_there, is_whole
from polypward_cli.kept import forget_files
from polypward_cli.manifest import photo_key
from polypward_cli.measuring import Bench, Job, Measured
from polypward_cli.options import Options, RunPhoto, identity_of
from polypward_cli.outlining import outline_before, outline_mark, outlined_of
from polypward_cli.placing import (
    Place,
    clear_copies,
    know_specimen,
    names_of,
    note_copy,
    place_of,
    primary_row,
    save_place,
    without_blobs,
)
from polypward_cli.scan import Found, Scan, whose_photo
from polypward_cli.sight import refuse_gone, seen_at
from polypward_cli.small import SMALL
from polypward_cli.teaching.corrections import corrected_maps, map_digest
from polypward_cli.tray import keep_parts
from polypward_cli.ward import Ward
from polypward_cli.ward.inputs import (
    card_key,
    digest,
    photo_settings,
    print_residuals,
    settings_inputs,
)
from polypward_cli.ward.ledger import audit, dumps, now_text
from polypward_cli.workers import measure_all, workers_for

__all__ = ["Progress", "Run"]

Progress = Callable[[str, int, int], None]

LOG: Final = "ward.log"


class Run:
    """One run over a folder: what it was told, and what it notes on the way."""

    def __init__(self, ward: Ward, options: Options, eyes: Eyes, now: datetime) -> None:
        self.ward = ward
        self.options = options
        self.seen_at = seen_at(ward, now)
        self.names = names_of(ward)
        self.heights = {one.specimen: one.height_mm for one in ward.specimens()}
        self.bench = Bench(
            ward=ward.path,
            eyes=eyes,
            cards=tuple(ward.cards()),
            print_residuals=print_residuals(ward),
            lenses=lenses(ward),
        )
        self.lens_marks = lens_marks(ward)
        self.model = eyes.version
        self.moved: list[str] = []
        self.contradictions = 0

    def clean(self) -> None:
        """Take away what a killed run left half written."""
        for folder in ("tiles", "masks", SMALL):
            for part in (self.ward.path / folder).glob(".*.part"):
                part.unlink(missing_ok=True)

    def take_in(self, scan: Scan, progress: Progress) -> list[RunPhoto]:
        """Hash every file, keep new photos in the ledger, gather files of the same bytes."""
        identities = []
        for number, found in enumerate(scan.photos, start=1):
            identities.append(identity_of(found))
            progress("reading", number, len(scan.photos))
        told = zip(scan.photos, identities, strict=True)
        refuse_gone([one for one, (_, sha256, _) in told if not sha256 and not is_there(one.path)])
        photos: dict[str, RunPhoto] = {}
        with self.ward.db.atomic():
            for found, (key, sha256, size) in zip(scan.photos, identities, strict=True):
                if key in photos:
                    photos[key].files.append(found)
                else:
                    photos[key] = RunPhoto(self._photo_row(key, sha256, size, found), [found])
                if key == sha256:
                    self._forget_husks(found)
            self._listen(list(photos.values()))
        return list(photos.values())

    def _listen(self, photos: list[RunPhoto]) -> None:
        for photo in photos:
            # The file the ward knows comes first, else the first by path.
            photo.files.sort(key=lambda found: found.photo != photo.row["path"])
            self._hear(photo)

    def _forget_husks(self, found: Found) -> None:
        """Forget that the file was empty or unreadable before, now that it has bytes."""
        for key in (f"empty:{found.photo}", f"unreadable:{found.photo}"):
            if self.ward.db.execute("select 1 from photos where key = ?", [key]).fetchone():
                for table in ("readings", "assignments", "photos"):
                    self.ward.db.execute(f"delete from {table} where key = ?", [key])
                audit(self.ward.db, "file has bytes now", key)

    def measure(self, photos: list[RunPhoto], progress: Progress) -> set[str]:
        """Measure what is new or stands on changed inputs; return the keys of what was.

        Raises
        ------
        BadInputError
            If a photo is gone by then; the others have been measured and kept.
        """
        by_key = {photo.key: photo for photo in photos}
        measured: set[str] = set()
        gone: list[Found] = []
        jobs = [job for photo in photos if (job := self._job(photo))]
        # The second time: photos whose tag, read in the first, named a specimen of other height.
        for _ in range(2):
            progress("measuring", 0, len(jobs))
            for number, done in enumerate(self._measured(jobs), start=1):
                if done.gone:
                    gone.append(by_key[done.job.key].files[0])
                else:
                    self._keep(by_key[done.job.key], done)
                    measured.add(done.job.key)
                progress("measuring", number, len(jobs))
            jobs = [job for key in sorted(measured) if (job := self._job(by_key[key], again=True))]
            if not jobs:
                break
        refuse_gone(gone)
        return measured

    def _measured(self, jobs: list[Job]) -> Iterator[Measured]:
        """Measure jobs in this process, in others, or on other computers, as it was asked for."""
        if self.options.scheduler and jobs:
            from polypward_cli.cluster import measure_on

            return measure_on(self.options.scheduler, jobs, self.bench)
        return measure_all(jobs, self.bench, workers=workers_for(self.options.workers, len(jobs)))

    def settle(self, photo: RunPhoto) -> None:
        """Place a photo that was not measured in this run."""
        place = self._place(photo)
        before = primary_row(self.ward, photo.key)
        if save_place(self.ward, photo.row, place, what="placed again") and before:
            was = before["specimen"]
            if was and place.specimen and was != place.specimen:
                self.moved.append(f"{photo.row['path']}: from {was} to {place.specimen}")
        if not place.contradicts and photo.files[0].photo != photo.row["path"]:
            photo.row["path"] = photo.files[0].photo
            self.ward.db.table("photos").update(photo.key, {"path": photo.row["path"]})

    def keep_contradictions(self, photo: RunPhoto) -> None:
        """Keep a row for each second specimen that the same bytes were found under."""
        place = self._place(photo)
        found: dict[str, str] = {}
        if place.contradicts:
            found[place.contradicts] = photo.files[0].photo
        for copy in photo.files[1:]:
            manifest = self.options.manifest.rows.get(photo_key(copy.photo), {})
            said = manifest.get("specimen", "")
            whose = whose_photo(copy.photo, names=self.names, manifest=said)
            if place.specimen and whose.specimen not in ("", place.specimen):
                found.setdefault(whose.specimen, copy.photo)
        if place.whose.source == "assigned" or json.loads(photo.row["tray"]):
            found = {}
        for specimen, path in found.items():
            note_copy(self.ward, photo.row, path=path, specimen=specimen)
        clear_copies(self.ward, photo.key, but=list(found))
        self.contradictions += len(found) - bool(place.contradicts and found)

    def unused_rows(self, scan: Scan) -> tuple[str, ...]:
        """Return the photos of the manifest that are not in the folder."""
        there = {photo_key(found.photo) for found in scan.photos}
        return tuple(sorted(set(self.options.manifest.rows) - there))

    def _photo_row(self, key: str, sha256: str, size: int | None, found: Found) -> dict[str, Any]:
        row = next(
            iter(list(self.ward.db.query("select * from photos where key = ?", [key]))), None
        )
        if row is None:
            row = {
                "key": key,
                "sha256": sha256,
                "path": found.photo,
                "bytes": size,
                "first_seen": self.seen_at,
                "exif_taken_at": None,
                "decoded": 0,
                "camera": "",
                "gps_at": None,
                "tags": "[]",
                "tray": "[]",
                "manifest": "{}",
                "flags": "{}",
            }
            self.ward.db.table("photos").insert(row)
        return row

    def _hear(self, photo: RunPhoto) -> None:
        """Keep what this run's manifest, flags and outlines say of a photo."""
        said = {"manifest": photo.row["manifest"], "flags": photo.row["flags"]}
        for found in photo.files:
            values = self.options.manifest.rows.get(photo_key(found.photo))
            if values is not None:
                said["manifest"] = dumps(dict(values))
                break
        flags: dict[str, Any] = json.loads(said["flags"]) | self.options.flags()
        said["flags"] = dumps(flags)
        self._change(photo, said)
        outline = self._outline(photo)
        if outline is not None:
            said["flags"] = dumps(flags | {"outline": [list(point) for point in outline]})
            self._change(photo, said)

    def _outline(self, photo: RunPhoto) -> tuple[tuple[float, float], ...] | None:
        for name, points in self.options.outlines.items():
            if photo_key(name) in {photo_key(found.photo) for found in photo.files}:
                return points
        specimen = self._place(photo).specimen if self.options.outlines else ""
        return self.options.outlines.get(specimen)

    def _change(self, photo: RunPhoto, values: dict[str, Any]) -> None:
        if any(photo.row[name] != value for name, value in values.items()):
            photo.row |= values
            self.ward.db.table("photos").update(photo.key, values)

    def _place(self, photo: RunPhoto) -> Place:
        return place_of(self.ward, photo.row, path=photo.files[0].photo, names=self.names)

    def _inputs(self, photo: RunPhoto) -> tuple[PhotoSettings, dict[str, Any]]:
        height = self.heights.get(self._place(photo).specimen)
        settings = photo_settings(self.ward, photo.row, specimen_height_mm=height)
        inputs = settings_inputs(settings, model=self.model)
        if mark := map_digest(self.ward, photo.key):
            inputs["map"] = mark
        if settings.outline_mm is None and "map" not in inputs:
            source = outline_before(self.ward, primary_row(self.ward, photo.key))
            if source is not None:
                inputs["carried"] = outline_mark(source)
        return settings, inputs | self._no_tray(photo) | self._lens(photo)

    def _lens(self, photo: RunPhoto) -> dict[str, Any]:
        """Return the input that is a calibration of the photo's camera."""
        mark = self.lens_marks.get(photo.row["camera"])
        return {"lens": mark} if mark else {}

    def _no_tray(self, photo: RunPhoto) -> dict[str, Any]:
        """Return the input that a photo with several tags is of the one specimen that was said."""
        several = len(json.loads(photo.row["tags"])) > 1
        return {"tray": False} if several and self._is_said(photo) else {}

    def _is_said(self, photo: RunPhoto) -> bool:
        """Whether a person said of which one specimen a photo is."""
        said: dict[str, Any] = json.loads(photo.row["manifest"])
        return bool(said.get("specimen")) or self._place(photo).whose.source == "assigned"

    def _job(self, photo: RunPhoto, *, again: bool = False) -> Job | None:
        """Return the job of measuring a photo, None if its reading stands."""
        settings, inputs = self._inputs(photo)
        row = primary_row(self.ward, photo.key)
        if row is not None:
            inputs_now = inputs | {"card": card_key(row, self.bench.cards)}
            failed = row["measure_code"] == "measuring-failed" and not again
            there = all(is_whole(self.ward.path / row[name]) for name in ("tile", "mask"))
            if json.loads(row["inputs"]) == inputs_now and there and not failed:
                return None
        cards = [repr(card) for card in self.bench.cards]
        name = f"{digest(photo.key)}-{digest([inputs, cards])[:6]}"
        known: dict[str, Any] = {}
        if "map" in inputs:
            known |= corrected_maps(self.ward, photo.key)
        if "carried" in inputs:
            source = outline_before(self.ward, row)
            known["outlined"] = None if source is None else outlined_of(self.ward, source)
        if self._is_said(photo):
            known["tray"] = False
        return Job(
            key=photo.key,
            path=photo.files[0].path,
            name=name,
            settings=settings,
            inputs=inputs,
            known=known,
        )

    def _keep(self, photo: RunPhoto, done: Measured) -> None:
        """Keep a reading and what the photo said of itself, in one transaction."""
        db = self.ward.db
        about = {
            "decoded": int(done.decoded),
            "exif_taken_at": done.exif_taken_at,
            "camera": done.camera,
            "gps_at": done.gps_at,
            "tags": dumps(list(done.tags)),
            "tray": dumps(list(done.tags) if done.parts else []),
        }
        old = primary_row(self.ward, photo.key)
        with db.atomic():
            self._change(photo, about)
            inputs = dict(done.job.inputs) | self._no_tray(photo) | self._lens(photo)
            inputs["card"] = card_key(done.row, self.bench.cards)
            self._outline_by_tag(photo)
            place = self._place(photo)
            row = dict(done.row) | dict(place.columns)
            row |= {
                "key": photo.key,
                "part": row.get("part", ""),
                "lamp": done.job.settings.lamp,
                "inputs": dumps(inputs),
                "measured_at": now_text(),
            }
            if done.decoded:
                know_specimen(self.ward, place.specimen)
            if old is None:
                db.table("readings").insert(row)
            else:
                db.execute(
                    "delete from readings where key = ? and specimen = ? and id != ?",
                    [photo.key, place.specimen, old["id"]],
                )
                db.table("readings").update(old["id"], row)
                if not old["measure_code"] == row["measure_code"] == "measuring-failed":
                    audit(db, "measured again", photo.key, old=without_blobs(old), new=inputs)
            keep_parts(self.ward, photo.row, done, inputs, self.names)
            if not place.contradicts and photo.files[0].photo != photo.row["path"]:
                self._change(photo, {"path": photo.files[0].photo})
        if old is not None:
            forget_files(self.ward.path, old, row)
            was = old["specimen"]
            if was and place.specimen and was != place.specimen:
                self.moved.append(f"{photo.row['path']}: from {was} to {place.specimen}")
        if done.trace:
            _log(self.ward.path / LOG, f"{photo.row['path']}\n{done.trace}")

    def _outline_by_tag(self, photo: RunPhoto) -> None:
        outline = self._outline(photo)
        if outline is not None:
            flags = json.loads(photo.row["flags"])
            flags["outline"] = [list(point) for point in outline]
            self._change(photo, {"flags": dumps(flags)})


def _log(path: Path, text: str) -> None:
    with path.open("a", encoding="utf-8", errors="replace") as stream:
        stream.write(f"{now_text()} {text}\n")
