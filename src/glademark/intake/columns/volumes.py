"""What was recorded of a tree's wood: product, volume with its unit, defect and cull."""

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from glademark.forestry import SpeciesNames, nearest_species, product_key
from glademark.intake.columns.fields import Fields, each_word, translated, yes_or_no
from glademark.project.model import ProductSettings
from glademark.units import unit_name
from glademark.wording import NAMED_MAX, counted, listed, quoted, shown

_UNITS = frozenset({"board foot", "MBF", "cord", "m3", "ft3", "green ton"})
_CULL = "cull"


def wood(
    fields: Fields, products: Mapping[str, ProductSettings]
) -> tuple[dict[str, pd.Series], pd.Series]:
    """
    Product, volume, defect and cull of each record, and why a record cannot be used.

    Columns are `product` (see `products_in`), `volume`, `volume_unit`,
    `defect_share` (0 to 1) and `cull`. Stands with a volume or defect without a unit are refused.
    """
    product = products_in(fields, products)
    volume, unit, bad_volume = _volumes(fields, product, products)
    defect, bad_defect = shares(fields, "defect")
    cull, bad_cull = _culls(fields)
    reason = pd.Series("", index=product.index, dtype="str")
    for name, bad, expected in (
        ("cull", bad_cull, "yes or no"),
        ("defect", bad_defect, "0 to 100 %"),
        ("volume", bad_volume, "a number from 0"),
    ):
        if bad.any():
            cells = fields.cells(name)[bad].map(shown)
            reason[bad] = (
                f'{name} is "'
                + cells
                + f'"; expected {expected}; correct the cell or leave it empty'
            )
    columns = {
        "product": product,
        "volume": volume,
        "volume_unit": unit,
        "defect_share": defect,
        "cull": cull | (product == _CULL),
    }
    return columns, reason


def _folded(name: str) -> str:
    """A product's name without case, signs and the plural."""
    return "".join(letter for letter in name.casefold() if letter.isalnum()).rstrip("s")


def products_in(fields: Fields, products: Mapping[str, ProductSettings]) -> pd.Series:
    """Products by the project's name where it lists them, else in lower case."""
    cells = fields.cells("product")
    known = {_folded(name): name for name in products}
    words = cells[cells != ""].unique()
    unknown = [word for word in words if _folded(word) not in {*known, _CULL}]
    if products and unknown:
        for stand, places in fields.reading.split(cells.isin(unknown)):
            fields.log.notice(
                f"{fields.reading.file.name}: {counted(len(places), 'record')} of products that "
                f"[volume.products] does not list: {listed(cells.iloc[places].unique())}.",
                stand=stand,
            )
    return each_word(cells, lambda word: known.get(_folded(word), product_key(word)))


def _volumes(
    fields: Fields, product: pd.Series, products: Mapping[str, ProductSettings]
) -> tuple[pd.Series, pd.Series, pd.Series]:
    """Recorded volume, its unit, and which are no volume."""
    values, bad = fields.numbers("volume")
    bad = bad | (values < 0)
    units = pd.Series(fields.found.unit.get("volume", ""), index=values.index, dtype="str")
    if not fields.has("volume"):
        return values, units, bad
    own = fields.cells("volume_unit")
    spelled = {word: unit_name(word) for word in own.unique()}
    own = translated(own, {word: unit for word, unit in spelled.items() if unit in _UNITS})
    units = units.where(units != "", own)
    of_product = translated(product, {name: one.unit for name, one in products.items()})
    units = units.where(units != "", of_product)
    unsaid = values.notna() & (units == "")
    header = shown(fields.found.header["volume"])
    faults = (
        (
            stand,
            (
                f"{fields.reading.file.name}: the volumes in '{header}' have no unit for "
                f"{counted(len(places), 'record')} ({listed(fields.reading.called(places))}). "
                f"Say it in the header, as in {quoted(['volume_bf', 'volume_m3'])}, or give the "
                "product's unit under [volume.products]."
            ),
        )
        for stand, places in fields.reading.split(unsaid)
    )
    fields.log.refuse(fields.reading, faults)
    return values.where(~bad), units.where(values.notna() & ~bad, ""), bad


