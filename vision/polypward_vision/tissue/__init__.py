"""The tissue map: which pixels of a corrected cut-out are live, bare, overgrown, or nothing."""

from polypward_vision.tissue.body import Body, pick_body
from polypward_vision.tissue.labelled import LabelledTile
from polypward_vision.tissue.mapping import Labeller, TissueMap, map_bodies, map_tissue
from polypward_vision.tissue.model import TissueModel, load_base_model, model_from_arrays

__all__ = [
    "Body",
    "LabelledTile",
    "Labeller",
    "TissueMap",
    "TissueModel",
    "load_base_model",
    "map_bodies",
    "map_tissue",
    "model_from_arrays",
    "pick_body",
]
