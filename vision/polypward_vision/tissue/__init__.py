"""The tissue map: which pixels of a corrected cut-out are live, bare, overgrown, or nothing."""

from polypward_vision.tissue.body import Body, pick_body
from polypward_vision.tissue.features import FEATURE_NAMES, tissue_features
from polypward_vision.tissue.mapping import TissueMap, map_tissue
from polypward_vision.tissue.model import TissueModel, load_base_model, model_from_arrays

__all__ = [
    "FEATURE_NAMES",
    "Body",
    "TissueMap",
    "TissueModel",
    "load_base_model",
    "map_tissue",
    "model_from_arrays",
    "pick_body",
    "tissue_features",
]
