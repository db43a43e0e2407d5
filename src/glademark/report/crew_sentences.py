"""The sentences of the crew's guide and of handheld files, from one catalogue."""

from __future__ import annotations

import re
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

    from fluent.runtime import FluentBundle

_PLACE = re.compile(r"\{ \$(\w+) \}")
_PLAIN = re.compile(rf"(?m)^([a-z0-9-]+) = ((?:[^{{}}\n]|{_PLACE.pattern})+)$(?!\n )")
"""A sentence in one line without choices, which needs no fluent: that takes a tenth of a second."""

CATALOGUE = files("glademark.report") / "sentences" / "en.ftl"


def say(name: str, /, **filled: str | int) -> str:
    """
    A sentence of the catalogue with its places filled in; numbers only choose between forms.

    Examples
    --------
    >>> say("corridor-name", name="B"), say("some-trees", count=1, trees="1")
    ('Corridor B', '1 tree')
    """
    if (plain := _plain().get(name)) and all(isinstance(one, str) for one in filled.values()):
        return _PLACE.sub(lambda place: str(filled[place[1]]), plain)
    bundle = _catalogue()
    pattern = bundle.get_message(name).value
    if pattern is None:
        raise KeyError(name)
    text, faults = bundle.format_pattern(pattern, filled)
    if faults:
        raise faults[0]
    return str(text)


@cache
def _plain() -> Mapping[str, str]:
    """Sentences that stand in one line and have no choices."""
    return {found[1]: found[2] for found in _PLAIN.finditer(CATALOGUE.read_text(encoding="utf-8"))}


@cache
def _catalogue() -> FluentBundle:
    """The catalogue, read once."""
    from fluent.runtime import FluentBundle, FluentResource  # noqa: PLC0415 - heavy

    bundle = FluentBundle(["en"], use_isolating=False)
    bundle.add_resource(FluentResource(CATALOGUE.read_text(encoding="utf-8")))
    return bundle
