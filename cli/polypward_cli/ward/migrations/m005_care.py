"""Tables of food, feedings, treatments, inspections, how places stand, and cautions seen."""

from sqlite_utils import Database

__all__ = ["migrate"]


def migrate(db: Database) -> None:
    """Make the tables of care; what each specimen had of it stands in `care` besides.

    The events of `care` name the row they belong to in their detail (feeding=12). A row that was
    taken back keeps its values and gets `undone_at`.
    """
    for statement in (
        # The ward's own list of foods; the price is of one unit in the ward's money.
        """create table foods (
            food text primary key, unit text not null, price real, note text not null default '',
            at text not null)""",
        # One made lot of a mix; the newest lot of a name is its recipe. Parts: [[food, quantity]].
        """create table mixes (
            id integer primary key, mix text not null, parts text not null, portions real not null,
            made_at text not null, use_by text not null, portion_cost real,
            by text not null default '', note text not null default '', undone_at text)""",
        "create index mixes_by_name on mixes(mix, made_at)",
        # `places` and `specimens` are JSON lists: where food was given, and to whom in all.
        """create table feedings (
            id integer primary key, at text not null, by text not null default '',
            places text not null, specimens text not null, mix_id integer references mixes(id),
            food text not null default '', quantity real, portions real,
            amount text not null default 'usual', responses text not null default '{}',
            cover_minutes real, cost real, work_minutes real,
            note text not null default '', undone_at text)""",
        """create table treatments (
            id integer primary key, at text not null, by text not null default '',
            places text not null, specimens text not null, how text not null, agent text not null,
            substance text not null default '', lot text not null default '',
            concentration text not null default '', source text not null default '',
            prescriber text not null default '', bath_l real, bath_minutes real,
            temperature_c real, disposal text not null default '', cost real, work_minutes real,
            note text not null default '', ended_at text, ended_by text not null default '',
            undone_at text)""",
        """create table inspections (
            id integer primary key, at text not null, by text not null default '',
            places text not null, specimens text not null, found text not null,
            treated text not null default '', again_on text, work_minutes real,
            note text not null default '', undone_at text)""",
        # Water taken out and new water put in, of one water system; share is 0..1 of its volume.
        """create table water_changes (
            id integer primary key, at text not null, by text not null default '',
            water_system text not null, places text not null, specimens text not null, litres real,
            share real, cost real, work_minutes real, note text not null default '',
            undone_at text)""",
        # How a place stands is its newest row; the older ones are its history.
        """create table place_standings (
            id integer primary key, place text not null, state text not null, since text not null,
            days integer, by text not null default '', reason text not null default '',
            noted_at text not null)""",
        "create index place_standings_by_place on place_standings(place, id)",
        # What the ward adds to the list of pests and signs.
        """create table signs (sign text primary key, at text not null)""",
        # What must still be done to end an entry: a cover taken off, a bath ended. `about` is
        # the entry, as feeding:12.
        """create table care_ticks (
            id integer primary key, about text not null, what text not null, due_at text not null,
            done_at text, done_by text not null default '')""",
        "create index care_ticks_open on care_ticks(done_at, due_at)",
        """create table cautions_seen (
            caution text not null, task text not null, by text not null, at text not null,
            primary key (caution, task, by))""",
        "create index care_by_word on care(what, at)",
    ):
        db.execute(statement)
