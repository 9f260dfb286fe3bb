import csv
import json
import time
from collections.abc import Iterator
from datetime import date
from itertools import islice
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from polypward.errors import BadInputError
from polypward.records import Specimen
from polypward_cli.ids import ALPHABET, is_id, make_id, new_ids
from polypward_cli.main import app
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
        tmp_path, "LAM-03,B1,Reefline,brain,,35.5,2025-01-04,rack 1\n,B1,Reefline,trumpet,3,20,,\n"
    )
    taken = take_register(ward, path)
    assert taken.new[0] == "LAM-03"
    assert len(taken.new) == 4
    assert all(is_id(name) for name in taken.new[1:])
    one = next(one for one in ward.specimens() if one.specimen == "LAM-03")
    assert (one.cost, one.arrived_on, one.place) == (35.5, date(2025, 1, 4), "rack 1")
    before = list(ward.db.iterdump())
    again = take_register(ward, path)
    assert (again.new, again.changed, again.known) == ((), (), 4)
    assert list(ward.db.iterdump()) == before
    assert len(ward.specimens()) == 4


def test_two_rows_alike_are_two_boxes(ward: Ward, tmp_path: Path) -> None:
    path = table(tmp_path, ",B1,R,brain,2,9,,\n,B1,R,brain,2,9,,\n")
    assert len(take_register(ward, path).new) == 4
    assert take_register(ward, path).known == 4


def test_a_corrected_row_corrects_but_keeps_what_care_changed(ward: Ward, tmp_path: Path) -> None:
    take_register(ward, table(tmp_path, ",B1,R,brain,2,20,,rack 1\n"))
    moved = ward.specimens()[0]
    ward.save_specimen(
        Specimen(**{name: getattr(moved, name) for name in moved.__slots__} | {"place": "rack 9"})
    )
    taken = take_register(ward, table(tmp_path, ",B1,R,brain,3,22,,rack 1\n"))
    assert (len(taken.new), len(taken.changed)) == (1, 2)
    by_name = {one.specimen: one for one in ward.specimens()}
    assert by_name[moved.specimen].place == "rack 9"
    assert {one.cost for one in by_name.values()} == {22.0}
    fewer = take_register(ward, table(tmp_path, ",B1,R,brain,1,22,,rack 1\n"))
    [remark] = fewer.remarks
    assert remark.startswith("line 2: 3 are registered, the row says 1; none was taken out.")
    assert len(ward.specimens()) == 3


def test_a_specimen_known_from_photos_becomes_registered(ward: Ward, tmp_path: Path) -> None:
    ward.save_specimen(Specimen(specimen="amber", registered=False))
    taken = take_register(ward, table(tmp_path, "Amber,B1,,brain,,,,\n"))
    assert taken.new == ("amber",)
    [one] = ward.specimens()
    assert (one.specimen, one.registered, one.kind) == ("amber", True, "brain")


def faults(ward: Ward, path: Path) -> dict[int, str]:
    with pytest.raises(BadInputError) as caught:
        take_register(ward, path)
    told = [line.split("line ", 1)[1].split(": ", 1) for line in str(caught.value).splitlines()]
    assert len({line for line, _ in told}) == len(told)
    return {int(line): what for line, what in told}


def test_a_faulty_row_leaves_nothing_behind(ward: Ward, tmp_path: Path) -> None:
    path = table(
        tmp_path,
        "good,,,,,,,\na/b,,,,,,,\n,B1,,,,,,\n,B1,S,K,1.5,1,,\nx,,,,2,,,\ny,,,,,cheap,,\n"
        "z,,,,,,4.1.2025,\nGOOD,,,,,,,\n,B,S,K,0,1,,\n,B1,,brain,3,,,\nlate,,,,,,2999-01-01,\n",
    )
    told = faults(ward, path)
    assert set(told) == {3, 4, 5, 6, 7, 8, 9, 10, 11, 12}
    assert told[4] == "needs a specimen, or a count for new ids"
    assert told[7] == 'cost must be a number from 0 to 1e+09, got "cheap"'
    assert told[9] == '"GOOD" is already in line 2'
    assert told[11] == "a line with a count needs supplier, cost as well"
    assert told[12] == "arrived_on 2999-01-01 is in the future; leave it empty until it is here"
    assert ward.specimens() == []
    assert list(ward.db.query("select * from register_rows")) == []


