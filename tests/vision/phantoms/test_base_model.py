"""The name of the tissue model that comes with polypward."""

from phantoms.base_model import digest
from polypward_vision.tissue import load_base_model


def test_the_model_in_use_is_named_after_its_networks_and_how_it_looks() -> None:
    """A ward's readings name it: after a change run ``python -m phantoms.base_model``."""
    model = load_base_model()
    assert model.version.rsplit("-", 1)[1] == digest(model)
