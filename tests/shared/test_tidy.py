"""Records become rows that a data frame takes as they are."""

import csv
import io
import sqlite3
from datetime import UTC, date, datetime

import numpy as np
import pytest

import polypward
import polypward_cli
import polypward_vision
from polypward import CareEvent, Reading, Score, Specimen, as_rows

PLAIN = (str, int, float, bool, date, datetime, type(None))


@pytest.mark.parametrize("package", [polypward, polypward_vision, polypward_cli])
def test_everything_that_is_public_is_there(package: object) -> None:
    for name in package.__all__:  # type: ignore[attr-defined]
        assert getattr(package, name) is not None
    missing = "nothing"
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        getattr(package, missing)


def test_rows_of_a_kind_have_the_same_columns_of_plain_values() -> None:
    """What is an array in one record leaves no column in the rows, whether it is there or not."""
    palette = np.ones((3, 4), np.float32)
    some = [
        Reading(photo="a.jpg", sha256="0", live_palette=palette, reasons=("soft", "no-height")),
        Reading(photo="b.jpg", sha256="1", taken_at=datetime(2026, 1, 12, tzinfo=UTC), L=45.5),
    ]
    rows = as_rows(some)
    assert list(rows[0]) == list(rows[1])
    assert "live_palette" not in rows[0]
    assert all(isinstance(value, PLAIN) for row in rows for value in row.values())
    assert rows[0]["reasons"] == "soft;no-height"
    assert rows[0]["L"] is None
    assert rows[1]["L"] == 45.5


def test_scores_have_the_columns_of_scores_csv() -> None:
    from polypward_cli.ward.tables import SCORE_COLUMNS

    assert tuple(as_rows([Score(specimen="LAM-03")])[0]) == SCORE_COLUMNS


def test_rows_go_into_a_table_and_come_back() -> None:
    rows = as_rows([Specimen(specimen="LAM-03", cost=60.5), Specimen(specimen="LAM-05")])
    stream = io.StringIO()
    table = csv.DictWriter(stream, list(rows[0]))
    table.writeheader()
    table.writerows(rows)
    assert [row["cost"] for row in csv.DictReader(io.StringIO(stream.getvalue()))] == ["60.5", ""]
    with sqlite3.connect(":memory:") as base:
        base.execute(f"create table one ({', '.join(rows[0])})")
        holes = ", ".join("?" * len(rows[0]))
        base.executemany(f"insert into one values ({holes})", [tuple(r.values()) for r in rows])
        assert base.execute("select cost from one").fetchall() == [(60.5,), (None,)]
    base.close()


def test_a_detail_reads_as_in_the_table_of_care() -> None:
    event = CareEvent(
        specimen="LAM-03",
        at=datetime(2026, 1, 12, tzinfo=UTC),
        what="feeding",
        detail={"food": "krill", "eaten": "yes"},
    )
    assert as_rows([event])[0]["detail"] == "food=krill; eaten=yes"


def test_what_is_no_record_is_refused() -> None:
    with pytest.raises(TypeError, match="got dict"):
        as_rows([{"specimen": "LAM-03"}])
