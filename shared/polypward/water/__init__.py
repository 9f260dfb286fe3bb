"""Water: tests, targets, real volumes, doses; rules without files."""

from polypward.water.ammonia import Nh3, bag_words, nh3_of_tests, nh3_share
from polypward.water.compounds import Compound, compound_of, compounds, grams_for, raised_by
from polypward.water.dose import plan_compound, plan_label, plan_water
from polypward.water.due import WaterDue, water_due
from polypward.water.gate import Dose, Hindrance, correction_hindrances, dose_hindrances
from polypward.water.labels import LabelDose, additive_of, plan_additive, read_label
from polypward.water.parameters import PARAMETERS, Parameter, Target, parameter, shown
from polypward.water.plans import Plan, Portion
from polypward.water.reading import Entry, parameter_of, read_entries, read_entry, read_value
from polypward.water.seawater import density_kg_m3, salinity_from_sg, specific_gravity
from polypward.water.state import State, WaterTrend, judge, water_state
from polypward.water.tests import WaterTest
from polypward.water.volume import Volume, measured_volume, says_unknown, volume_of

__all__ = [
    "PARAMETERS",
    "Compound",
    "Dose",
    "Entry",
    "Hindrance",
    "LabelDose",
    "Nh3",
    "Parameter",
    "Plan",
    "Portion",
    "State",
    "Target",
    "Volume",
    "WaterDue",
    "WaterTest",
    "WaterTrend",
    "additive_of",
    "bag_words",
    "compound_of",
    "compounds",
    "correction_hindrances",
    "density_kg_m3",
    "dose_hindrances",
    "grams_for",
    "judge",
    "measured_volume",
    "nh3_of_tests",
    "nh3_share",
    "parameter",
    "parameter_of",
    "plan_additive",
    "plan_compound",
    "plan_label",
    "plan_water",
    "raised_by",
    "read_entries",
    "read_entry",
    "read_label",
    "read_value",
    "salinity_from_sg",
    "says_unknown",
    "shown",
    "specific_gravity",
    "volume_of",
    "water_due",
    "water_state",
]
