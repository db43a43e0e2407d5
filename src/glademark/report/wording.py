"""
Words that terminal, page, papers and handheld files share, each said once.

Sentences of the crew come from one catalogue; verdicts, approval, the edge of openings, rules of
the ground and cautions; text from field files is guarded. Two tree lengths are common practice;
some countries ask for them by law, and none is built in here.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any

import pandas as pd

from glademark.contracts.job_layers import CAUTIONS
from glademark.errors import NAMED_MAX, counted, shown
from glademark.report.quantities import (
    AT_LEAST,
    MISSING,
    basal_area_unit,
    show_against,
    show_area,
    show_diameter,
    show_length,
    show_number,
    show_volume,
)

if TYPE_CHECKING:
    from collections.abc import Mapping

    from fluent.runtime import FluentBundle

    from glademark.contracts.layers import Units
    from glademark.contracts.layout import Figures, OpeningFigures
    from glademark.project.model import Project
    from glademark.report.delivery import Delivery

LONGEST = 400
"""Characters kept of one text from a field file."""

_POWERS = str.maketrans("23", "²³")
_POWER = re.compile(r"(?<![A-Za-z])(m|ft)([23])(?![0-9])")
_VOLUME = re.compile(r"(?P<product>.*) (?P<amount>-?[\d,]+(?:\.\d+)?) (?P<unit>[A-Za-z].*)")

LIMIT_TITLES: Mapping[str, str] = {
    "opening_area_max": "Opening, largest area",
    "opening_area_min": "Opening, least area",
    "opening_width_heights_max": "Opening, largest width in tree heights",
    "opening_width_heights_min": "Opening, least width in tree heights",
    "combined_area_max": "Combined opening, largest area",
    "opening_spacing_min": "Openings, least spacing",
    "openings_share_max": "Openings, share of the stand",
    "corridor_share_max": "Corridors, share of the stand",
    "corridors_and_landings_share_max": "Corridors and landings, share of the stand",
    "corridor_density_max": "Corridors, largest density",
    "corridor_width_max": "Corridor, largest width",
    "corridor_spacing_min": "Neighbouring corridors, least spacing",
    "boundary_distance_min": "Opening to the boundary",
    "water_distance_min": "Opening to water",
    "removal_share_max": "Share of the stock removed",
    "removal_basal_area_share_max": "Share of the basal area removed",
    "residual_basal_area_min": "Basal area left",
    "dbh_max": "Largest diameter to cut",
    "target": "Target volume",
    "exclusion": "Exclusion",
    "setback": "Setback",
}
"""Limits as people read them; others by their key."""

_KINDS: Mapping[str, str] = {
    "cut": "to cut",
    "leave": "leave tree, to stay",
    "group_boundary": "point of a group's boundary",
    "group_centre": "centre of a group",
    "line_tree": "line tree, not to be cut until confirmed",
    "danger": "danger tree",
    "unconfirmed": "unconfirmed, not to be cut until the forester says so",
}
_BASIS: Mapping[str, str] = {
    "walked": "walked outline",
    "tagged": "group named with its trees",
    "centre": "centre, radius",
    "crowns": "touching crowns",
}
_NAMES: Mapping[str, str] = {
    **_KINDS,
    **_BASIS,
    "existing": "existing already",
    "no_cut": "no cutting",
    "no_machine": "no machines",
    "residual_basal_area": "a basal area stays",
    "exclusion": "exclusion",
    "not_corridor": "not corridor",
    "not_located": "paper tally",
    "not_checked": "not checked",
    "bechtold_2003": "Bechtold 2003",
}

_PLACE = re.compile(r"\{ \$(\w+) \}")
_PLAIN = re.compile(rf"(?m)^([a-z0-9-]+) = ((?:[^{{}}\n]|{_PLACE.pattern})+)$(?!\n )")
"""A sentence in one line without choices, which needs no fluent: that takes a tenth of a second."""

CATALOGUE = files("glademark.report") / "sentences" / "en.ftl"

_WORDS = {
    "marked_crowns": "the edge is that of the crowns of the marked trees",
    "standing_crowns": "the edge is that of the standing crowns around (radius {}): ground into "
    "which none of them fits is open",
    "boles": "the edge is at the boles around, a standing crown (radius {}) beyond the marked ones",
}

PROPOSAL = "PROPOSAL, NOT MARKED, NOT FOR CUTTING"
"""Head of every output that rests on proposed marks."""

_OF_PAIRS = {"combined_openings": "openings"}
"""Layers whose features are several of another, written ``3, 4``."""

WORST_FIRST = ("exceeded", "near", "not_checked", "met")
"""Verdicts in the order in which they are listed."""

NOT_TO_BE_CUT = "NOT to be cut until the forester says so"
"""What holds for an unconfirmed tree."""

_MOST_OPENINGS = 10

_SAME_M2 = 0.1


def unit_text(text: str) -> str:
    """
    A quantity with its powers raised.

    Examples
    --------
    >>> unit_text("12.4 ft2/acre")
    '12.4 ft²/acre'
    """
    raised = _POWER.sub(lambda found: found[1] + found[2].translate(_POWERS), text)
    return "\N{EN DASH}" if raised == MISSING else raised


def field_text(value: object) -> str:
    """
    A text from a field file, fit to be shown.

    Examples
    --------
    >>> field_text(None), field_text("red oak")
    ('', 'red oak')
    """
    missing = value is None or value is pd.NA or (isinstance(value, float) and math.isnan(value))
    return "" if missing else shown(value, longest=LONGEST)


def name_text(value: object) -> str:
    """
    A word of the declared layers as people read it.

    Examples
    --------
    >>> name_text("exclusion"), name_text("tagged")
    ('exclusion', 'group named with its trees')
    """
    text = field_text(value)
    return _NAMES.get(text, text)


def limit_title(key: str) -> str:
    """
    A limit as people read it.

    Examples
    --------
    >>> limit_title("target"), limit_title("slope_max")
    ('Target volume', 'slope max')
    """
    return LIMIT_TITLES.get(key, field_text(key).replace("_", " "))


@dataclass(frozen=True, kw_only=True, slots=True)
class Amount:
    """Net volume of one product."""

    product: str  # as recorded; empty where the text is written otherwise
    number: float | None  # in `unit`; None where the text is written otherwise
    unit: str  # sale unit in standard spelling
    text: str  # as people read it


def volume_amounts(words: object) -> list[Amount]:
    """
    Products and amounts of the text that an opening carries.

    Examples
    --------
    >>> [(one.product, one.text) for one in volume_amounts("pulpwood 6.79 cord; sawlog 1.2 MBF")]
    [('pulpwood', '6.8 cords'), ('sawlog', '1.20 MBF')]
    """
    return [_amount(part.strip()) for part in field_text(words).split(";") if part.strip()]


def _amount(part: str) -> Amount:
    """Product and amount of one part."""
    found = _VOLUME.fullmatch(part)
    if found is None:
        return Amount(product="", number=None, unit="", text=part)
    number = float(found["amount"].replace(",", ""))
    text = unit_text(show_volume(number, found["unit"]))
    product = found["product"].removesuffix(f" {AT_LEAST}")
    least = f"{AT_LEAST} " if product != found["product"] else ""
    return Amount(product=product, number=number, unit=found["unit"], text=f"{least}{text}")


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


def edge_words(figures: OpeningFigures, units: Units) -> str:
    """The definition of an opening's edge, as a sentence."""
    radius = show_length(figures.standing_crown_radius_m, units)
    words = _WORDS[figures.edge].format(radius)
    return f"{words[0].upper()}{words[1:]}."


