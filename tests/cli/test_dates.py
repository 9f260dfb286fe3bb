from datetime import UTC, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import pytest

from polypward.errors import BadInputError
from polypward_cli.dates import date_in_name, parse_day, parse_shift, parse_time
from polypward_cli.scan import time_of_photo

BERLIN = ZoneInfo("Europe/Berlin")
SEEN = datetime(2026, 6, 1, 12, tzinfo=UTC)


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("amber_2026-01-12", "2026-01-12 12:00:00"),
        ("IMG-20260112-WA0003", "2026-01-12 12:00:00"),
        ("PXL_20260112_101500123", "2026-01-12 10:15:00"),
        ("20260112_101500", "2026-01-12 10:15:00"),
        ("amber 2026-01-12 10.15", "2026-01-12 10:15:00"),
        ("Image 2026-01-12 at 10.15.30", "2026-01-12 10:15:30"),
        ("Screenshot_2026-01-12-10-15-30", "2026-01-12 10:15:30"),
        ("2026_01_12T1015_top", "2026-01-12 10:15:00"),
        ("12.1.2026 amber", "2026-01-12 12:00:00"),
    ],
)
def test_dates_in_file_names(name: str, expected: str) -> None:
    found = date_in_name(name)
    assert found is not None
    assert str(found.at) == expected


@pytest.mark.parametrize("name", ["IMG_1234", "P1000123", "20261399", "2026-13-01", "120260112345"])
def test_numbers_that_are_no_dates(name: str) -> None:
    assert date_in_name(name) is None


def test_a_time_without_offset_is_in_the_zone_and_summer_is_summer() -> None:
    assert parse_time("2026-01-12T10:00", zone=BERLIN).utcoffset() == timedelta(hours=1)
    assert parse_time("2026-07-12 10:00:05", zone=BERLIN).utcoffset() == timedelta(hours=2)
    assert parse_time("2026-07-12", zone=BERLIN).hour == 12
    assert parse_time("2026:07:12 10:00:00", zone=BERLIN).day == 12
    assert parse_time("2026-07-12T10:00Z", zone=BERLIN).tzinfo == UTC


@pytest.mark.parametrize("text", ["", "noon", "12.01.2026", "2026-02-30", "2026-01-12T25:00"])
def test_bad_times_are_told(text: str) -> None:
    with pytest.raises(BadInputError, match="is no time"):
        parse_time(text, zone=BERLIN)


def test_days_and_shifts() -> None:
    assert str(parse_day("2026-01-12")) == "2026-01-12"
    assert parse_shift("-01:30") == -timedelta(hours=1, minutes=30)
    assert parse_shift("48:00") == timedelta(hours=48)
    for bad in ("1", "01:75", "1.5"):
        with pytest.raises(BadInputError, match="no span of time"):
            parse_shift(bad)


def test_the_manifest_wins_over_exif_and_exif_over_the_name() -> None:
    name = "amber_2026-01-12.jpg"
    said = time_of_photo(
        name,
        zone=BERLIN,
        manifest="2026-03-01T10:00:00+01:00",
        exif="2026-02-01T10:00:00",
        first_seen=SEEN,
    )
    assert said.at == datetime(2026, 3, 1, 9, tzinfo=UTC)
    exif = time_of_photo(name, zone=BERLIN, exif="2026-02-01T10:00:00", first_seen=SEEN)
    assert (exif.at, exif.codes) == (datetime(2026, 2, 1, 9, tzinfo=UTC), ("zone-assumed",))
    offset = time_of_photo(name, zone=BERLIN, exif="2026-02-01T10:00:00-05:00", first_seen=SEEN)
    assert (offset.at, offset.codes) == (datetime(2026, 2, 1, 15, tzinfo=UTC), ())
    named = time_of_photo(name, zone=BERLIN, first_seen=SEEN)
    assert named.at == datetime(2026, 1, 12, 11, tzinfo=UTC)


def test_no_date_and_the_future_are_rejected() -> None:
    assert time_of_photo("a.jpg", zone=BERLIN, first_seen=SEEN).codes == ("no-date",)
    day = timedelta(days=1)
    edge = (SEEN + day).isoformat()
    late = (SEEN + day + timedelta(seconds=1)).isoformat()
    assert time_of_photo("a.jpg", zone=BERLIN, exif=edge, first_seen=SEEN).codes == ()
    assert time_of_photo("a.jpg", zone=BERLIN, exif=late, first_seen=SEEN).codes == ("future-date",)


def test_a_shift_moves_the_time() -> None:
    taken = time_of_photo(
        "a.jpg",
        zone=BERLIN,
        exif="2026-02-01T10:00:00+01:00",
        shift=-timedelta(hours=1),
        first_seen=SEEN,
    )
    assert taken.at == datetime(2026, 2, 1, 9, tzinfo=timezone(timedelta(hours=1)))