def test_cells_may_come_later_by_a_register_that_names_the_ids(ward: Ward, tmp_path: Path) -> None:
    new = take_register(ward, table(tmp_path, ",B1,R,brain,2,40,,\n")).new
    head = "specimen,as_is_price,permit,unpacked_as,box,light,note\n"
    rows = f"{new[0].lower()},30,P-7,Poor,3,dim,'=odd\n"
    taken = take_register(ward, table(tmp_path, rows, head=head))
    assert (taken.new, taken.changed) == ((), (new[0],))
    one, other = ward.specimen(new[0]), ward.specimen(new[1])
    assert one is not None
    assert (one.cost, one.as_is_price, one.permit, one.unpacked_as) == (40, 30, "P-7", "poor")
    assert (one.box, one.light, one.note) == ("3", "dim", "=odd")
    assert other is not None
    assert (other.permit, other.unpacked_as) == ("", "")
    bad = table(tmp_path, f"{new[0]},-5,,fine,,,\n", head=head)
    with pytest.raises(BadInputError, match=r"line 2: as_is_price must be(.|\n)*good, poor, dead"):
        take_register(ward, bad)


@pytest.mark.parametrize("text", ["1.234", '"1,234"', '"12,500"'])
def test_a_price_that_may_be_a_thousand_is_asked_about(
    ward: Ward, tmp_path: Path, text: str
) -> None:
    told = faults(ward, table(tmp_path, f",B1,R,brain,1,{text},,\n"))
    assert "may mean" in told[2]
    assert ward.specimens() == []


def test_the_sum_of_a_batch_is_that_of_its_invoice(ward: Ward, tmp_path: Path) -> None:
    path = table(tmp_path, ",B1,R,brain,3,35.5,,\n,B1,R,cup,2,12.25,,\nx,B1,,,,,,\n")
    [batch] = take_register(ward, path).batches
    # By hand: 3 x 35.50 + 2 x 12.25 = 131.00, and one piece without a cost.
    assert (batch.batch, batch.pieces, batch.cost, batch.without_cost) == ("B1", 6, 131.0, 1)


def test_a_line_put_right_does_not_make_its_corals_twice(ward: Ward, tmp_path: Path) -> None:
    made = take_register(ward, table(tmp_path, ",B1,R,brian,2,40,,\n,B1,R,cup,1,9,,\n")).new
    right = table(tmp_path, ",B1,R,brain,2,40,,\n,B1,R,cup,1,9,,\n")
    told = faults(ward, right)
    assert set(told) == {2}
    assert 'registered with kind "brian"' in told[2]
    assert f"({' '.join(sorted(made[:2]))})" in told[2]
    assert len(ward.specimens()) == 3
    assert len(take_register(ward, right, more=True).new) == 2
    # Another kind, count and cost in a second register of the batch is no correction.
    assert len(take_register(ward, table(tmp_path, ",B1,R,moon,4,7,,\n")).new) == 4


def test_a_misread_id_is_no_new_specimen(ward: Ward, tmp_path: Path) -> None:
    [made] = take_register(ward, table(tmp_path, ",B1,R,brain,1,40,,\n")).new
    wrong = made[:-1] + ("X" if made[-1] != "X" else "Y")
    assert f'is it "{made}"?' in faults(ward, table(tmp_path, f"{wrong},,,,,,,\n"))[2]
    # A name of one's own with the length of an id, unlike any id here, is a name.
    assert take_register(ward, table(tmp_path, "LM03,,,,,,,\n")).new == ("LM03",)


def test_a_parent_must_be_known(ward: Ward, tmp_path: Path) -> None:
    head = "specimen,parent\n"
    assert "parent" in faults(ward, table(tmp_path, "a,mother\n", head=head))[2]
    assert take_register(ward, table(tmp_path, "a,mother\nmother,\n", head=head)).new == (
        "a",
        "mother",
    )


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


