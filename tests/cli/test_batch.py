import csv
import io
import json
import shutil
from pathlib import Path

import pytest
from tests.cli.conftest import Desk
from typer.testing import CliRunner, Result

from polypward.records import Specimen
from polypward_cli.main import app
from polypward_cli.worth import batch_money, survival_by


def run(*words: object) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words])


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A month of batch B7, four torches and two brains, written down by commands only."""
    folder = tmp_path_factory.mktemp("month")
    desk = Desk(folder)
    register = folder / "register.csv"
    register.write_text(
        "specimen,batch,supplier,kind,cost,arrived_on,as_is_price\n"
        "amber,B7,Blue Crate,torch,60,2026-01-01,30\n"
        "blue,B7,Blue Crate,torch,50,2026-01-01,0\n"
        "coral,B7,Blue Crate,torch,40,2026-01-01,0\n"
        "dusk,B7,Blue Crate,torch,30,2026-01-01,0\n"
        "ember,B7,Blue Crate,brain,20,2026-01-01,0\n"
        "=fawn,B7,Blue Crate,brain,20,2026-01-01,0\n"
    )
    desk.ward().close()
    settings = desk.path / "ward.toml"
    text = settings.read_text().replace("# table_day = 0.60", "table_day = 0.60")
    settings.write_text(text.replace("# hour = 24.0", "hour = 24.0"))
    assert run("intake", register, "--ward", desk.path).exit_code == 0
    for words in (
        ("claim", "B7", "--dead", "dusk", "--delivered", "2026-01-01T10:00"),
        ("claim", "B7", "--sent", "--at", "2026-01-01T11:00"),
        ("claim", "B7", "--credited", "30", "--at", "2026-01-05"),
        ("care", "log", "amber", "plan", "--detail", "name=gentle", "--at", "2026-01-01"),
        ("care", "log", "blue", "plan", "--detail", "name=gentle", "--at", "2026-01-01"),
        ("care", "log", "amber", "feeding", "--detail", "cost=11", "--at", "2026-01-09"),
        ("care", "log", "amber", "note", "--detail", "minutes=35", "--at", "2026-01-20"),
        ("care", "log", "dusk", "discarded", "--at", "2026-01-01"),
        ("care", "log", "coral", "lost", "--at", "2026-01-11"),
        ("care", "log", "blue", "moved-out", "--at", "2026-01-21"),
        ("care", "log", "amber", "sold", "--detail", "price=180", "--at", "2026-02-11"),
        ("batch", "B7", "--cost", "freight=44", "--cost", "permits=6,50"),
    ):
        done = run(*words, "--ward", desk.path)
        assert done.exit_code == 0, (words, done.output)
    return desk.path


@pytest.fixture
def month(desk: Desk, written: Path) -> Desk:
    """The month, to be changed at will."""
    shutil.copytree(written, desk.path)
    return desk


def test_survival_and_losses_by_hand(month: Desk) -> None:
    """Six came: one dead on day 0 (5/6), one lost on day 10 of five (5/6 x 4/5)."""
    with month.ward() as ward:
        told = survival_by(ward, "batch")
        (group,) = told.groups
        assert [(s.day, s.at_risk, s.survival) for s in group.curve.steps] == [
            (0, 6, pytest.approx(5 / 6)),
            (10, 5, pytest.approx(5 / 6 * 4 / 5)),
        ]
        assert (group.held, group.sold, group.left) == (2, 1, 1)
        assert (group.died.count, group.dead_on_arrival.count, group.died.of) == (2, 1, 6)
        assert group.days_to_sale == (41,)
        kinds = survival_by(ward, "kind")
        assert [(g.name, len(g.lives)) for g in kinds.groups] == [("brain", 2), ("torch", 4)]
        assert kinds.comparison.why_not.startswith("2 deaths in all, fewer than 5")
        plans = survival_by(ward, "plan")
        assert [(g.name, len(g.lives)) for g in plans.groups] == [
            ("gentle", 2),
            ("no care plan noted", 4),
        ]


def test_money_by_hand(month: Desk) -> None:
    """To 1 June, 151 days. Days: amber 41, blue 20, coral 10, dusk 0, two held 151 each = 373.

    Care 373 x 0.60 + 11 + 14 = 248.80; landed 220 + 44 + 6.50 = 270.50;
    result 180 + 30 - 270.50 - 248.80 = -309.30. Worth of amber: 180 - 30 - 49.60 = 100.40.
    """
    with month.ward() as ward:
        money = batch_money(ward)
        (result,) = money.results
        assert result.care == pytest.approx(248.80)
        assert result.landed == pytest.approx(270.50)
        assert result.result == pytest.approx(-309.30)
        assert (result.on_the_tables, result.missing) == (2, ())
        worths = {worth.specimen: worth for _, worth in money.worths}
        assert worths["amber"].cost == pytest.approx(49.60)
        assert worths["amber"].worth == pytest.approx(100.40)
        assert worths["coral"].worth == pytest.approx(-6.0)
        assert money.claims.words() == "Claims: 30.00 claimed, 30.00 credited, 0.00 still open."


def test_what_the_terminal_says(month: Desk) -> None:
    text = run("batch", "--group", "plan", "--ward", month.path).stdout
    assert "observational" in text
    assert "no test, because 2 deaths in all" in text
    assert "are never added" in text
    # Amber 100.40, blue -20 x 0.60, coral -10 x 0.60, dusk 0: lost ones count with their cost.
    assert "Worth of recovery: 82.40, of 4 of 4 that have left (" in text
    one = run("batch", "b7", "--ward", month.path).stdout
    assert "1 of 6 dead on arrival (17 %, 95 % interval 3\N{EN DASH}56 %)" in one
    assert "amber: received 180.00 - as it was 30.00 - rescue 49.60" in one
    assert "= 100.40" in one


def test_a_credited_piece_that_was_sold_is_listed(month: Desk) -> None:
    run("claim", "B7", "--poor", "amber", "--ward", month.path)
    text = run("batch", "B7", "--ward", month.path).stdout
    assert "credited by the supplier and later sold: amber. Check the supplier's terms." in text


def test_machines_get_json_and_csv(month: Desk) -> None:
    told = json.loads(run("batch", "B7", "--json", "--ward", month.path).stdout)
    assert told["groups"][0]["died"]["count"] == 2
    assert told["comparison"]["why_not"] == "there is only one group"
    assert [one["result"] for one in told["results"]] != [None]
    rows = list(
        csv.DictReader(io.StringIO(run("batch", "B7", "--csv", "--ward", month.path).stdout))
    )
    by_name = {row["specimen"]: row for row in rows}
    assert (by_name["amber"]["worth"], by_name["amber"]["days"]) == ("100.4", "41")
    assert by_name["coral"]["ending"] == "died"
    assert by_name["'=fawn"]["ended"] == "no"  # no formula for a spreadsheet


def test_a_batch_behind_an_escape_code_is_no_formula(desk: Desk) -> None:
    """What is printed to a file loses its escape codes; the formula behind one must not lead."""
    with desk.ward() as ward:
        ward.save_specimen(Specimen(specimen="LAM-01", batch="\x1b[2J=1+1"))
    said = run("batch", "--csv", "--ward", desk.path).stdout
    cells = [cell for row in csv.reader(io.StringIO(said)) for cell in row]
    assert [cell for cell in cells if "1+1" in cell]
    assert not [cell for cell in cells if cell.startswith("=")]


def test_without_rates_there_is_no_worth(desk: Desk, tmp_path: Path) -> None:
    register = tmp_path / "r.csv"
    register.write_text(
        "specimen,batch,supplier,kind,cost,arrived_on\namber,B7,S,torch,5,2026-01-01\n"
    )
    desk.ward().close()
    run("intake", register, "--ward", desk.path)
    assert "Worth of recovery: not available yet" in run("batch", "--ward", desk.path).stdout
    run("specimen", "sold", "amber", "--price", 9, "--ward", desk.path)
    text = run("batch", "--ward", desk.path).stdout
    assert "because a figure is missing for each of the 1 that have left" in text
    text = run("batch", "B7", "--ward", desk.path).stdout
    assert "not available, because these are missing: what a day on the table costs." in text


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("batch", "B9"), '"B9" is no batch'),
        (("batch", "--group", "colour"), "group by one of batch, supplier, kind, plan"),
        (("batch", "B7", "--cost", "freight"), '"freight": write what it was for'),
        (
            ("batch", "B7", "--cost", "freight=-1"),
            'freight must be an amount from 0 to 10,000,000, got "-1"',
        ),
        (("batch", "B7", "--cost", "freight=nan"), "freight must be an amount from 0"),
        (("batch", "B7", "--cost", "tests=1", "--cost", "x=y"), "x must be an amount from 0"),
        (("batch", "B7", "--cost", "freight=1", "--at", "2999-01-01"), "in the future"),
        (("batch", "--cost", "freight=1"), "name it"),
    ],
)
def test_bad_input(month: Desk, words: tuple[str, ...], message: str) -> None:
    with month.ward() as ward:
        before = list(ward.db.query("select * from batch_costs"))
    done = run(*words, "--ward", month.path)
    assert done.exit_code == 2
    assert message in done.stderr
    with month.ward() as ward:
        assert list(ward.db.query("select * from batch_costs")) == before


def test_a_corrected_cost_keeps_the_old_one(month: Desk) -> None:
    run("batch", "B7", "--cost", "Freight=50", "--ward", month.path)
    with month.ward() as ward:
        (result,) = batch_money(ward).results
        assert result.shared == {"freight": 50.0, "permits": 6.5}
        old = list(ward.db.query("select old from audit where what = 'batch cost changed'"))
        assert json.loads(old[0]["old"])["amount"] == 44.0
