"""The ledger's tables, made and changed step by step: one file a step, never edited once released.

Each module has a function `migrate(db)`, run once in a transaction of its own, in this order.
"""

from importlib import import_module

from sqlite_utils import Migrations

__all__ = ["STEPS", "migrations"]

STEPS = (
    "m001_first_tables",
    "m002_life",
    "m003_claims",
    "m004_water",
    "m005_care",
    "m006_phone",
    "m007_teach",
    "m008_course",
    "m009_made_even",
    "m010_edges",
    "m011_kept_courses",
)

migrations = Migrations("polypward")
for _step in STEPS:
    migrations(name=_step)(import_module(f"{__name__}.{_step}").migrate)