def edge_in_short(edge: str, radius_m: float, units: Units) -> str:
    """Where openings end, in a few words."""
    return say(f"edge-{edge}", radius=show_length(radius_m, units))


def lower_and_upper(row: Mapping[Any, Any], units: Units) -> str:
    """Area of an opening by marked crowns and to the boles; empty where neither is known."""
    named = (("area_marked_crowns_m2", "by marked crowns"), ("area_boles_m2", "to the boles"))
    found = [
        f"{show_area(float(row[column]), units)} {words}"
        for column, words in named
        if column in row and pd.notna(row[column])
    ]
    return ", ".join(found)


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


def cautions() -> tuple[str, ...]:
    """One sentence each, in the order in which they are shown."""
    return say("caution-paint"), say("caution-survey"), say("caution-work")


def unpainted_rules(project: Project) -> tuple[tuple[str, str], ...]:
    """Where a stem without paint stands, `openings` or `elsewhere`, and what is done with it."""
    cleared_cm = project.openings.cleared_to_dbh_cm
    in_openings = say("painted-only") if cleared_cm is None else cleared_words(cleared_cm, project)
    return ("openings", in_openings), ("elsewhere", say("painted-only-elsewhere"))


def cleared_words(cleared_cm: float, project: Project) -> str:
    """What is cut in openings beside the painted trees."""
    return say("cleared", size=show_diameter(cleared_cm, project.heading.units))


