"""Templates of pages: filled in one way, so that every page escapes what the data hold."""

from __future__ import annotations

import functools
import itertools
import re
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
    return bind_units(own_ids(_engine(package).get_template(name).render(values)))


_PICTURE = re.compile(r"<svg.*?</svg>", re.DOTALL)
_REFERENCE = re.compile(r'(href="|url\()#([^")]+)')


def own_ids(page: str) -> str:
    """Return a page no two pictures of which share an id; ids in them that nothing refers to are left out.

    Parameters
    ----------
    page : str
        HTML with inline SVG, each picture referring to itself alone.

    Examples
    --------
    >>> own_ids('<svg><g id="a"/><use href="#a"/><g id="b"/></svg><svg><g id="a"/></svg>')
    '<svg><g id="s1-a"/><use href="#s1-a"/><g/></svg><svg><g/></svg>'
    """
    number = itertools.count(1)

    def renamed(picture: re.Match[str]) -> str:
        own, svg = f"s{next(number)}", picture[0]
        used = {found[2] for found in _REFERENCE.finditer(svg)}
        svg = re.sub(r' id="([^"]+)"', lambda i: f' id="{own}-{i[1]}"' if i[1] in used else "", svg)
        return _REFERENCE.sub(rf"\g<1>#{own}-\g<2>", svg)

    return _PICTURE.sub(renamed, page)


_UNIT_AFTER_NUMBER = re.compile(r"(?<=[\d)]) (?=%|(?:mm[²³]?|HU|mGy|mSv|kV|weeks?)(?![\w]))")


def bind_units(text: str) -> str:
    """Return a text in which no line break parts a number from its unit.

    Parameters
    ----------
    text : str
        Text or HTML.

    Examples
    --------
    >>> bind_units("41 % of 9 sides").split(" ")[1:]
    ['of', '9', 'sides']
    >>> len(bind_units("0.62 (0.41 to 0.83) mm").split(" "))
    4
    """
    return _UNIT_AFTER_NUMBER.sub("\N{NO-BREAK SPACE}", text)


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
