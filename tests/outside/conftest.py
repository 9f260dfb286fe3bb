"""The outside libraries are imported here once: their warnings at import stay theirs."""

import os
import warnings
from pathlib import Path

import pytest

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import colour  # noqa: F401  (warns that it cannot plot)


@pytest.fixture
def real_photos(root: Path) -> Path:
    """Folder of openly licensed photographs that are not part of the checkout; skips without it.

    `POLYPWARD_REAL_PHOTOS` names it; by default it is looked for beside the checkout.
    """
    folder = Path(os.environ.get("POLYPWARD_REAL_PHOTOS", root.parent / "shared" / "realdata"))
    if not folder.is_dir():
        pytest.skip(f"no folder of real photographs at {folder} (POLYPWARD_REAL_PHOTOS names it)")
    return folder
