"""The desk: commands, the ward, folders, workers and the report."""
