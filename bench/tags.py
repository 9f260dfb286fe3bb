"""``python -m bench.tags``: which marks of 15 mm are read wet and fouled; docs/money.md tells."""

from typing import Final

from phantoms.tags import Reader, share_read

__all__ = ["table"]

READERS: Final[dict[Reader, str]] = {
    "ours": "mark, as polypward reads it",
    "bits": "mark, read bit by bit by OpenCV",
    "code": "square code (QR, strongest correction)",
}
CASES: Final = {
    "clean": (0.0, False),
    "wet (glints)": (0.0, True),
    "a tenth hidden": (0.1, False),
    "a fifth hidden": (0.2, False),
    "a fifth hidden and wet": (0.2, True),
}


def table(*, count: int = 60, seed: int = 20260) -> str:
    """Return the table of shares read, of `count` rendered tags each."""
    lines = ["| | " + " | ".join(CASES) + " |", "|" + " --- |" * (len(CASES) + 1)]
    for reader, name in READERS.items():
        shares = (
            share_read(reader, foul=foul, glints=glints, count=count, seed=seed)
            for foul, glints in CASES.values()
        )
        lines.append(f"| {name} | " + " | ".join(f"{share:.0%}" for share in shares) + " |")
    return "\n".join(lines).replace("%", " %")


if __name__ == "__main__":
    print(table())