def test_new_ids_stay_what_they_are_in_other_programs() -> None:
    """No number, no day of a spreadsheet, no counter of a camera, and no word."""
    ids = list(islice(new_ids(0), 4000))
    assert len(set(ids)) == 4000
    assert {len(one) for one in ids} == {4}
    for one in ids:
        assert one[0].isalpha()
        assert any(sign.isdigit() for sign in one)
        assert one[:3] not in ("JAN", "MAR", "APR", "MAY", "JUN", "DEC")
    assert not set("0O1ILQ2Z5S8BG") & set("".join(ids))


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


def test_an_old_list_does_not_undo_what_became_of_a_specimen(tmp_path: Path) -> None:
    """Filled in late, it says rack 1 and 40 still; one was moved since, the other was split."""

    def run(*words: object) -> str:
        words = (*words, "--ward", tmp_path / "ward")
        done = CliRunner().invoke(app, [str(word) for word in words])
        assert done.exit_code == 0, done.output
        return done.stdout + done.stderr

    run("intake", table(tmp_path, ",B1,R,brain,2,40,,rack 1\n"))
    run("specimen", "list", "--csv", tmp_path / "list.csv")
    with (tmp_path / "list.csv").open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    one, other = (row["specimen"] for row in rows)
    run("specimen", "move", one, "--to", "rack 2")
    run("specimen", "split", other, "--into", "b1", "--keep", "--share", 3, "--share", 1)
    with (tmp_path / "list.csv").open("w", newline="") as stream:
        writer = csv.DictWriter(stream, list(rows[0]))
        writer.writeheader()
        writer.writerows(row | {"permit": "P-7"} for row in rows)
    told = run("intake", tmp_path / "list.csv")
    with Ward.open(tmp_path / "ward") as ward:
        found = {one.specimen: one for one in ward.specimens()}
    assert (found[one].place, found[other].cost, found["b1"].cost) == ("rack 2", 30.0, 10.0)
    assert (found[one].permit, found[other].permit, found["b1"].permit) == ("P-7", "P-7", "P-7")
    assert f"line 2: {one} was moved since; place left as is" in told
    assert f"line 3: {other} shares its cost with its pieces; cost left as is" in told


def test_what_never_came_is_taken_out(tmp_path: Path) -> None:
    def run(*words: object) -> Result:
        words = (*words, "--ward", tmp_path / "ward")
        return CliRunner().invoke(app, [str(word) for word in words])

    register = table(tmp_path, ",B1,R,brain,3,40,,\n")
    made = json.loads(run("intake", register, "--json").stdout)["new"]
    assert len(made) == 3
    run("care", "log", made[0], "look")
    bad = run("specimen", "withdraw", made[1], made[0])
    assert (bad.exit_code, "has entries (1), so it was here" in bad.stderr) == (2, True)
    assert run("specimen", "withdraw", made[1]).exit_code == 0
    # The line put right takes none back in; the wrong one does, by the person's word.
    right = table(tmp_path, ",B1,R,brain,2,40,,\n")
    assert json.loads(run("intake", right, "--json").stdout)["new"] == []
    with Ward.open(tmp_path / "ward") as ward:
        assert sorted(one.specimen for one in ward.specimens()) == sorted([made[0], made[2]])
        [row] = ward.db.query("select old from audit where what = 'specimen withdrawn'")
        assert json.loads(row["old"])["cost"] == 40.0


def test_a_register_of_thousands_takes_seconds(ward: Ward, tmp_path: Path) -> None:
    rows = "".join(f"s{number},B1,R,brain,,40,,\n" for number in range(2000))
    start = time.process_time()
    assert len(take_register(ward, table(tmp_path, rows + ",B1,R,cup,1000,9,,\n")).new) == 3000
    # Each row costs the same however many there are: 3 000 in about 1 s here.
    assert time.process_time() - start < 10
