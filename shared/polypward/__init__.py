"""What every side of polypward agrees on: records, units, cards and the course of a specimen."""

__version__ = "0.1.0"
