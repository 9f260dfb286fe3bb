"""Photographs to readings: decode, find the card, pose, colour, cut-out, tissue map, measures."""
