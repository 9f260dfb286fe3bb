"""A specimen from unpacking to departure, and the mending of what was noted wrongly."""
