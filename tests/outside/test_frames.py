"""Records as data frames where pandas and polars are installed, as docs/python.md says."""

from datetime import UTC, date, datetime

import pytest

from polypward import Reading, Score, as_rows

AT = datetime(2026, 1, 5, 10, 30, tzinfo=UTC)


def rows() -> list[dict[str, object]]:
    # 120 rows without a value first: more than the 100 that polars guesses types from.
    none = [Reading(photo=f"{i}.jpg", sha256="0", status="rejected") for i in range(120)]
    return as_rows([*none, Reading(photo="a.jpg", sha256="1", taken_at=AT, live_mm2=1234.5)])


def test_pandas() -> None:
    pd = pytest.importorskip("pandas")
    frame = pd.DataFrame(rows())
    assert frame["live_mm2"].dtype == float
    assert frame["live_mm2"].count() == 1
    assert frame["taken_at"].iloc[-1] == pd.Timestamp(AT)
    scores = pd.DataFrame(as_rows([Score(specimen="LAM-03", first_seen=date(2026, 1, 5))]))
    assert pd.to_datetime(scores["first_seen"]).iloc[0] == pd.Timestamp(2026, 1, 5)


def test_polars() -> None:
    pl = pytest.importorskip("polars")
    frame = pl.DataFrame(rows(), infer_schema_length=None)
    assert frame["live_mm2"].to_list()[-1] == 1234.5
    assert frame["live_mm2"].null_count() == 120
    assert frame["taken_at"].to_list()[-1] == AT
