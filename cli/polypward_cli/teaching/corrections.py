"""Cut-outs and their maps go out to be corrected; corrected maps take the model's place.

A pair of files belongs to its photo and cut-out by the end of its name.
"""

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from polypward.errors import BadInputError
from polypward_cli.files import write_bytes, write_text
from polypward_cli.kept import forget_files, frame_of, labels_of, tile_of
from polypward_cli.placing import without_blobs
from polypward_cli.small import remake_small
from polypward_cli.ward import Ward
from polypward_cli.ward.inputs import digest
from polypward_cli.ward.ledger import audit, dumps, now_text
from polypward_cli.ward.rows import reading_of, row_of_measures

if TYPE_CHECKING:
    from polypward_vision.tile import TileFrame

__all__ = [
    "Corrected",
    "corrected_maps",
    "export_maps",
    "forget_map",
    "import_maps",
    "map_digest",
    "map_rows",
]

# Pairs exported unless a person names photos or a number: an evening's work.
USUAL_COUNT: Final = 6
READ_ME: Final = "how-to-correct.txt"
_MAP = re.compile(r"~([0-9a-f]+-[0-9a-f]+)\.map\.png$", re.IGNORECASE)

_READ_ME = """\
Each cut-out has a map of the same size: NAME.cut-out.png and NAME.map.png.

1. Open both in a paint program as layers, the map on top, its layer half transparent.
2. Paint on the map only, with a hard brush, in these colours:
   {legend}
3. Save the map's layer alone under its own name as PNG, in the same size.
4. polypward teach import this-folder

The specimen is its tissue and its skeleton as seen in the picture. Plug, glue, rack, side wall
and shadow are not the specimen, whatever grows on them.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Corrected:
    """One map that came in: live cover before and after, or that nothing had changed."""

    photo: str
    specimen: str
    changed: bool
    cover_before: float | None
    cover_after: float | None


def map_rows(ward: Ward) -> list[dict[str, Any]]:
    """Return the corrected maps with the readings they belong to, by time of correction."""
    return list(
        ward.db.query(
            "select readings.*, photos.path, photos.sha256, corrected_maps.frame, "
            "corrected_maps.plane, corrected_maps.mask as painted, corrected_maps.at as "
            "corrected_at, corrected_maps.by as corrected_by "
            "from corrected_maps join photos on photos.key = corrected_maps.key "
            "join readings on readings.key = corrected_maps.key "
            "and readings.part = corrected_maps.part and readings.copy_path = '' "
            "order by corrected_maps.at, corrected_maps.key"
        )
    )


def export_maps(
    ward: Ward, folder: Path, *, photos: Sequence[str] = (), count: int = USUAL_COUNT
) -> list[str]:
    """Write pairs of cut-out and map for a person to correct; return their names.

    Without `photos` those go out first of which the map is the most unsure, one of each specimen
    before a second of any.

    Raises
    ------
    BadInputError
        If a photo is not in the ward or has no cut-out, or there is nothing to correct.
    """
    from polypward_cli.measuring import encoded
    from polypward_cli.teaching.painting import legend, painted

    chosen = _named(ward, photos) if photos else _most_unsure(ward, count)
    if not chosen:
        raise BadInputError(
            f"{ward.path}: no photo here has a map to correct; score some photos first"
        )
    names = []
    for row in chosen:
        tile, labels = tile_of(ward, row), labels_of(ward, row)
        name = f"{_plain(row['specimen'] or 'no specimen')}~{_mark(row, labels.shape)}"
        write_bytes(folder / f"{name}.cut-out.png", encoded(tile, "PNG"))
        write_bytes(folder / f"{name}.map.png", painted(labels))
        names.append(name)
    write_text(folder / READ_ME, _READ_ME.format(legend=legend().replace("; ", "\n   ")))
    return names


def import_maps(ward: Ward, paths: Sequence[Path], *, by: str = "") -> list[Corrected]:
    """Take corrected maps in: all of them or, if one cannot be used, none.

    Parameters
    ----------
    paths : sequence of Path
        Map files, or folders of them.
    by : str
        Who corrected them.

    Raises
    ------
    BadInputError
        Naming the file that cannot be used.
    """
    from polypward_cli.teaching.painting import read_painted

    files = sorted({file for path in paths for file in _files(path)})
    if not files:
        raise BadInputError(
            f"{paths[0]}: no maps here; they are called NAME.map.png as polypward teach export "
            "wrote them"
        )
    work = []
    for file in files:
        row = _row_of(ward, file)
        before = labels_of(ward, row)
        labels = read_painted(file, shape=(before.shape[0], before.shape[1]))
        new = None if (labels == before).all() else _measured(ward, row, labels, file)
        work.append((row, labels, new))
    done = []
    with ward.db.atomic():
        for row, labels, new in work:
            if new is not None:
                _keep(ward, row, labels, new, by=by)
            done.append(
                Corrected(
                    photo=row["path"],
                    specimen=row["specimen"],
                    changed=new is not None,
                    cover_before=row["live_cover"],
                    cover_after=row["live_cover"] if new is None else new["live_cover"],
                )
            )
    return done


def forget_map(ward: Ward, photo: str) -> str:
    """Take a corrected map away; the next scoring reads the photo by the model again.

    Raises
    ------
    BadInputError
        If the photo has no corrected map.
    """
    rows = [row for row in map_rows(ward) if photo in (row["path"], Path(row["path"]).name)]
    if not rows:
        raise BadInputError(f'"{photo}": no corrected map of this photo; see polypward teach')
    with ward.db.atomic():
        for row in rows:
            ward.db.execute(
                "delete from corrected_maps where key = ? and part = ?", [row["key"], row["part"]]
            )
            was = {"frame": row["frame"], "at": row["corrected_at"], "map": row["painted"].hex()}
            audit(ward.db, "corrected map forgotten", row["key"], old=was)
    return str(rows[0]["path"])


def map_digest(ward: Ward, key: str) -> str:
    """Return a digest of the corrected maps of a photo, "" without one."""
    rows = list(
        ward.db.query("select part, mask from corrected_maps where key = ? order by part", [key])
    )
    return digest([[row["part"], row["mask"].hex()] for row in rows]) if rows else ""


def corrected_maps(ward: Ward, key: str) -> dict[str, Any]:
    """Return a photo's corrected maps as `measure_photo` takes them, by the name of the argument.

    A map of one specimen among several goes by its tag.
    """
    import numpy as np

    from polypward_vision.corrected import CorrectedMap
    from polypward_vision.tile import TileFrame

    known: dict[str, Any] = {}
    for row in ward.db.query("select * from corrected_maps where key = ?", [key]):
        frame = TileFrame(**json.loads(row["frame"]))
        plane = json.loads(row["plane"]) if row["plane"] else None
        drawn = CorrectedMap(
            labels=_decoded(row["mask"], frame),
            frame=frame,
            to_full=None if plane is None else np.array(plane, float),
        )
        if row["part"]:
            known.setdefault("corrected_parts", {})[row["part"]] = drawn
        else:
            known["corrected_map"] = drawn
    return known


def _decoded(png: bytes, frame: "TileFrame") -> Any:
    import cv2
    import numpy as np

    labels = cv2.imdecode(np.frombuffer(png, np.uint8), cv2.IMREAD_GRAYSCALE)
    if labels is None or labels.shape != (frame.rows, frame.cols):
        raise BadInputError("a corrected map of the ward is damaged; forget it and draw it again")
    return labels


def _correctable(ward: Ward) -> list[dict[str, Any]]:
    return list(
        ward.db.query(
            "select readings.*, photos.path, photos.sha256, corrected_maps.key is not null as done "
            "from readings join photos on photos.key = readings.key left join corrected_maps on "
            "corrected_maps.key = readings.key and corrected_maps.part = readings.part "
            "where readings.copy_path = '' and readings.measure_code = '' "
            "and readings.tile != '' and readings.mask != '' "
            "order by readings.unsure desc, photos.path"
        )
    )


def _most_unsure(ward: Ward, count: int) -> list[dict[str, Any]]:
    rows = [row for row in _correctable(ward) if not row["done"]]
    turn: dict[str, int] = {}
    ranked = []
    for row in rows:
        nth = turn.get(row["specimen"], 0)
        turn[row["specimen"]] = nth + 1
        ranked.append((nth, -(row["unsure"] or 0.0), row["path"], row))
    return [row for *_, row in sorted(ranked, key=lambda one: one[:3])[:count]]


def _named(ward: Ward, photos: Sequence[str]) -> list[dict[str, Any]]:
    rows = _correctable(ward)
    chosen = []
    for photo in photos:
        found = [row for row in rows if photo in (row["path"], Path(row["path"]).name)]
        if not found:
            raise BadInputError(
                f'"{photo}": no photo of the ward that has a cut-out is called so; name it as in '
                "readings.csv"
            )
        chosen += found
    return chosen


def _plain(name: str) -> str:
    return re.sub(r"[^\w.-]+", "-", name).strip("-.")[:60] or "specimen"


def _files(path: Path) -> Iterator[Path]:
    if path.is_dir():
        yield from (one for one in sorted(path.iterdir()) if _MAP.search(one.name))
    elif not path.is_file():
        raise BadInputError(f"{path}: no such file or folder")
    else:
        yield path


def _row_of(ward: Ward, file: Path) -> dict[str, Any]:
    found = _MAP.search(file.name)
    if not found:
        raise BadInputError(
            f"{file}: not called as polypward teach export called it (NAME~....map.png), so it is "
            "not known which photo it belongs to"
        )
    photo, _, frame = found[1].lower().partition("-")
    for row in _correctable(ward):
        if digest([row["key"], row["part"]]) != photo:
            continue
        if _mark(row, labels_of(ward, row).shape) == f"{photo}-{frame}":
            return row
        raise BadInputError(
            f"{file}: its cut-out is another one since (height, card or scale changed); export it "
            "again"
        )
    raise BadInputError(f"{file}: its photo is not in this ward, or has no cut-out any more")


def _mark(row: Mapping[str, Any], shape: tuple[int, ...]) -> str:
    """Name a cut-out by its photo and by where it lies in it, whatever model read it."""
    where = [row["tile_x_mm"], row["tile_y_mm"], row["tile_mm_per_px"], *shape[:2]]
    plane = json.loads(row["correction"]).get("plane")
    return f"{digest([row['key'], row['part']])}-{digest([where, plane])[:8]}"


def _measured(ward: Ward, row: dict[str, Any], labels: Any, file: Path) -> dict[str, Any]:
    """Columns of `readings` by the corrected map."""
    from polypward_vision.corrected import measure_again

    tile = tile_of(ward, row)
    shown = reading_of(row | {"placing": "[]", "light_changed": 0}, zone=ward.settings.zone)
    try:
        again = measure_again(
            tile,
            labels,
            frame=frame_of(row, tile.shape),
            correction=json.loads(row["correction"]),
            reading=shown,
        )
    except BadInputError as error:
        raise BadInputError(f"{file}: {error}") from error
    return row_of_measures(again)


def _keep(ward: Ward, row: dict[str, Any], labels: Any, new: dict[str, Any], *, by: str) -> None:
    """Keep a corrected map and the reading by it; what stood before goes into the audit."""
    from polypward_cli.measuring import encoded

    png = encoded(labels, "PNG")
    frame = frame_of(row, labels.shape)
    known = {"key": row["key"], "part": row["part"]}
    old = list(
        ward.db.query("select * from corrected_maps where key = :key and part = :part", known)
    )
    kept = {
        "frame": dumps(
            {n: getattr(frame, n) for n in ("x_mm", "y_mm", "rows", "cols", "mm_per_px")}
        ),
        "plane": dumps(json.loads(row["correction"]).get("plane")),
        "mask": png,
        "by": by,
        "at": now_text(),
    }
    ward.db.table("corrected_maps").insert(known | kept, pk=("key", "part"), replace=True)
    mark = map_digest(ward, row["key"])
    mask = f"masks/{Path(row['tile']).stem}-{mark[:6]}.png"
    write_bytes(ward.path / mask, png)
    remake_small(ward.path, row["tile"], mask)
    forget_files(ward.path, row, {"tile": row["tile"], "mask": mask})
    inputs = json.loads(row["inputs"]) | {"map": mark}
    columns = new | {"mask": mask, "inputs": dumps(inputs), "measured_at": now_text()}
    ward.db.table("readings").update(row["id"], columns)
    was = without_blobs({n: v for n, v in row.items() if n not in ("path", "sha256", "done")})
    before = was | ({"map": old[0]["mask"].hex()} if old else {})
    audit(ward.db, "map corrected", row["key"], old=before, new={"by": by, "map": mark})
