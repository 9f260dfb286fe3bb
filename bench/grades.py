"""The colour grade of nominal cards, from a serial's first photo on: white light and blue lamps."""

from functools import partial

from bench.rows import Row, Size
from bench.shots import WHITE_LAMPS, Shot, each, held_out, nominal_reading
from phantoms.lights import Lamp, lamp, reef
from polypward.errors import PhotoRejectedError

__all__ = ["grade", "measure", "rows", "shot", "tasks"]

MEGAPIXELS = 5.0
PRINT_ERRORS_DE = (0.0, 3.0, 6.0, 9.0)
GIVEN = ("relative", "measured")  # grades with which colour is given
BLUE = ("reef-90", "reef-95", "blue-100")
Task = tuple[int, float, str, str]  # index, print error, kind of light, lamp


def _lamp(name: str) -> Lamp:
    """Return a lamp by name; reef-90 = 90 % blue by radiant power, the rest a white LED."""
    return reef(int(name[5:]) / 100, white="LED-B5") if name.startswith("reef-") else lamp(name)


def tasks(prints: int) -> list[Task]:
    """List every photo: `prints` cards for each print error and kind of light."""
    return [
        (index, error, kind, names[index % len(names)])
        for error in PRINT_ERRORS_DE
        for kind, names in (("white", WHITE_LAMPS), ("blue", BLUE))
        for index in range(prints)
    ]


def shot(task: Task, *, seed: int) -> Shot:
    """Render one photo, tilt up to 15 degrees."""
    index, error, kind, name = task
    series = seed + 100 * (2 + PRINT_ERRORS_DE.index(error)) + (kind == "blue")
    return held_out(
        series,
        index,
        megapixels=MEGAPIXELS,
        tilt_deg=float(index * 5 % 16),
        print_error_de=error,
        light=_lamp(name),
    )


def grade(one: Shot) -> tuple[str, float | None]:
    """Grade of a photo read with nothing known of its card but the nominal layout.

    The code where the photo is refused, or its colour for what shines.
    """
    try:
        reading = nominal_reading(one)
    except PhotoRejectedError as error:
        return error.code, None
    if "colour-spoiled" in reading.reasons:  # by what shines on the tissue, not by the card
        return "colour-spoiled", reading.de00_mean
    return reading.colour_grade or "none", reading.de00_mean


def _work(task: Task, *, seed: int) -> tuple[str, float | None]:
    return grade(shot(task, seed=seed))


def measure(size: Size) -> list[Row]:
    """Render and grade the photos."""
    todo = tasks(size.prints)
    grades = list(each(partial(_work, seed=size.seed), todo, jobs=size.jobs))
    return rows(todo, grades, size)


def rows(todo: list[Task], grades: list[tuple[str, float | None]], size: Size) -> list[Row]:
    """Condense into one row for white light and one for blue lamps."""
    made = []
    for kind, wanted, lamps in (("white", "relative", WHITE_LAMPS), ("blue", "refused", BLUE)):
        shares, hits, count = [], 0, 0
        others: set[str] = set()
        for error in PRINT_ERRORS_DE:
            got = [
                answer
                for (_, one, light, _), (answer, _) in zip(todo, grades, strict=True)
                if light == kind and one == error
            ]
            # Under a blue lamp a photo that is refused altogether gives no colour either.
            right = sum(
                answer not in GIVEN if kind == "blue" else answer == wanted for answer in got
            )
            shares.append(f"{error:.0f}: {right}/{len(got)}")
            others |= {answer for answer in got if answer != wanted}
            hits, count = hits + right, count + len(got)
        made.append(
            Row(
                what=f"nominal cards under {kind} light graded `{wanted}`"
                + (" or the photo refused" if kind == "blue" else ""),
                reach=">= 95 %",
                measured=f"{100 * hits / count:.1f} % (print error dE: {', '.join(shares)})",
                settings=f"first photo of a serial, {', '.join(lamps)}, seed {size.seed}"
                + (f"; else {', '.join(sorted(others))}" if others else ""),
                reached=hits / count >= 0.95,
            )
        )
    return made
