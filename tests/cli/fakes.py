"""Eyes that need no vision: a "photo" is a small JSON file that says what measuring finds."""

import json
import os
import signal
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from polypward.errors import PhotoRejectedError
from polypward.records import Card, PhotoSettings, Reading
from polypward_cli.eyes import Opened


@dataclass(frozen=True)
class FakeSeen:
    reading: Reading
    tile: npt.NDArray[np.uint8]
    mask: npt.NDArray[np.uint8]
    correction: Mapping[str, Any]
    patch_residuals: npt.NDArray[np.float64] | None = None
    tags: tuple[str, ...] = ()


@dataclass(frozen=True)
class FakeEyes:
    """Opens what `photo` writes."""

    version: str = "fake-1"
    opened: list[str] = field(default_factory=list)

    def open(self, path: Path) -> Opened:
        data = path.read_bytes()
        self.opened.append(path.name)
        if not data:
            raise PhotoRejectedError("empty", "the file holds no bytes")
        try:
            said = json.loads(data)
        except ValueError:
            raise PhotoRejectedError("not-a-picture", "no picture in it") from None
        taken = said.get("exif")
        return Opened(datetime.fromisoformat(taken) if taken else None, said)

    def measure(
        self,
        opened: Opened,
        *,
        settings: PhotoSettings,
        cards: Sequence[Card],
        print_residuals: Mapping[str, npt.NDArray[np.float64]],
        **known: Any,
    ) -> FakeSeen:
        said = opened.photo
        if said.get("kill"):
            os.kill(os.getpid(), signal.SIGKILL)
        if said.get("fails"):
            raise RuntimeError("a fault of ours")
        if said.get("rejected"):
            raise PhotoRejectedError(said["rejected"], "as the fake was told")
        time.sleep(said.get("seconds", 0))
        cover = said.get("cover", 0.9)
        mask = np.zeros((30, 40), np.uint8)
        mask[5:25, 5:35] = 1
        height = settings.height_mm
        return FakeSeen(
            reading=Reading(
                photo="",
                sha256="",
                reasons=tuple(said.get("notes", ())),
                card="frame",
                card_serial=said.get("serial", "FAKE1"),
                mm_per_px=0.05,
                tilt_deg=3.0,
                camera_mm=400.0,
                height_mm=height,
                lamp=settings.lamp,
                colour_grade="relative",
                de00_mean=1.5,
                de00_max=4.0,
                live_mm2=1000 * cover * (1 - 0.001 * (height or 0)),
                live_mm2_sd=10.0,
                bare_mm2=1000 * (1 - cover),
                overgrown_mm2=0.0,
                live_cover=cover,
                live_cover_sd=0.01,
                L=said.get("L", 45.0),
                a=10.0,
                b=20.0,
                tile_x_mm=20.0,
                tile_y_mm=-1.5,
                tile_mm_per_px=0.2,
                unsure=0.05,
                lab_sd=1.0,
                perimeter_mm=120.0,
                live_palette=np.array([[45, 10, 20, 1000 * cover]], np.float32),
            ),
            tile=np.full((30, 40, 3), 120, np.uint8),
            mask=mask,
            correction={
                "white": said.get("white", [0.8, 0.9, 0.7]),
                "model": settings.colour_model,
            },
            patch_residuals=np.array(said.get("residuals", [[1.0, 0.0, 0.0]]), float),
            tags=tuple(said.get("tags", ())),
        )


def photo(path: Path, exif: str | None = "2026-01-05T10:00:00+01:00", **said: Any) -> Path:
    """Write a fake photo; `nonce` keeps two photos that say the same apart."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(json.dumps({"exif": exif, "nonce": said.pop("nonce", path.as_posix()), **said}))
    return path
