"""Templates of the report, the phone's pages and the claim sheet."""

from functools import cache

from jinja2 import Environment, PackageLoader, StrictUndefined

__all__ = ["templates_of"]


@cache
def templates_of(package: str) -> Environment:
    """Return the templates of a package; every value is escaped, a misspelt name is an error."""
    return Environment(
        loader=PackageLoader(package),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
