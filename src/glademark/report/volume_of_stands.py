"""Volume by product of many stands: in words for each, added over all."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from glademark.report.quantities import AT_LEAST, heading_unit, sale_decimals, show_number

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from glademark.contracts.layout import ProductFigures

_AMOUNTS = ("gross", "net")
_COUNTS = ("trees", "trees_without", "parts_without")


def volume_of_products(by_product: Mapping[str, ProductFigures]) -> str:
    """Net volume of each product in its sale unit, as the table of stands has it."""
    found = []
    for name, one in by_product.items():
        amount = amount_words(one.net, one.unit, one.trees_without + one.parts_without)
        unit = "" if one.net is None else f" {heading_unit(one.unit)}"
        found.append(f"{name} {amount}{unit}")
    return "; ".join(found)


def amount_words(net: float | None, unit: str, trees_without: int) -> str:
    """A net volume without its unit, said to be a least where trees have none."""
    if net is None:
        return "not computed"
    least = f"{AT_LEAST} " if trees_without else ""
    return f"{least}{show_number(net, sale_decimals(unit))}"


def added(volumes: Sequence[Mapping[str, Mapping[str, Any]]]) -> dict[str, dict[str, Any]]:
    """
    Figures of each product over all stands, as in the summary of one.

    A product that stands sell in different units has one entry a unit: they are never added.
    """
    found: dict[tuple[str, str, str], list[Mapping[str, Any]]] = {}
    for by_product in volumes:
        for name, one in by_product.items():
            found.setdefault((name, one["unit"], one["rule"]), []).append(one)
    names = [name for name, _, _ in found]
    return {
        name if names.count(name) == 1 else f"{name}, {heading_unit(unit) or 'not computed'}": {
            "unit": unit,
            "rule": rule,
            **{key: _sum([one[key] for one in parts]) for key in _AMOUNTS},
            **{key: sum(one[key] for one in parts) for key in _COUNTS},
        }
        for (name, unit, rule), parts in sorted(found.items())
    }


def _sum(amounts: Sequence[float | None]) -> float | None:
    """Sum of the amounts that are known; None where none is."""
    known = [amount for amount in amounts if amount is not None]
    return sum(known) if known else None