def hazard_words(keep_away_m: float, project: Project) -> str:
    """What holds at a hazard."""
    away = show_length(keep_away_m, project.heading.units)
    return say("hazard", away="none" if away == MISSING else away)


def unconfirmed_trees(figures: Figures) -> str:
    """How many there are; nothing where there is none."""
    number = figures.marks.unconfirmed
    return f"{show_number(number, 0)} unconfirmed tree{'s' * (number != 1)}" if number else ""


def totals_with(figures: Figures, units: Units) -> str:
    """Trees, basal area and volumes if the unconfirmed trees were cut; nothing without any."""
    beside = figures.with_unconfirmed
    if beside is None:
        return ""
    name, size = basal_area_unit(units)
    least = f"{AT_LEAST} " if figures.volume.basal_area_missing_trees else ""
    parts = [
        f"{show_number(beside.trees, 0)} trees on the map",
        f"{least}{show_number(beside.basal_area_m2 / size, 1)} {name} basal area",
    ]
    parts += [
        f"{product} {f'{AT_LEAST} ' * bool(amount.trees_without)}"
        f"{show_volume(amount.net, amount.unit)}"
        for product, amount in beside.by_product.items()
        if amount.unit
    ]
    return ", ".join(parts)


def openings_with(delivery: Delivery) -> str:
    """Openings if the unconfirmed trees were cut; nothing where none would be another."""
    units, figures = delivery.project.heading.units, delivery.layout.figures
    beside = figures.with_unconfirmed
    if beside is None:
        return ""
    openings = delivery.layout.openings
    areas = zip(
        openings["opening"],
        openings["area_m2"],
        openings["area_with_unconfirmed_m2"],
        strict=True,
    )
    changed = [
        "opening {} {} instead of {}".format(number, *show_against(after, before, "m2", units))
        for number, before, after in areas
        if abs(after - before) > _SAME_M2
    ]
    if len(changed) > _MOST_OPENINGS:
        changed = [*changed[:_MOST_OPENINGS], f"and {len(changed) - _MOST_OPENINGS} more"]
    if not changed and beside.openings == figures.openings.count:
        return ""
    number = f"{beside.openings} opening{'s' * (beside.openings != 1)}"
    whole = f"{number}, {show_area(beside.opening_area_m2, units)}"
    return "; ".join([whole, ", ".join(changed)] if changed else [whole])


def all_with(delivery: Delivery) -> str:
    """Totals and openings if the unconfirmed trees were cut; nothing without any."""
    totals = totals_with(delivery.layout.figures, delivery.project.heading.units)
    return "; ".join(words for words in (totals, openings_with(delivery)) if words)