def shares(
    fields: Fields, name: str, *, bare_is_share: bool = False
) -> tuple[pd.Series, pd.Series]:
    """Shares from 0 to 1, and which are none; figures above 1 without a unit are per cent."""
    values, units, bad = fields.quantities(name)
    some = (units == "") & (values > 0)
    header = shown(fields.found.header.get(name, ""))
    if bare_is_share:
        percent = np.isin(fields.reading.stand, fields.reading.stand[(values > 1).to_numpy()])
        units = units.mask(some & ~percent, "share")
        some &= False
    text = (
        f"{fields.reading.file.name}: '{header}' may be per cent or a share: no figure is "
        f"above 1. Call it {quoted([f'{name}_pct', f'{name}_share'])} as fits."
    )
    faults = (
        (stand, text)
        for stand, places in fields.reading.split(some)
        if (values.iloc[places] <= 1).all()
    )
    fields.log.refuse(fields.reading, faults)
    share = values.where(units == "share", values / 100)
    bad = bad | ~units.isin(["", "pct", "share"]) | (share < 0) | (share > 1)
    return share.where(~bad), bad


def _culls(fields: Fields) -> tuple[pd.Series, pd.Series]:
    """Whether the tree has no volume to sell, and which cells are neither yes nor no."""
    if not fields.has("cull"):
        index = fields.reading.index
        nothing = pd.Series(np.zeros(len(index), dtype=bool), index=index)
        return nothing, nothing
    return yes_or_no(fields.cells("cull"))


LOGS = "logs"
"""Column of trees that is there only where a file counts the logs of its trees."""

LOGS_MAX = 10.0
"""No tree has more 16-ft logs."""


def logs_of(fields: Fields) -> dict[str, pd.Series]:
    """`LOGS` where the file counts them; impossible ones are blank."""
    if not fields.has(LOGS):
        return {}
    values, bad = fields.numbers(LOGS)
    bad = bad | (values < 0) | (values > LOGS_MAX)
    fields.log.notice(
        f"{fields.reading.file.name}: '{shown(fields.found.header[LOGS])}' is read as the number "
        "of 16-ft logs.",
        of=fields.reading,
    )
    for stand, places in fields.reading.split(bad):
        names = listed(fields.reading.called(places))
        fields.log.notice(
            f"{fields.reading.file.name}: the logs of {counted(len(places), 'record')} are no "
            f"number from 0 to {LOGS_MAX:g} and are taken as not counted: {names}.",
            stand=stand,
        )
    return {LOGS: values.where(~bad & (values > 0)).astype(float)}


def note_unknown_species(fields: Fields, names: SpeciesNames) -> None:
    """One notice about species that neither the project nor the package knows."""
    cells = fields.cells("species")
    unknown = ~names.known(cells.to_numpy(dtype=object))
    for stand, places in fields.reading.split(unknown):
        counts = cells.iloc[places].value_counts(sort=False)
        here = [(str(name), int(number)) for name, number in counts.items()]
        fields.log.notice(unknown_species(fields.reading.file.name, here), stand=stand)


def unknown_species(file: str, species: Sequence[tuple[str, int]]) -> str:
    """Sentence about species of a file that are not known, each with its nearest names."""
    told = "; ".join(_with_nearest(name) for name, _ in species[:NAMED_MAX])
    more = len(species) - NAMED_MAX
    return (
        f"{file}: {counted(sum(number for _, number in species), 'record')} of species that are "
        f"not known: {told}{f'; and {more:,} more' if more > 0 else ''}. They are kept as "
        "written, without volume or crown width from published equations."
    )


def _with_nearest(name: str) -> str:
    """A name with what it may have been meant for."""
    near = nearest_species(name, count=2)
    return f"'{shown(name)}'" + (f" (nearest: {', '.join(near)})" if near else "")
