"""The ward's own model: fitted to the ward's corrected maps, taken only where it is better."""

import json
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

from polypward_cli.eyes import RealEyes
from polypward_cli.kept import frame_of, tile_of
from polypward_cli.teaching.corrections import _decoded, map_rows
from polypward_cli.ward import Ward
from polypward_cli.ward.inputs import digest
from polypward_cli.ward.ledger import dumps, now_text

if TYPE_CHECKING:
    from polypward_vision.tissue.held_out import Verdict
    from polypward_vision.tissue.taught import Lesson

__all__ = ["Learned", "eyes_of", "in_use", "learn"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Learned:
    """What learning came to: the verdict, how many maps, whether the ward's model is in use."""

    verdict: "Verdict"
    maps: int
    version: str

    @property
    def used(self) -> bool:
        """Whether the ward's own model is in use from now on."""
        return self.verdict.better

    def lines(self) -> list[str]:
        """Say it in sentences."""
        verdict = self.verdict
        lines = []
        if verdict.overlap is not None and verdict.cover is not None:
            lines.append(
                f"On {verdict.maps} corrected maps, each read by a model that had not seen its "
                "specimen (base model -> the ward's own):"
            )
            lines.append(
                f"    overlap with the corrected map {verdict.overlap[0]:.3f} -> "
                f"{verdict.overlap[1]:.3f} (1 = the same); live cover off by "
                f"{verdict.cover[0]:.3f} -> {verdict.cover[1]:.3f}"
            )
        if verdict.better:
            lines.append(
                f"The ward's own model is used from now on: {verdict.why}. The next polypward "
                "score of the photos reads them with it."
            )
        else:
            lines.append(f"The base model stays in use: {verdict.why}.")
        return lines


def learn(ward: Ward, *, by: str = "") -> Learned:
    """Fit the ward's own model to its corrected maps, compare, and keep the outcome.

    Hold the ward (`Ward.working`) around it.
    """
    from polypward_vision.tissue.held_out import judge_taught
    from polypward_vision.tissue.taught import fit_taught

    rows = map_rows(ward)
    base = _base()
    lessons = [_lesson(ward, row) for row in rows]
    verdict = judge_taught(lessons, [row["specimen"] or row["key"] for row in rows], base)
    weights = _as_text(fit_taught(lessons, base=base).to_arrays()) if lessons else ""
    version = f"{base.version}+ward-{digest(weights)[:8]}"
    with ward.db.atomic():
        ward.db.table("ward_models").insert(
            {
                "at": now_text(),
                "by": by,
                "base_version": base.version,
                "version": version,
                "weights": weights.encode(),
                "maps": len(lessons),
                "figures": dumps({"overlap": verdict.overlap, "cover": verdict.cover}),
                "used": int(verdict.better),
            }
        )
    return Learned(verdict=verdict, maps=len(lessons), version=version)


def in_use(ward: Ward) -> dict[str, Any] | None:
    """Return the row of `ward_models` that was made last, or None."""
    rows = list(ward.db.query("select * from ward_models order by id desc limit 1"))
    return rows[0] if rows else None


def eyes_of(ward: Ward) -> RealEyes | None:
    """Return the eyes with the ward's own model, or None where the base model is in use.

    Under a new base model the ward's own learns anew; hold the ward around it.
    """
    row = in_use(ward)
    if row is None:
        return None
    if row["base_version"] != RealEyes().version:
        learn(ward, by=row["by"])
        row = in_use(ward)
        assert row is not None
    if not row["used"]:
        return None
    return RealEyes(taught=row["weights"].decode(), taught_version=row["version"])


@cache
def _base() -> Any:
    from polypward_vision.tissue import load_base_model

    return load_base_model()


def _lesson(ward: Ward, row: dict[str, Any]) -> "Lesson":
    """Make a lesson of a corrected map: the cut-out corrected as when it was measured."""
    import numpy as np

    from polypward_vision.colour.apply import Correction
    from polypward_vision.corrected import CorrectedMap, moved
    from polypward_vision.tile import TileFrame
    from polypward_vision.tissue import LabelledTile
    from polypward_vision.tissue.taught import lesson_of

    tile = tile_of(ward, row)
    frame = frame_of(row, tile.shape)
    correction = json.loads(row["correction"])
    lab = Correction.from_json(correction).to_lab(
        tile, x_mm=frame.x_mm, y_mm=frame.y_mm, mm_per_px=frame.mm_per_px
    )
    drawn = CorrectedMap(
        labels=_decoded(row["painted"], TileFrame(**json.loads(row["frame"]))),
        frame=TileFrame(**json.loads(row["frame"])),
        to_full=np.array(json.loads(row["plane"]), float),
    )
    assert drawn.to_full is not None
    to_old = np.linalg.inv(drawn.to_full @ drawn.frame.to_mm())
    plane = np.array(correction["plane"], float)
    labels = moved(drawn.labels, to_old @ plane @ frame.to_mm(), tile.shape[:2])
    seen = LabelledTile(
        lab=lab,
        valid=np.ones(tile.shape[:2], bool),
        labels=labels,
        mm_per_px=frame.mm_per_px,
    )
    return lesson_of(seen, _base())


def _as_text(arrays: dict[str, Any]) -> str:
    return json.dumps({name: array.tolist() for name, array in arrays.items()})
