"""The ward's cameras: lenses calibrated from photos of the card."""
