"""Verdicts in words, and whether a layout is approved for cutting."""

from __future__ import annotations

from typing import TYPE_CHECKING

from glademark.contracts.job_layers import CAUTIONS
from glademark.errors import NAMED_MAX, counted, shown
from glademark.report.crew_sentences import say

if TYPE_CHECKING:
    import pandas as pd

    from glademark.report.delivery import Delivery

PROPOSAL = "PROPOSAL, NOT MARKED, NOT FOR CUTTING"
"""Head of every output that rests on proposed marks."""

_OF_PAIRS = {"combined_openings": "openings"}
"""Layers whose features are several of another, written ``3, 4``."""


WORST_FIRST = ("exceeded", "near", "not_checked", "met")
"""Verdicts in the order in which they are listed."""


def words_of(verdict: str) -> str:
    """
    A verdict as people read it, in capitals where something is to be done.

    Examples
    --------
    >>> words_of("exceeded"), words_of("not_checked")
    ('EXCEEDED', 'not checked')
    """
    words = verdict.replace("_", " ")
    return words.upper() if verdict == "exceeded" else words


def is_proposed(delivery: Delivery) -> bool:
    """Whether any of the marks is a proposal that nobody has painted: column `proposed`, yes."""
    marks = delivery.layout.marks
    if "proposed" not in marks:
        return False
    said = marks["proposed"].astype("str").str.strip().str.casefold()
    return bool(said.isin(["yes", "true", "1"]).any())


def cut_words(delivery: Delivery, words: str) -> str:
    """What is said of trees to cut; where nobody has painted them they are proposed only."""
    if not is_proposed(delivery):
        return words
    for cut, proposed in (("to cut", "proposed"), ("Cut ", "Proposed "), (" cut ", " proposed ")):
        words = words.replace(cut, proposed)
    return words


def approval_words(delivery: Delivery) -> str:
    """What is proposed only or exceeded, and who approved cutting in spite of it; else empty."""
    exceeded = delivery.checks[delivery.checks["verdict"] == "exceeded"]
    if is_proposed(delivery):
        what = f": {_what(exceeded)}" if len(exceeded) else ""
        return f"{PROPOSAL}{'; limits are exceeded' if what else ''}{what}. {CAUTIONS[1]}"
    if exceeded.empty:
        return ""
    number = f"{counted(len(exceeded), 'limit')} {'is' if len(exceeded) == 1 else 'are'} exceeded"
    what = f"{number}: {_what(exceeded)}."
    by = _approved(delivery)
    return say("approved", by=by, what=what) if by else say("not-approved", what=what)


def _what(exceeded: pd.DataFrame) -> str:
    """What breaks its limit, openings that break the same one named together, none left out."""
    said: dict[str, list[str]] = {}
    for subject, feature in zip(
        exceeded["subject"], exceeded["feature"].astype("str"), strict=True
    ):
        before, name, after = str(subject).partition(f"opening {feature}")
        key = f"{before}opening{{}}{after}" if name and "," not in feature else shown(subject)
        said.setdefault(key, []).append(feature)
    together = [
        key.replace("opening{}", f"opening{'s' * (len(names) > 1)} {', '.join(names)}")
        for key, names in said.items()
    ]
    more = len(together) - NAMED_MAX
    text = "; ".join(together[:NAMED_MAX])
    return f"{text} and {more:,} more" if more > 0 else text


def exceeded_features(delivery: Delivery, layer: str) -> frozenset[str]:
    """Names of the features of a layer that break a limit, alone or with others."""
    checks = delivery.checks
    exceeded = checks[checks["verdict"] == "exceeded"]
    layers = exceeded["layer"].replace(_OF_PAIRS)
    names = exceeded.loc[layers == layer, "feature"].astype("str")
    if layer != "openings":
        return frozenset(names)  # a setback's own name may hold a comma
    return frozenset(name for several in names for name in several.split(", "))


def exceeded_words(delivery: Delivery) -> str:
    """What stands with a feature that breaks a limit."""
    by = _approved(delivery)
    return say("exceeded-approved", by=by) if by else say("exceeded")


def edition_words(delivery: Delivery) -> str:
    """Edition and the last day in the field, the same on every paper."""
    day = newest_day(delivery)
    provenance = delivery.summary["provenance"]
    words = say("edition", edition=provenance["edition"])
    if replaced := provenance.get("replaces"):
        words = say("edition-replaces", edition=provenance["edition"], replaced=replaced)
    return say("edition-until", edition=words, day=day) if day else words


def newest_day(delivery: Delivery) -> str:
    """Last day on which a mark was recorded, such as ``2025-10-09``; empty where none is known."""
    return str(delivery.summary["provenance"]["newest_mark"] or "")


def _approved(delivery: Delivery) -> str:
    """Who approved the layout and when; empty where nobody did."""
    settings = delivery.project.deliver
    if not settings.approved_by:
        return ""
    return say("approved-by", name=settings.approved_by, day=str(settings.approved_on))
