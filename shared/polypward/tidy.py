"""Records as plain rows: what pandas, polars, csv and sqlite take without being needed here."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import fields, is_dataclass
from typing import Any, get_args, get_origin

import numpy as np

__all__ = ["as_rows"]


def as_rows(records: Iterable[Any]) -> list[dict[str, Any]]:
    """Turn records (readings, scores, visits, specimens ...) into rows of plain values.

    Every row of one kind of record has the same columns, in the record's own order, so that
    ``pandas.DataFrame(rows)`` or ``polars.DataFrame(rows)`` is a tidy table. A value that is not
    available is None. A tuple becomes text parted by ``;`` and a mapping ``name=value``, as in the
    CSV files; arrays, and records inside a record, are left out.

    Parameters
    ----------
    records : iterable of dataclass instances
        Of one kind.

    Raises
    ------
    TypeError
        If one of them is no record.

    Examples
    --------
    >>> from polypward import Specimen, as_rows
    >>> as_rows([Specimen(specimen="LAM-03", cost=60.0)])[0]["cost"]
    60.0
    """
    known: dict[type, tuple[str, ...]] = {}
    rows = []
    for record in records:
        kind = type(record)
        names = known[kind] if kind in known else known.setdefault(kind, _columns(kind))
        rows.append({name: _cell(getattr(record, name)) for name in names})
    return rows


def _columns(kind: type) -> tuple[str, ...]:
    if not is_dataclass(kind):
        raise TypeError(f"a record of polypward is needed, got {kind.__name__}")
    return tuple(
        item.name
        for item in fields(kind)
        if not any(part is np.ndarray or is_dataclass(part) for part in _parts(item.type))
    )


def _parts(annotation: Any) -> Iterator[Any]:
    """Yield a type and all types that it is made of."""
    yield get_origin(annotation) or annotation
    for inner in get_args(annotation):
        yield from _parts(inner)


def _cell(value: Any) -> Any:
    if isinstance(value, tuple):
        return ";".join(map(str, value))
    if isinstance(value, Mapping):
        return "; ".join(f"{name}={one}" for name, one in value.items())
    return value
