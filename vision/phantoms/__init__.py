"""Rendered specimens with known truth, for training, samples and tests; never in the wheel."""
