"""The outside libraries are imported here once: their warnings at import stay theirs."""

import importlib.util
import os
import sys
import warnings
from pathlib import Path

import pytest

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import colour  # noqa: F401  (warns that it cannot plot)

# Tests are not packages here; the one module they share is put where `import chart` finds it.
_spec = importlib.util.spec_from_file_location("chart", Path(__file__).with_name("chart.py"))
assert _spec is not None
assert _spec.loader is not None
sys.modules["chart"] = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(sys.modules["chart"])


@pytest.fixture
def real_photos(root: Path) -> Path:
    """Folder of openly licensed photographs that are not part of the checkout; skips without it.

    `POLYPWARD_REAL_PHOTOS` names it; by default it is looked for beside the checkout.
    """
    folder = Path(os.environ.get("POLYPWARD_REAL_PHOTOS", root.parent / "shared" / "realdata"))
    if not folder.is_dir():
        pytest.skip(f"no folder of real photographs at {folder} (POLYPWARD_REAL_PHOTOS names it)")
    return folder
