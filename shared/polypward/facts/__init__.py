"""Reference tables as data files, each value with its source or "common practice, no source"."""

import tomllib
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import Any

__all__ = ["load_facts"]


@cache
def load_facts(name: str) -> Mapping[str, Any]:
    """Return the table `name` of this folder ("water", "compounds", ...), in the file's order.

    Raises
    ------
    FileNotFoundError
        If there is no such table.
    """
    text = files("polypward.facts").joinpath(f"{name}.toml").read_text(encoding="utf-8")
    return MappingProxyType(tomllib.loads(text))
