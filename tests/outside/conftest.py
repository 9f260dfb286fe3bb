"""The outside libraries are imported here once: their warnings at import stay theirs."""

import warnings

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import colour  # noqa: F401  (warns that it cannot plot)
