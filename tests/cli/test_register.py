from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest

from polypward.errors import BadInputError
from polypward.records import Specimen
from polypward_cli.ids import ALPHABET, is_id, make_id
from polypward_cli.register import take_register
from polypward_cli.ward import Ward

HEAD = "specimen,batch,supplier,kind,count,cost,arrived_on,place\n"


@pytest.fixture
def ward(tmp_path: Path) -> Iterator[Ward]:
    with Ward.open(tmp_path / "ward", create=True) as opened:
        yield opened


def table(path: Path, rows: str, head: str = HEAD) -> Path:
    path = path / "register.csv"
    path.write_text(head + rows)
    return path


def test_named_and_counted_rows(ward: Ward, tmp_path: Path) -> None:
    path = table(
        tmp_path, "LAM-03,B1,Reefline,brain,,35.5,2026-01-04,rack 1\n,B1,,trumpet,3,20,,\n"
    )
    taken = take_register(ward, path)
    assert taken.new[0] == "LAM-03"
    assert len(taken.new) == 4
    assert all(is_id(name) for name in taken.new[1:])
    one = next(one for one in ward.specimens() if one.specimen == "LAM-03")
    assert (one.cost, one.arrived_on, one.place) == (35.5, date(2026, 1, 4), "rack 1")
    again = take_register(ward, path)
    assert (again.new, again.changed, again.known) == ((), (), 4)
    assert len(ward.specimens()) == 4


def test_two_rows_alike_are_two_boxes(ward: Ward, tmp_path: Path) -> None:
    path = table(tmp_path, ",B1,,brain,2,,,\n,B1,,brain,2,,,\n")
    assert len(take_register(ward, path).new) == 4
    assert take_register(ward, path).known == 4


def test_a_corrected_row_corrects_but_keeps_what_care_changed(ward: Ward, tmp_path: Path) -> None:
    take_register(ward, table(tmp_path, ",B1,,brain,2,20,,rack 1\n"))
    moved = ward.specimens()[0]
    ward.save_specimen(
        Specimen(**{name: getattr(moved, name) for name in moved.__slots__} | {"place": "rack 9"})
    )
    taken = take_register(ward, table(tmp_path, ",B1,,brain,3,22,,rack 1\n"))
    assert (len(taken.new), len(taken.changed)) == (1, 2)
    by_name = {one.specimen: one for one in ward.specimens()}
    assert by_name[moved.specimen].place == "rack 9"
    assert {one.cost for one in by_name.values()} == {22.0}
    fewer = take_register(ward, table(tmp_path, ",B1,,brain,1,22,,rack 1\n"))
    assert fewer.remarks == ("line 2: 3 are registered, the row says 1; none was taken out",)
    assert len(ward.specimens()) == 3


def test_a_specimen_known_from_photos_becomes_registered(ward: Ward, tmp_path: Path) -> None:
    ward.save_specimen(Specimen(specimen="amber", registered=False))
    taken = take_register(ward, table(tmp_path, "Amber,B1,,brain,,,,\n"))
    assert taken.new == ("Amber",)
    [one] = ward.specimens()
    assert (one.specimen, one.registered, one.kind) == ("amber", True, "brain")


def test_a_faulty_row_leaves_nothing_behind(ward: Ward, tmp_path: Path) -> None:
    path = table(
        tmp_path,
        "good,,,,,,,\na/b,,,,,,,\n,B1,,,,,,\n,B1,,,1.5,,,\nx,,,,2,,,\ny,,,,,cheap,,\n"
        "z,,,,,,4.1.2026,\nGOOD,,,,,,,\n,,,,0,,,\n",
    )
    with pytest.raises(BadInputError) as caught:
        take_register(ward, path)
    lines = str(caught.value).splitlines()
    assert [int(line.split("line ")[1].split(":")[0]) for line in lines] == [
        3,
        4,
        5,
        6,
        7,
        8,
        10,
        9,
    ]
    assert ward.specimens() == []


def test_a_register_needs_specimens(ward: Ward, tmp_path: Path) -> None:
    with pytest.raises(BadInputError, match="needs a column"):
        take_register(ward, table(tmp_path, "B1\n", head="batch\n"))
    with pytest.raises(BadInputError, match="no rows"):
        take_register(ward, table(tmp_path, ""))


def test_ids_are_short_and_all_different() -> None:
    ids = [make_id(number) for number in range(12_200)]
    assert len(set(ids)) == len(ids)
    assert {len(one) for one in ids[:12_167]} == {4}
    assert all(is_id(one) for one in ids)


def test_a_misread_sign_or_a_swap_is_noticed() -> None:
    # All of them: a code of prime size with distinct weights finds every such fault.
    for one in (make_id(5), make_id(777), make_id(12_166)):
        for place in range(4):
            for sign in ALPHABET:
                other = one[:place] + sign + one[place + 1 :]
                assert is_id(other) == (other == one)
        for place in range(2):
            swapped = one[:place] + one[place + 1] + one[place] + one[place + 2 :]
            assert is_id(swapped) == (swapped == one)
    assert not is_id("K")
    assert not is_id("O0I1")
