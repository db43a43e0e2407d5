"""The figures that a planner wants first."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from glademark.measure.tally import NOT_STATED
from glademark.report.quantities import AT_LEAST, show_number, show_sum
from glademark.report.review_page.cards import basal_area, quantity, whole
from glademark.report.review_page.wording import field_text, unit_text
from glademark.report.site_rules import NOT_TO_BE_CUT, totals_with, unconfirmed_trees
from glademark.report.summary import marking_progress
from glademark.report.verdicts import cut_words

if TYPE_CHECKING:
    from collections.abc import Iterable

    from glademark.contracts.layers import Units
    from glademark.contracts.layout import Figures, Layout
    from glademark.report.delivery import Delivery


@dataclass(frozen=True, kw_only=True, slots=True)
class Fact:
    """A figure: its name, the number that counts, and what goes with it."""

    name: str
    value: str
    beside: str = ""


def facts(delivery: Delivery) -> tuple[Fact, ...]:
    """Figures of the layout in the project's units."""
    figures, units = delivery.layout.figures, delivery.project.heading.units
    found = (
        *_stand(figures, units),
        *_progress(delivery.layout, units),
        *(
            fact
            for part in (_corridors, _openings, _trees, _volumes)
            for fact in part(figures, units)
        ),
    )
    return tuple(replace(fact, name=cut_words(delivery, fact.name)) for fact in found)


def _stand(figures: Figures, units: Units) -> Iterable[Fact]:
    """Size of the stand."""
    yield Fact(
        name="Stand",
        value=quantity(figures.stand.area_m2, "m2", units),
        beside=f"{quantity(figures.stand.operable_m2, 'm2', units)} operable",
    )


def _progress(layout: Layout, units: Units) -> Iterable[Fact]:
    """How much of the stand is marked so far, and what that leaves."""
    progress = marking_progress(layout, units)
    if progress is None:
        return
    share, _, areas = progress.marked_ground.partition(" of ")
    rest = f"; remaining allowance: {progress.remaining}" if progress.remaining else ""
    yield Fact(
        name="Marked so far",
        value=share,
        beside=unit_text(f"of {areas}; taken {progress.taken}{rest}"),
    )


def _corridors(figures: Figures, units: Units) -> Iterable[Fact]:
    """What corridors take, with landings where there are any."""
    taken = figures.corridors
    if taken.length_m <= 0:
        yield Fact(name="Corridors", value="none")
        return
    yield Fact(
        name="Corridors",
        value=quantity(taken.share, "share", units),
        beside=f"of the stand; {quantity(taken.share_operable, 'share', units)} of the operable "
        f"area; {quantity(taken.area_m2, 'm2', units)}, "
        f"{quantity(taken.length_m, 'm', units)} long",
    )
    if taken.with_landings_m2 > taken.area_m2:
        yield Fact(
            name="With landings",
            value=quantity(taken.share_with_landings, "share", units),
            beside=f"of the stand; {quantity(taken.with_landings_m2, 'm2', units)}",
        )


def _openings(figures: Figures, units: Units) -> Iterable[Fact]:
    """Openings together, the largest, combined and incidental ones."""
    openings = figures.openings
    if openings.count == 0:
        yield Fact(name="Group openings", value="none")
    else:
        yield Fact(
            name="Group openings",
            value=whole(openings.count),
            beside=f"{quantity(openings.area_m2, 'm2', units)}, "
            f"{quantity(openings.share, 'share', units)} of the stand",
        )
        yield Fact(
            name="Largest opening",
            value=quantity(openings.largest_m2, "m2", units),
            beside=f"combined with corridors {quantity(openings.combined_largest_m2, 'm2', units)}",
        )
    if openings.nearest_spacing_m is not None:
        yield Fact(
            name="Least spacing",
            value=quantity(openings.nearest_spacing_m, "m", units),
            beside="edge to edge",
        )
    if openings.incidental_count:
        yield Fact(
            name="Incidental openings",
            value=whole(openings.incidental_count),
            beside=f"{quantity(openings.incidental_area_m2, 'm2', units)}; crowns that touch, "
            "named no "
            "group, not among the openings",
        )


def _trees(figures: Figures, units: Units) -> Iterable[Fact]:
    """Trees to cut; those apart."""
    marks = figures.marks
    paper = f", and {whole(marks.not_located)} on the paper tally" if marks.not_located else ""
    yield Fact(
        name="Trees to cut",
        value=whole(marks.trees + marks.not_located),
        beside=f"{whole(marks.trees)} on the map{paper}; basal area "
        f"{basal_area(figures.volume.basal_area_m2, units)}",
    )
    if marks.danger_trees:
        yield Fact(
            name="Danger trees", value=whole(marks.danger_trees), beside="show the crew before work"
        )
    if unconfirmed := unconfirmed_trees(figures):
        yield Fact(
            name="Not among them",
            value=unconfirmed,
            beside=f"{NOT_TO_BE_CUT}; with them {totals_with(figures, units)}",
        )
    if marks.without_dbh:
        yield Fact(
            name="Of them without a diameter",
            value=whole(marks.without_dbh),
            beside="counted, in no basal area and in no volume by size",
        )
    if marks.line_trees:
        yield Fact(
            name="Line trees",
            value=whole(marks.line_trees),
            beside="tallied apart: co-owned, not to be cut before the owners agree",
        )
    if marks.leave_trees:
        yield Fact(name="Leave trees", value=whole(marks.leave_trees), beside="to stay")


def _volumes(figures: Figures, units: Units) -> Iterable[Fact]:
    """Net volume by product, each in its sale unit; solid volume where it can be computed."""
    volume = figures.volume
    for name, product in volume.by_product.items():
        rule = f"; scaled by {field_text(product.rule)}" if product.rule else ""
        amount, _, without = show_sum(
            product.net,
            product.unit,
            trees=product.trees,
            trees_without=product.trees_without,
            parts_without=product.parts_without,
        ).partition("; ")
        beside = f"{without}{rule}" if without else f"net, {whole(product.trees)} trees{rule}"
        yield Fact(
            name="No product" if name == NOT_STATED else field_text(name).capitalize(),
            value=unit_text(amount),
            beside=unit_text(beside),
        )
    if volume.m3 is not None:
        missing = volume.m3_missing_trees
        without = f"{show_number(missing, 0)} trees without a volume" if missing else "net"
        least = f"{AT_LEAST} " if missing else ""
        yield Fact(
            name="Solid volume",
            value=f"{least}{quantity(volume.m3, 'm3', units)}",
            beside=without,
        )
