"""The readers that are fuzzed: good files to begin with, how they are changed, what must hold."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from bench import fuzz_mutate as change
from bench.fuzz_archives import (
    backup_seeds,
    change_backup,
    ledger_seeds,
    read_backup,
    read_ledger,
)
from bench.fuzz_cards import (
    card_seeds,
    change_npz,
    patch_seeds,
    read_card,
    read_npz,
    read_patches,
    read_taught,
)
from bench.fuzz_pages import (
    change_texts,
    read_requests,
    read_texts,
    request_seeds,
    start_page,
    text_seeds,
)
from bench.fuzz_pictures import (
    Seeds,
    change_small,
    change_tag,
    chart_seeds,
    map_seeds,
    read_charts,
    read_icc,
    read_map,
    read_picture,
    read_raw,
    read_small,
    read_tag,
    small_seeds,
)
from bench.fuzz_seeds import (
    bomb_seeds,
    change_bomb,
    exif_seeds,
    icc_seeds,
    npz_seeds,
    picture_seeds,
    raw_seeds,
    taught_seeds,
)
from bench.fuzz_written import (
    BAGS,
    CARE,
    MANIFEST,
    OUTLINES,
    REGISTERS,
    TESTS,
    make_ward,
    read_outline,
    read_toml,
    table_reader,
    take_bags,
    take_care,
    take_manifest,
    take_register,
    take_tests,
    toml_seeds,
)

__all__ = ["READERS", "Reader"]


@dataclass(frozen=True, slots=True)
class Reader:
    """A reader: its share of the cases, its seeds, and how a changed one is read and checked.

    `read` gets the seed's name, the bytes and the folder that it may write to.
    """

    name: str
    share: float
    seeds: Callable[[], Seeds]
    change: change.Mutate
    read: Callable[[str, bytes, str], None]
    prepare: Callable[[Path], None] = lambda _: None


def _one(data: bytes) -> Callable[[], Seeds]:
    return lambda: [("good", data)]


def _table(
    name: str, share: float, seeds: Callable[[], Seeds], take: Callable[[Any, Path], object]
) -> Reader:
    return Reader(name, share, seeds, change.change_table, table_reader(take), make_ward)


_ALL: Sequence[Reader] = (
    Reader("pictures", 22, picture_seeds, change.change_bytes, read_picture),
    Reader("EXIF", 10, exif_seeds, change.change_bytes, read_picture),
    Reader("ICC", 8, icc_seeds, change.change_bytes, read_icc),
    Reader("raw", 2, raw_seeds, change.change_bytes, read_raw),
    Reader("painted map", 5, map_seeds, change.change_bytes, read_map),
    Reader("small picture", 2, small_seeds, change_small, read_small),
    Reader("kept charts", 1, chart_seeds, change.change_json, read_charts),
    Reader("tags in photos", 1, _one(b"PWTAG LAN-01"), change_tag, read_tag),
    Reader("card.json", 5, card_seeds, change.change_json, read_card),
    Reader("measured patches", 6, patch_seeds, change.change_text, read_patches),
    Reader("outlines", 6, lambda: OUTLINES, change.change_json, read_outline),
    Reader("ward.toml", 6, toml_seeds, change.change_text, read_toml),
    _table("manifest", 5, _one(MANIFEST), take_manifest),
    _table("register", 6, lambda: REGISTERS, take_register),
    _table("care", 5, _one(CARE), take_care),
    _table("water tests", 5, _one(TESTS), take_tests),
    _table("unpacking", 4, _one(BAGS), take_bags),
    Reader("ward's model", 3, taught_seeds, change.change_json, read_taught),
    Reader("base model", 2, npz_seeds, change_npz, read_npz),
    Reader("backup", 4, backup_seeds, change_backup, read_backup),
    Reader("bombs", 0.03, bomb_seeds, change_bomb, read_picture),
    Reader("hostile names", 0.2, text_seeds, change_texts, read_texts),
    Reader("phone requests", 2, request_seeds, change.change_text, read_requests, start_page),
    Reader("ledger", 3, ledger_seeds, change.change_bytes, read_ledger, make_ward),
)
READERS = {one.name: one for one in _ALL}
