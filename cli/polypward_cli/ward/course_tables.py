"""readings.csv and scores.csv from the rows that are kept of every course, and the ward's marks."""

from json import loads
from pathlib import Path
from typing import TYPE_CHECKING, Final

from polypward.records import Reading
from polypward_cli.ward.courses import own_card
from polypward_cli.ward.tables import READING_COLUMNS, SCORE_COLUMNS, csv_text, reading_line
from polypward_cli.ward.upkeep import write_table

if TYPE_CHECKING:
    from polypward.course import Course
    from polypward_cli.ward.ward import Ward

__all__ = ["READINGS", "SCORES", "lines_of", "mark", "set_mark", "write_tables"]

READINGS: Final = "readings.csv"
SCORES: Final = "scores.csv"


def lines_of(course: "Course", stored: list[Reading]) -> list[list[str]]:
    """Return photo and row of readings.csv of each reading, with the card that was in it."""
    by_key = {(one.photo, one.sha256): one for one in stored}
    return [
        [one.photo, reading_line(own_card(one, by_key[one.photo, one.sha256]))]
        for one in course.readings
    ]


def write_tables(ward: "Ward") -> None:
    """Write scores.csv and readings.csv where they are not as they should be."""
    rows = ward.db.execute("select score from kept_courses where stands != '' order by specimen")
    scores = csv_text(SCORE_COLUMNS, ()) + "".join(row[0] for row in rows)
    path = ward.path / SCORES
    if not path.is_file() or path.read_bytes() != scores.encode():
        write_table(path, scores)
    path = ward.path / READINGS
    if mark(ward, READINGS) != _stamp(path):
        text = csv_text(READING_COLUMNS, ()) + "".join(_reading_lines(ward))
        if write_table(path, text):
            with ward.db.atomic():
                set_mark(ward, READINGS, _stamp(path))


def _reading_lines(ward: "Ward") -> list[str]:
    """Return the rows of readings.csv, by photo and specimen."""
    rows = ward.db.execute("select specimen, lines from kept_courses")
    every = [(photo, name, line) for name, text in rows for photo, line in loads(text)]
    return [line for *_, line in sorted(every)]


def _stamp(path: Path) -> str:
    """Return a mark of a file; it takes another as soon as it is written anew."""
    try:
        stat = path.stat()
    except OSError:
        return "none"
    return f"{stat.st_size}:{stat.st_mtime_ns}"


def mark(ward: "Ward", name: str) -> str:
    """Return what was noted under a name, "" where nothing was."""
    row = ward.db.execute("select value from kept_marks where name = ?", [name]).fetchone()
    return row[0] if row else ""


def set_mark(ward: "Ward", name: str, value: str) -> None:
    """Note a value under a name; within a transaction."""
    ward.db.execute(
        "insert into kept_marks (name, value) values (?, ?) on conflict (name) "
        "do update set value = excluded.value where value != excluded.value",
        [name, value],
    )
