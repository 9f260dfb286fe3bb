"""Reference tables as data files, each value with its source or "common practice, no source"."""
