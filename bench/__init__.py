"""Measure the figures of docs/accuracy.md and print them as a table: ``python -m bench``."""
