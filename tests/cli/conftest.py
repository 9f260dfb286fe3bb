from datetime import UTC, datetime
from pathlib import Path

import pytest
from tests.cli.fakes import FakeEyes

from polypward_cli.closing import Closing, close
from polypward_cli.scoring import Options, score_folder
from polypward_cli.ward import Ward
from polypward_cli.ward.kept_courses import refresh

NOW = datetime(2026, 6, 1, 12, tzinfo=UTC)


class Desk:
    """A ward in Berlin on 1 June 2026 and a folder of photos, scored with fake eyes."""

    def __init__(self, path: Path) -> None:
        self.photos = path / "photos"
        self.photos.mkdir()
        self.path = path / "ward"
        self.eyes = FakeEyes()

    def ward(self) -> Ward:
        return Ward.open(self.path, create=True, time_zone="Europe/Berlin", today=NOW.date())

    def score(self, *, eyes: FakeEyes | None = None, **options: object) -> Closing:
        with self.ward() as ward, ward.working("score"):
            outcome = score_folder(
                ward,
                self.photos,
                eyes=eyes or self.eyes,
                options=Options(**{"workers": 1, **options}),  # type: ignore[arg-type]
                now=NOW,
            )
            refresh(ward)
            return close(ward, outcome)


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return Desk(tmp_path)
