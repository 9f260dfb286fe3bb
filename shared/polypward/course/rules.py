"""The advice table: rules a person can read and change, and the facts they may ask for.

A rule is plain data so that it can stand in ward.toml. Its tests are sentences of three words,
``fact operator value``: ``condition >= 80``, ``flag.paling == yes``, ``eating != no``. The first
rule whose tests all hold gives the advice. A test on a fact that is not known does not hold, except
``!=``.
"""

import operator
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal, get_args

from polypward.errors import BadInputError

__all__ = ["DEFAULT_RULES", "FACTS", "AdviceRule", "AdviceWord", "Fact", "holds"]

AdviceWord = Literal["hold", "treat", "release", "discard", ""]
Fact = float | str | None

# What a rule may ask for.
FACTS: Final[dict[str, str]] = {
    "condition": "photo condition, 0 to 100",
    "cover": "live cover, 0 to 1",
    "paling": "paling index, 0 to 1",
    "visits": "days with accepted photos",
    "days_here": "days since arrival, or since the first photo",
    "stable_days": "days up to the last visit without a standing flag",
    "second_look": "yes when a person saw no live tissue 24 h or more after such a photo",
    "open_treatment": "yes or no",
    "quarantine_done": "yes or no",
    "eating": "yes, no or unknown",
    "any_flag": "yes or no",
    "flag.paling": "yes or no",
    "flag.recession": "yes or no",
    "flag.overgrowth": "yes or no",
    "flag.sharp-loss": "yes or no",
    "flag.stalled": "yes or no",
    "flag.look-again": "yes or no",
    "flag.overdue": "yes or no",
}

_OPERATORS = {
    "==": operator.eq,
    "!=": operator.ne,
    ">=": operator.ge,
    "<=": operator.le,
    ">": operator.gt,
    "<": operator.lt,
}


def _parse(test: str) -> tuple[str, str, float | str]:
    words = test.split()
    if len(words) != 3:
        raise BadInputError(f"advice test {test!r}: write it as 'fact operator value'")
    fact, sign, value = words
    if fact not in FACTS:
        raise BadInputError(f"advice test {test!r}: no fact {fact!r}; there are {', '.join(FACTS)}")
    if sign not in _OPERATORS:
        raise BadInputError(f"advice test {test!r}: operator must be one of {' '.join(_OPERATORS)}")
    try:
        return fact, sign, float(value)
    except ValueError:
        if sign not in ("==", "!="):
            raise BadInputError(f"advice test {test!r}: {sign} needs a number") from None
        return fact, sign, value


@dataclass(frozen=True, slots=True, kw_only=True)
class AdviceRule:
    """One line of the advice table.

    Parameters
    ----------
    name : str
        Short name of the rule.
    when : tuple of str
        Tests, each ``fact operator value``; all must hold. Empty: always.
    advice : {"hold", "treat", "release", "discard"}
        What is advised.
    reason : str
        Why, in one sentence; ``{fact}`` is replaced by the fact's value.
    changes : str
        What would change the advice.
    next_photo_days : int, optional
        Days from the last visit to the next photo, 0 = today; None = the ward's interval.

    Raises
    ------
    BadInputError
        A test or the advice cannot be understood.
    """

    name: str
    when: tuple[str, ...]
    advice: AdviceWord
    reason: str
    changes: str = ""
    next_photo_days: int | None = None

    def __post_init__(self) -> None:
        if self.advice not in get_args(AdviceWord) or not self.advice:
            raise BadInputError(
                f"advice rule {self.name!r}: advice must be hold, treat, release or discard, "
                f"got {self.advice!r}"
            )
        parsed = [_parse(test) for test in self.when]
        if self.advice == "discard" and ("second_look", "==", "yes") not in parsed:
            raise BadInputError(
                f"advice rule {self.name!r}: discard is never advised from photos alone; "
                "add the test 'second_look == yes'"
            )


