import pytest

from polypward.care import NOTE, caution_tasks, cautions_of, every_caution
from polypward.errors import BadInputError


def test_what_must_be_said_is_said() -> None:
    """The hazards of the work, each with the words that keep somebody from harm."""
    said = {key: one.text.casefold() for key, one in every_caution().items()}
    for key, words in {
        "palytoxin": ("gloves", "eye protection", "boil", "steam", "microwave", "grind", "poison"),
        "stings": ("gloves", "cuts stay out of the water"),
        "lamps": ("do not look",),
        "powders": ("caustic", "heats", "gloves", "goggles", "powder into water", "children"),
        "electricity": ("residual-current protection", "drip loops"),
        "floors": ("slippery", "by two"),
        "cites": ("skeletons and cuttings", "permit number"),
        "disposal": ("local rules", "disinfected", "never to the sea"),
        "release": ("sale", "natural waters"),
        "bath": ("one animal first", "aerate", "never goes into a system", "a person decides"),
        "medicine": ("no dose", "label", "veterinarian", "prescription"),
        "bags": ("ph rises", "ammonia", "never goes into a system"),
        "supplements": ("never mixed straight into the food",),
    }.items():
        assert all(word in said[key] for word in words), key


def test_cautions_defer_to_local_rules() -> None:
    assert NOTE == "common practice; local rules and licensed practice decide"


def test_every_task_has_cautions_and_every_caution_a_task() -> None:
    assert {"feed", "treat", "inspect", "intake", "move", "cut", "sell", "discard", "water"} <= set(
        caution_tasks()
    )
    assert all(one.tasks for one in every_caution().values())
    assert [one.key for one in cautions_of("mix")] == ["supplements"]
    with pytest.raises(BadInputError, match='"treet" is no task'):
        cautions_of("treet")


def test_the_texts_fit_on_a_phone() -> None:
    """A paragraph of more than 400 letters is not read with wet hands."""
    assert all(len(one.text) <= 400 for one in every_caution().values())
    assert all("\n" not in one.text for one in every_caution().values())
