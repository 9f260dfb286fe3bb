"""Tables of water: systems and their volumes, tests, targets, doses."""

from sqlite_utils import Database

__all__ = ["migrate"]


def migrate(db: Database) -> None:
    """Make the tables of water. A row that was taken back keeps its values and gets `undone_at`."""
    for statement in (
        # Names of the register count too. `litres` is measured water, null = not known;
        # `offered_at` is when the usual targets were offered, which is done once.
        """create table water_systems (
            system text primary key, litres real, litres_how text not null default '',
            offered_at text, at text not null)""",
        # `value` in the canonical unit of the parameter, `entered` as it was written. With `below`
        # the kit showed nothing, and `value` is the least it can show (0 = not known).
        """create table water_tests (
            id integer primary key, system text not null references water_systems(system),
            parameter text not null, value real not null, below integer not null default 0,
            entered text not null, at text not null, kit text not null default '',
            kit_expires text, by text not null default '', note text not null default '',
            undone_at text)""",
        "create index water_tests_by_system on water_tests(system, parameter, at)",
        """create table water_targets (
            system text not null references water_systems(system), parameter text not null,
            low real, high real, aim real, a_day real, source text not null,
            by text not null default '', at text not null, primary key (system, parameter))""",
        # `raises` is the parameter a dose is to raise, '' for an additive. `again` = it was given
        # although something stood against it.
        """create table water_doses (
            id integer primary key, system text not null references water_systems(system),
            what text not null, raises text not null default '', amount real not null,
            unit text not null, at text not null, by text not null default '',
            again integer not null default 0, note text not null default '', undone_at text)""",
        "create index water_doses_by_system on water_doses(system, at)",
    ):
        db.execute(statement)