def holds(test: str, facts: Mapping[str, Fact]) -> bool:
    """Whether one test of a rule holds.

    Parameters
    ----------
    test : str
        ``fact operator value``.
    facts : mapping
        Value of each fact; None = not known.

    Returns
    -------
    bool
        False where the fact is not known, except for ``!=``.

    Raises
    ------
    BadInputError
        The test cannot be understood.
    """
    name, sign, wanted = _parse(test)
    found = facts.get(name)
    if found is None:
        return sign == "!="
    if isinstance(found, str) != isinstance(wanted, str):
        return sign == "!="
    return bool(_OPERATORS[sign](found, wanted))


# Defaults: common practice, no source.
DEFAULT_RULES: Final[tuple[AdviceRule, ...]] = (
    AdviceRule(
        name="dead, seen twice",
        when=("cover <= 0.02", "second_look == yes"),
        advice="discard",
        reason="The photos show no live tissue, and a person saw none 24 hours or more later.",
        changes="Any live tissue at a further look.",
        next_photo_days=1,
    ),
    AdviceRule(
        name="looks dead",
        when=("cover <= 0.02",),
        advice="hold",
        reason="The photos show no live tissue. A shrunken fleshy coral often looks dead: keep it "
        "apart in clean water and look again after 24 hours.",
        changes="A second look after 24 hours, noted as care, or live tissue in the next photo.",
        next_photo_days=1,
    ),
    AdviceRule(
        name="sharp loss",
        when=("flag.sharp-loss == yes",),
        advice="treat",
        reason="Tissue is being lost fast: isolate it, look at its neighbours, photograph it again "
        "within 12 to 24 hours.",
        changes="Two visits without further loss.",
        next_photo_days=1,
    ),
    AdviceRule(
        name="look again",
        when=("flag.look-again == yes",),
        advice="hold",
        reason="Something was odd at the daily look, or a photo in doubt shows a loss: look "
        "closely, smell the water over it, and photograph it today.",
        changes="A photo inside the limits, a look that finds nothing odd, or the flag "
        "acknowledged.",
        next_photo_days=0,
    ),
    AdviceRule(
        name="recession",
        when=("flag.recession == yes",),
        advice="treat",
        reason="Live cover is falling: check the water, look for pests and at the lower rim.",
        changes="Two visits inside the limits, or the flag acknowledged.",
        next_photo_days=3,
    ),
    AdviceRule(
        name="overgrowth",
        when=("flag.overgrowth == yes",),
        advice="treat",
        reason="Skeleton is being overgrown: clean the edge, check nitrate and phosphate.",
        changes="Two visits inside the limits, or the flag acknowledged.",
        next_photo_days=7,
    ),
    AdviceRule(
        name="paling",
        when=("flag.paling == yes",),
        advice="treat",
        reason="Live tissue is paling: check light, temperature and the water first.",
        changes="Two visits inside the limits, or the flag acknowledged.",
        next_photo_days=3,
    ),
    AdviceRule(
        name="stalled",
        when=("flag.stalled == yes",),
        advice="treat",
        reason="Condition {condition} is not rising: check water, light and feeding.",
        changes="A rise of condition.",
        next_photo_days=7,
    ),
    AdviceRule(
        name="ready",
        when=(
            "any_flag == no",
            "visits >= 3",
            "stable_days >= 14",
            "condition >= 80",
            "open_treatment == no",
            "quarantine_done == yes",
            "eating != no",
        ),
        advice="release",
        reason="Condition {condition}, {stable_days} days without a flag, nothing open: "
        "ready for sale if a person agrees.",
        changes="Any flag, an open treatment, or refused food.",
    ),
    AdviceRule(
        name="not known yet",
        when=("visits < 3",),
        advice="hold",
        reason="Fewer than three visits: too few to say how it goes.",
        changes="Further visits.",
    ),
    AdviceRule(
        name="go on",
        when=(),
        advice="hold",
        reason="Nothing alarming, not yet ready for sale.",
        changes="Condition of 80 or more, 14 days without a flag, quarantine done, "
        "nothing under treatment, eating.",
    ),
)
