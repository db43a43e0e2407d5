"""The catalogue of the crew's sentences: complete, read without a fault, and used."""

import re
from pathlib import Path

from fluent.runtime import FluentBundle, FluentResource
from fluent.syntax.ast import BaseComment, Message

import glademark
from glademark.contracts.survey import KINDS, SETBACK_RULES
from glademark.report.wording import CATALOGUE, say

SOURCES = "\n".join(
    path.read_text(encoding="utf-8") for path in Path(glademark.__file__).parent.rglob("*.py")
)


def names() -> list[str]:
    """Names of the sentences in the catalogue; an entry that could not be read fails."""
    entries = FluentResource(CATALOGUE.read_text(encoding="utf-8")).body
    sentences = [one for one in entries if not isinstance(one, BaseComment)]
    assert all(isinstance(one, Message) for one in sentences)
    return [one.id.name for one in sentences]


def test_each_sentence_stands_once_and_is_used() -> None:
    """Names in the catalogue are those that the code asks for, as they are or by their start."""
    known = names()
    words = {*re.findall("[\"']([a-z0-9-]+)[\"']", SOURCES)}
    starts = (*re.findall(r'say\(f"([a-z-]+-)\{', SOURCES), "head-", "setback-")

    assert len(known) == len(set(known)) > 100
    assert [name for name in known if name not in words and not name.startswith(starts)] == []


def test_the_code_asks_for_no_other_sentence() -> None:
    """What is asked for by its whole name stands in the catalogue; so does each rule and kind."""
    known = {*names()}
    asked = {*re.findall(r"(?:say|_filled)\(\s*[\"']([a-z0-9-]+)[\"']", SOURCES)}
    heads = {f"head-{name}" for found in re.findall(r"_heads\(([^)]*)\)", SOURCES)
             for name in re.findall(r'"([a-z0-9-]+)"', found)}  # fmt: skip
    rules = {f"kind-{one}" for one in KINDS} | {f"setback-{one}" for one in SETBACK_RULES}

    assert len(asked) > 50
    assert (asked | heads | rules) - known == set()


def test_a_sentence_prints_what_it_is_given() -> None:
    """Markup, braces and letters of any script in a name are printed as they are."""
    assert say("corridor-name", name="{ $x } 北 <b>") == "Corridor { $x } 北 <b>"
    assert say("some-trees", count=2, trees="2") == "2 trees"


def test_a_sentence_in_one_line_reads_as_fluent_reads_it() -> None:
    """What is read without fluent, for speed, is what fluent makes of the whole catalogue."""
    bundle = FluentBundle(["en"], use_isolating=False)
    bundle.add_resource(FluentResource(CATALOGUE.read_text(encoding="utf-8")))
    places = {name: f"<{name}>" for name in re.findall(r"\$(\w+)", CATALOGUE.read_text("utf-8"))}

    by_fluent = {
        name: bundle.format_pattern(pattern, places)[0]
        for name in names()
        if (pattern := bundle.get_message(name).value) is not None
    }

    assert {name: say(name, **places) for name in by_fluent} == by_fluent
    assert len(by_fluent) > 100
