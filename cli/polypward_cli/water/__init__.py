"""Water of a ward: systems, tests, targets and doses in its ledger, and how they are told."""
