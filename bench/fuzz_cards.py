"""Readers of cards and models."""

import io
import json
import random
import zipfile
from typing import Any

from bench import fuzz_mutate as change
from bench.fuzz_pictures import Seeds, file_of
from polypward.errors import BadInputError

__all__ = [
    *("card_seeds", "change_npz", "patch_seeds", "read_card", "read_npz", "read_patches"),
    "read_taught",
]


def read_card(name: str, data: bytes, _: str) -> None:
    """Read a card.json; what is read can be written and read again."""
    from polypward.cards import card_from_json, card_to_json

    card = card_from_json(_json(data))
    assert card_from_json(json.loads(json.dumps(card_to_json(card)))) == card


def card_seeds() -> Seeds:
    """Return both layouts."""
    from polypward.cards import LAYOUTS, card_to_json, load_layout

    return [(name, json.dumps(card_to_json(load_layout(name))).encode()) for name in LAYOUTS]


def read_patches(name: str, data: bytes, folder: str) -> None:
    """Read measured colours as `card measure` does."""
    from polypward.cards import load_layout, read_measurements, with_measurements
    from polypward_cli.commands.card import _text_of

    measured = read_measurements(_text_of(file_of(folder, "patches.txt", data)))
    assert all(0 <= one.lab_d50[0] <= 105 for one in measured)
    with_measurements(load_layout("frame"), measured)


def patch_seeds() -> Seeds:
    """Return a CGATS.17 file and a table of the frame card."""
    from polypward.cards import load_layout

    patches = load_layout("frame").patches
    rows = [(one.name, *one.lab_d50) for one in patches]
    lines = [f'{n}\t"{name}"\t{L}\t{a}\t{b}' for n, (name, L, a, b) in enumerate(rows, 1)]
    cgats = (
        'CGATS.17\nORIGINATOR\t"nobody"\nNUMBER_OF_FIELDS\t5\nBEGIN_DATA_FORMAT\n'
        "SAMPLE_ID\tSAMPLE_NAME\tLAB_L\tLAB_A\tLAB_B\nEND_DATA_FORMAT\n"
        f"NUMBER_OF_SETS\t{len(rows)}\nBEGIN_DATA\n" + "\n".join(lines) + "\nEND_DATA\n"
    )
    table = "name,L,a,b\n" + "\n".join(",".join(map(str, row)) for row in rows)
    return [("cgats", cgats.encode()), ("table", table.encode())]


def read_taught(name: str, data: bytes, _: str) -> None:
    """Put a ward's own model from the ledger on the base model."""
    import numpy as np

    from polypward_cli.eyes import _model

    model = _model.__wrapped__(data.decode("utf-8", "replace") or "{}", "fuzz")
    lab, chances = np.zeros((6, 7, 3), np.float32), np.full((6, 7, 4), 0.25, np.float32)
    with np.errstate(all="ignore"):
        assert model.reconsider(lab, chances, mm_per_px=0.2).shape == (6, 7, 4)


def read_npz(name: str, data: bytes, _: str) -> None:
    """Make a tissue model of the arrays of an .npz file."""
    import numpy as np

    from polypward_vision.tissue.model import model_from_arrays

    try:
        arrays = np.load(io.BytesIO(data), allow_pickle=False)  # noqa: TID251
        if not hasattr(arrays, "files"):
            raise BadInputError("not an .npz file")
    except (ValueError, OSError, EOFError, zipfile.BadZipFile, NotImplementedError) as error:
        raise BadInputError(f"not an .npz file: {error!r}") from error
    with arrays:
        model_from_arrays(arrays)


def _json(data: bytes) -> Any:
    try:
        return json.loads(data)
    except (ValueError, RecursionError) as error:
        raise BadInputError(f"no valid JSON ({error})"[:300]) from error


def change_npz(data: bytes, rng: random.Random) -> bytes:
    """Change the file, or one of the arrays in it (a zip of .npy), so that its sum is right."""
    if rng.random() < 0.5 or not zipfile.is_zipfile(io.BytesIO(data)):
        return change.change_bytes(data, rng)
    stream = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(stream, "w") as new:
        chosen = rng.choice(old.namelist())
        for name in old.namelist():
            held = old.read(name)
            new.writestr(name, change.change_bytes(held, rng) if name == chosen else held)
    return stream.getvalue()
