"""Volumes by published equations, for trees that have neither a recorded volume nor a table row."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from glademark.errors import InputError
from glademark.forestry import PACKAGED_SPECIES, Product, SpeciesNames
from glademark.forestry.volume_equations import (
    Trees,
    TreeVolume,
    can_be_sold_as,
    choose_equation_set,
    equation_set_faults,
    equation_sets,
    sale_volume,
    tree_volume,
)
from glademark.project.model import ProductSettings, VolumeSettings

NOT_COMPUTED = "not computed: "
NO_EQUATION = f"{NOT_COMPUTED}no published equation fits what was measured"
UNKNOWN_SPECIES = f"{NOT_COMPUTED}no equation for the species"
MISSING_INPUT = f"{NOT_COMPUTED}an input of the equation is missing"

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class EquationVolumes:
    """
    Volume of each tree by an equation.

    Attributes
    ----------
    per_tree
        In the product's sale unit, NaN where there is none; shape (n,).
    source
        The publication, or why there is no volume; shape (n,).
    part
        Part of the tree by the name that the set has for it; empty without an equation; shape (n,).
    """

    per_tree: FloatArray
    source: npt.NDArray[np.object_]
    part: npt.NDArray[np.object_]


def equation_volumes(
    trees: pd.DataFrame,
    *,
    product: Product,
    named: ProductSettings,
    settings: VolumeSettings,
    species: SpeciesNames = PACKAGED_SPECIES,
    preferred: str = "",
) -> EquationVolumes:
    """
    Volume of one tree of each record (`dbh_cm`, `species`, `height_m`, `logs` where counted).

    By the set that the product names, else by one chosen by region and by what was measured: trees
    with and without a height, with and without logs are asked for apart. A `preferred` part is
    taken where the chosen set has it in a unit that fits; no conversion is named then.
    """
    volume = np.full(len(trees), np.nan)
    source = np.full(len(trees), NO_EQUATION, dtype=object)
    part = np.full(len(trees), "", dtype=object)
    codes = species.volume_codes(trees["species"].to_numpy(dtype=object))
    logs = trees["logs"].to_numpy(dtype=float) if "logs" in trees else np.full(len(trees), np.nan)
    tall, logged = np.isfinite(trees["height_m"].to_numpy(dtype=float)), np.isfinite(logs)
    measured = 2 * tall + logged
    for kind in np.unique(measured).tolist():
        here = np.flatnonzero(measured == kind)
        known = [name for name, bit in (("height_m", 2), ("logs", 1)) if kind & bit]
        choice = _choice(product, named, settings, known=known)
        if choice is None:
            continue
        choice = _preferred(choice, preferred, product, known=known)
        some = trees.iloc[here].assign(code=codes[here], logs=logs[here])
        found = _by_set(some, choice, settings)
        amount, conversion = sale_volume(found, product, species_code=codes[here])
        volume[here] = amount
        source[here] = _sources(found, "" if preferred else conversion)
        part[here] = choice[1]
    return EquationVolumes(per_tree=volume, source=source, part=part)


def _preferred(
    choice: tuple[str, str], preferred: str, product: Product, *, known: Sequence[str]
) -> tuple[str, str]:
    """The set with the preferred part, where it has that in a unit that fits."""
    part = equation_sets()[choice[0]].parts.get(preferred)
    needs = {"dbh_cm", "species_code", *known}
    fits = part is not None and set(part.needs) <= needs and can_be_sold_as(part, product)
    return (choice[0], preferred) if fits else choice


def _choice(
    product: Product, named: ProductSettings, settings: VolumeSettings, *, known: Sequence[str]
) -> tuple[str, str] | None:
    """Set and part to use: as named, else by what was measured."""
    if named.equations is not None:
        return _checked(named.equations, named.part or "merchantable", product)
    measured = ["dbh_cm", "species_code", *_stand_inputs(settings), *known]
    choice = choose_equation_set(product, measured=measured, region=settings.region)
    return None if choice is None else (choice.equation_set, choice.part)


def _stand_inputs(settings: VolumeSettings) -> list[str]:
    """Inputs that the project file gives for the whole stand."""
    site = [] if settings.site_index_m is None else ["site_index_m"]
    stock = [] if settings.stand_basal_area_m2_ha is None else ["basal_area_m2_ha"]
    return [*site, *stock]


def _checked(name: str, part: str, product: Product) -> tuple[str, str]:
    """A set and part by name, if they exist."""
    sets = equation_sets()
    where = f"[volume.products.{product.name}]"
    if name not in sets:
        msg = f"{where} equations: no set is called {name!r}; expected one of {', '.join(sets)}"
        raise InputError(msg, *equation_set_faults())
    if part not in sets[name].parts:
        parts = ", ".join(sets[name].parts)
        msg = f"{where} part: {name} has no part {part!r}; expected one of {parts}"
        raise InputError(msg)
    return name, part


def _by_set(trees: pd.DataFrame, choice: tuple[str, str], settings: VolumeSettings) -> TreeVolume:
    """Volumes by one set."""
    name, part = choice
    measured = Trees(
        dbh_cm=trees["dbh_cm"].to_numpy(dtype=float),
        species_code=trees["code"].to_numpy(),
        height_m=trees["height_m"].to_numpy(dtype=float),
        logs=trees["logs"].to_numpy(dtype=float),
        form_class=settings.form_class,
        site_index_m=_or_nan(settings.site_index_m),
        basal_area_m2_ha=_or_nan(settings.stand_basal_area_m2_ha),
        division=settings.division,
    )
    return tree_volume(measured, equation_set=equation_sets()[name], part=part)


def _or_nan(value: float | None) -> float:
    """A number that was given, else NaN."""
    return float("nan") if value is None else value


def _sources(found: TreeVolume, conversion: str) -> npt.NDArray[np.object_]:
    """Publication and conversion of each volume, or why there is none."""
    inside = "; ".join(filter(None, (f"{found.source}, {found.part.meaning}", conversion)))
    beyond = f"{inside}; outside the range that the equation was fitted in"
    if found.part.only_fitted:
        beyond = f"{NOT_COMPUTED}outside {found.part.range_in_words}, the range of {found.source}"
    words = {
        "ok": inside,
        "outside range": beyond,
        "unknown species": UNKNOWN_SPECIES,
        "missing input": MISSING_INPUT,
    }
    return np.array([words[str(status)] for status in found.status], dtype=object)
