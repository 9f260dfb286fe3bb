"""The labels of a tissue map: what each pixel of a cut-out shows.

The values are those of the mask PNGs in a ward, so they never change.
"""

from typing import Final

__all__ = ["BACKGROUND", "BARE", "LABEL_NAMES", "LIVE", "OVERGROWN"]

# Everything that is not the specimen, with plug, glue, rack, side wall and shadow.
BACKGROUND: Final = 0
# Live tissue, of any colour.
LIVE: Final = 1
# Bare skeleton: recent loss.
BARE: Final = 2
# Skeleton grown over by algae and the like: old loss.
OVERGROWN: Final = 3

LABEL_NAMES: Final = ("background", "live", "bare", "overgrown")
