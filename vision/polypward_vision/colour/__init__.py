"""Colour: spaces and differences, the card's patches, linear light, the correction of a photo."""
