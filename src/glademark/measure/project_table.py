"""The project's volume table, checked against its products, and refused where it does not fit."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from glademark.contracts.survey import Survey
from glademark.errors import InputError, UnitError
from glademark.forestry import PACKAGED_SPECIES, Product, SpeciesNames, VolumeTable
from glademark.forestry.size_classes import DiameterUnit
from glademark.forestry.volume_table_rows import TableRow, heading_and_unit, read_rows
from glademark.measure.volume import (
    SAME_KIND,
    Sold,
    products_sold,
    sale_unit_of,
    table_factor,
)
from glademark.project.model import Project, VolumeSettings
from glademark.project.species import project_species
from glademark.units import SOLID_M3, split_quantity


def sold_of(survey: Survey, project: Project) -> Sold:
    """Products, volume table and names of species of a project."""
    unit: DiameterUnit = "in" if project.heading.units == "us" else "cm"
    products = products_sold(project.volume.products)
    species = project_species(project, survey.volume_table)
    table = project_table(
        survey.volume_table,
        products=products,
        settings=project.volume,
        diameter_unit=unit,
        species=species,
    )
    return Sold(table=table, products=products, settings=project.volume, species=species)


def project_table(
    rows: pd.DataFrame | None,
    *,
    products: Mapping[str, Product],
    settings: VolumeSettings,
    diameter_unit: DiameterUnit,
    species: SpeciesNames = PACKAGED_SPECIES,
) -> VolumeTable | None:
    """
    The project's volume table, every cell with a sale unit; None without rows.

    `rows` are text under the headings of the file; `diameter_unit` holds where no heading says it.
    A table that cannot be used for one of the products is refused.
    """
    if rows is None or settings.table is None:
        return None
    unit = _heading_unit(rows.columns) or diameter_unit
    records = [dict(zip(rows.columns, row, strict=True)) for row in rows.to_numpy().tolist()]
    cells = read_rows(records, unit="", dbh_unit=unit, species=species, products=products)
    table = VolumeTable(
        rows=tuple(_with_unit(cells, products)),
        dbh_unit=unit,
        read=settings.table_reading or "class",
        class_width=_class_width(settings.table_class_width, unit),
        source=f"volume table {settings.table.file.name}",
        species=species,
    )
    faults = [*_unit_faults(table, products), *_height_faults(table)]
    if faults:
        raise InputError(*faults)
    return table


def _with_unit(cells: Sequence[TableRow], products: Mapping[str, Product]) -> list[TableRow]:
    """Cells with their own sale unit, else that of their product, else the one of all products."""
    units = {product.unit for product in products.values()}
    common = units.pop() if len(units) == 1 else ""
    named = [
        cell if cell.unit else replace(cell, unit=sale_unit_of(cell.part or cell.product, products))
        for cell in cells
    ]
    named = [
        cell if cell.unit or cell.part or cell.product else replace(cell, unit=common)
        for cell in named
    ]
    lost = sorted({cell.part or cell.product or "any product" for cell in named if not cell.unit})
    if lost:
        msg = (
            f"volume table: {', '.join(lost)} has no sale unit; expected a column 'unit', a "
            "heading such as volume_m3, or a table [volume.products.NAME] in the project file. "
            "Add one of them"
        )
        raise InputError(msg)
    return named


def _unit_faults(table: VolumeTable, products: Mapping[str, Product]) -> list[str]:
    """Units that are none, and products whose volumes the table has in a unit that cannot turn."""
    faults = [
        f"volume table: the unit {unit!r} is no sale unit; expected one of "
        f"{', '.join(SAME_KIND)}. Correct it"
        for unit in sorted({row.unit for row in table.rows} - set(SAME_KIND))
    ]
    if faults:
        return faults
    for name in products:
        for part in table.parts_of(name):
            given, sold = table.unit_of(name, part=part), products.get(part or name)
            if given and sold is not None and np.isnan(table_factor(given, sold)):
                faults.append(_unit_fault(given, sold))
    return faults


def _unit_fault(given: str, sold: Product) -> str:
    """Sentence about a product whose volumes cannot be turned into its sale unit."""
    solid = f"State [volume.products.{sold.name}] solid, or give" if given in SOLID_M3 else "Give"
    return (
        f"volume table: the volumes of {sold.name} are in {given}, and it is sold by the "
        f"{sold.unit}; expected one unit, or a stated conversion. {solid} it rows of its own in "
        f"{sold.unit}"
    )


def _height_faults(table: VolumeTable) -> list[str]:
    """Heights of which it is not said what they are counted in."""
    units = {row.height_unit for row in table.rows if not np.isnan(row.height)}
    if not units or (len(units) == 1 and "" not in units):
        return []
    fault = (
        "volume table: it is not said what its heights are counted in; expected one heading logs, "
        "height_ft or height_m, or headings such as '2 logs' or '40 ft'. Name them"
    )
    return [fault]


def _class_width(text: str | None, unit: DiameterUnit) -> float | None:
    """Width of classes that the table names by their middle, in its own unit."""
    if text is None:
        return None
    width, given = split_quantity(text)
    if given != unit:
        msg = (
            f"[volume] table_class_width: {text!r} is not in the table's diameter unit; expected a "
            f"width in {unit}, as in '2 {unit}'"
        )
        raise UnitError(msg)
    return width


def _heading_unit(columns: pd.Index) -> DiameterUnit | None:
    """Diameter unit that a heading such as ``dbh_in`` states."""
    for base, given in map(heading_and_unit, map(str, columns)):
        if base.startswith(("d", "size", "class")):
            if given == "in":
                return "in"
            if given == "cm":
                return "cm"
    return None
