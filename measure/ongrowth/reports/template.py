"""Templates of pages: filled in one way, so that every page escapes what the data hold."""

from __future__ import annotations

import functools
from collections.abc import Mapping
from typing import TYPE_CHECKING

if TYPE_CHECKING:  # a command that writes no page shall not wait for the import
    from jinja2 import Environment


def fill_template(package: str, name: str, values: Mapping[str, object]) -> str:
    """Return a template filled with values; strings are escaped, and a value that is missing is an error.

    Parameters
    ----------
    package : str
        Dotted name of the package whose folder ``templates`` holds it.
    name : str
        File name of the template.
    values : mapping of str to object
        What stands in it, by name.
    """
    return _engine(package).get_template(name).render(values)


@functools.cache
def _engine(package: str) -> Environment:
    import jinja2

    return jinja2.Environment(
        loader=jinja2.PackageLoader(package),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
    )
