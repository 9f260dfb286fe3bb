"""Cautions before a task: each is shown once a task and person, and the ward keeps which."""

from textwrap import fill

from polypward.care import NOTE, Caution, cautions_of, every_caution
from polypward.errors import BadInputError
from polypward_cli.ward import Ward
from polypward_cli.ward.ledger import now_text

__all__ = ["cautions_due", "dismiss", "seen", "show_again", "show_cautions"]

WIDTH = 96


def cautions_due(ward: Ward, task: str, *, by: str = "") -> tuple[Caution, ...]:
    """Return the cautions of a task that this person has not seen in this ward.

    Raises
    ------
    BadInputError
        If no caution names the task.
    """
    done = {key for key, of, who, _ in seen(ward) if of == task and who == by.casefold()}
    return tuple(one for one in cautions_of(task) if one.key not in done)


def dismiss(ward: Ward, keys: tuple[str, ...], task: str, *, by: str = "") -> None:
    """Keep that a person has seen these cautions of a task.

    Raises
    ------
    BadInputError
        If a key or the task is unknown.
    """
    for key in keys:
        if key not in every_caution():
            raise BadInputError(f'"{key}" is no caution; there are {", ".join(every_caution())}')
    cautions_of(task)
    with ward.db.atomic():
        for key in keys:
            ward.db.execute(
                "insert or ignore into cautions_seen (caution, task, by, at) values (?, ?, ?, ?)",
                [key, task, by.casefold(), now_text()],
            )


def seen(ward: Ward) -> list[tuple[str, str, str, str]]:
    """Return caution, task, person (lower case) and time of each that was seen, by time."""
    rows = ward.db.query("select * from cautions_seen order by at, caution, task")
    return [(row["caution"], row["task"], row["by"], row["at"]) for row in rows]


def show_again(ward: Ward, task: str = "") -> int:
    """Forget which cautions were seen (of a task, or of all); returns how many."""
    if task:
        cautions_of(task)
    before: int = ward.db.table("cautions_seen").count
    with ward.db.atomic():
        if task:
            ward.db.execute("delete from cautions_seen where task = ?", [task])
        else:
            ward.db.execute("delete from cautions_seen")
    return before - ward.db.table("cautions_seen").count


def show_cautions(ward: Ward, task: str, *, by: str) -> None:
    """Print the cautions of a task that this person has not seen yet, once, on standard error.

    The ward is held.
    """
    import typer

    due = cautions_due(ward, task, by=by)
    if not due:
        return
    typer.echo("Mind, shown once (all of them: polypward care cautions):", err=True)
    for one in due:
        text = fill(
            f"{one.title}: {one.text}", WIDTH, initial_indent="  ", subsequent_indent="    "
        )
        typer.echo(text, err=True)
    typer.echo(f"  ({NOTE})\n", err=True)
    dismiss(ward, tuple(one.key for one in due), task, by=by)
