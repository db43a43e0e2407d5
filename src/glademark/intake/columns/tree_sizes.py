"""
What was recorded of a tree's size: its diameter, product, volume, defect and cull.

Units are said somewhere or asked for, and what cannot be true is flagged.
"""

from collections.abc import Mapping, Sequence
from typing import cast

import numpy as np
import numpy.typing as npt
import pandas as pd

from glademark.contracts.frames import STAND
from glademark.contracts.survey import DBH_FLAGS
from glademark.errors import NAMED_MAX, FileError, counted, listed, quoted, shown
from glademark.forestry import SpeciesNames, nearest_species, product_key
from glademark.intake.columns.fields import Fields, each_word, translated, words, yes_or_no
from glademark.intake.columns.meanings import LENGTHS
from glademark.intake.record_log import Reading, RecordLog, split_by_stand
from glademark.project.model import MarkSettings, ProductSettings
from glademark.units import INCH_CM, unit_name

DBH_MAX_CM = 300.0
"""Thicker than any tree that is marked for a harvest [cm]; a larger figure is a slip of the pen."""

MEDIAN_MIN_CM, MEDIAN_MAX_CM = 4.0, 150.0
"""Between these lies the median of any marking [cm]; outside, the unit is wrong."""

DOUBTFUL_MIN_CM, DOUBTFUL_MAX_CM = 13.0, 75.0
"""Between these lies the median of most markings [cm]; outside, the unit is worth a look: 12 in
read as 12 cm and 30 cm read as 30 in fall just outside."""

DOUBTFUL_RATIO = (2.2, 2.9)
"""Ratio of the medians of two files that suggests inches in one and centimetres in the other."""

FENCE = 1.5
"""Tukey's fences lie this many interquartile ranges beyond the quartiles."""

FEWEST_OF_A_DISTRIBUTION = 10
"""Fewer diameters than this make no distribution that one could be outside of."""

PERHAPS_CUT = ("cut", "unconfirmed")
"""Kinds whose diameters are those of the harvest, once all are confirmed."""

_TO_CM = {"in": INCH_CM, "cm": 1.0, "mm": 0.1, "m": 100.0, "ft": 12 * INCH_CM}
_KEPT = {
    "in": ("in", 1.0),
    "cm": ("cm", 1.0),
    "mm": ("cm", 0.1),
    "m": ("cm", 100.0),
    "ft": ("in", 12.0),
}
_FACTORS = {unit: (_TO_CM[unit], factor) for unit, (_, factor) in _KEPT.items()}
_NO_UNIT = (np.nan, np.nan)
_STUMP_HEADERS = frozenset({"dsh", "stumpdiameter", "stumpdiam", "diameterstump"})


def diameters(fields: Fields, *, unit: str | None) -> dict[str, pd.Series]:
    """
    Diameters with the unit in which they were recorded, and a flag where there is something wrong.

    The unit is the cell's own, else the header's, else that of a column of units, else the one
    that is handed over. Columns are `dbh_cm`, `dbh`, `dbh_unit` (``in`` or ``cm``), NaN and nothing
    where blank or bad, and `dbh_flag`, one of `DBH_FLAGS` or nothing. Stands with diameters whose
    unit nothing says are refused.
    """
    values, own, bad = fields.cell_quantities("dbh")
    column = pd.Series(fields.found.unit.get("dbh", ""), index=values.index, dtype="str")
    if fields.has("dbh_unit"):
        said = translated(each_word(fields.cells("dbh_unit"), str.casefold), LENGTHS)
        column = column.where(column != "", said)
    column = column.where(column != "", unit or "")
    units = own.where(own != "", column)
    _refuse_without_unit(fields, values.notna() & (units == ""))
    codes, different = pd.factorize(units)  # units are few
    factors = np.array([_FACTORS.get(unit, _NO_UNIT) for unit in different], dtype=np.float64)
    to_cm, to_kept = factors.reshape(-1, 2)[codes].T
    cm = values * to_cm
    wrong = bad | (units == "pct")
    impossible = ~wrong & ((cm <= 0) | (cm > DBH_MAX_CM))
    differs = (own != "") & (column != "") & (own != column) & ~wrong & ~impossible
    kept = translated(units, {unit: kind for unit, (kind, _) in _KEPT.items()})
    sound = values.notna() & ~wrong & ~impossible
    flags = np.select([wrong, impossible, differs], DBH_FLAGS[:2] + DBH_FLAGS[3:], "")
    return {
        "dbh_cm": cm.where(sound),
        "dbh": (values * to_kept).where(sound),
        "dbh_unit": kept.where(sound, ""),
        "dbh_flag": pd.Series(flags, index=values.index, dtype="str"),
    }


def note_flagged(fields: Fields, flag: pd.Series, *, noun: str) -> None:
    """Say which trees are kept without their diameter, and in which cells a unit stands alone."""
    name, cells = fields.reading.file.name, fields.cells("dbh")
    for what, kept in (
        (flag.isin(DBH_FLAGS[:2]), "cannot be used; counted without a diameter"),
        (flag == "unit_in_cell", "has another unit than the column, and the cell's is taken"),
    ):
        for stand, places in fields.reading.split(what):
            trees = zip(fields.reading.called(places), cells.iloc[places], strict=True)
            told = listed(f'{tree} "{shown(cell)}"' for tree, cell in trees)
            fields.log.notice(
                f"{name}: the diameter of {counted(len(places), noun)} {kept}: {told}.",
                stand=stand,
            )


def _refuse_without_unit(fields: Fields, unsaid: pd.Series) -> None:
    """Inches taken for centimetres would make a sixth of the basal area: never guessed."""
    if unsaid.any():
        header = shown(fields.found.header["dbh"])
        text = (
            f"{fields.reading.file.name}: the diameters in '{header}' have no unit. Say it in the "
            f"header, as in {quoted([f'{header}_in', f'{header}_cm'])}, or in the project file as "
            "[marks] dbh_unit."
        )
        fields.refuse(unsaid, text)


def refuse_wrong_place(fields: Fields, settings: MarkSettings) -> None:
    """Refuse stump diameters where the project says breast height: the two are never mixed."""
    header = fields.found.header.get("dbh", "")
    plain = "".join(words(header))
    stump = any(plain.startswith(name) for name in _STUMP_HEADERS)
    if stump and settings.diameter_at == "breast":
        msg = (
            f"{fields.reading.file.name}: '{shown(header)}' is a stump diameter, and the project "
            'says breast height. Set [marks] diameter_at = "stump", or give diameters at breast '
            "height."
        )
        raise FileError(msg)


def refuse_implausible(cut_cm: pd.Series, reading: Reading, log: RecordLog) -> Reading:
    """Refuse stands with a median diameter [cm] of cut trees that no forest has: a wrong unit."""
    known = cut_cm.notna().to_numpy()
    medians = cut_cm[known].groupby(reading.stand[known]).median()  # one a stand
    wrong = medians[(medians < MEDIAN_MIN_CM) | (medians > MEDIAN_MAX_CM)]
    faults = (
        (
            int(stand),
            (
                f"{reading.file.name}: the median diameter is {median:.1f} cm "
                f"({median / INCH_CM:.1f} in), which no marked stand has. The unit is probably "
                "wrong; correct the header or [marks] dbh_unit."
            ),
        )
        for stand, median in zip(wrong.index.tolist(), wrong.tolist(), strict=True)
    )
    return log.refuse(reading, faults)


def _without_first_digit(numbers: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Logarithm of the share of each number that is left without its first digit."""
    rest = np.mod(numbers, 10.0 ** np.floor(np.log10(numbers)))
    with np.errstate(divide="ignore"):
        return np.log(rest / numbers)


def flag_doubtful(marks: pd.DataFrame, log: RecordLog) -> pd.Series:
    """
    `dbh_flag` with doubtful diameters flagged, stand by stand, and named in a notice.

    Doubtful is a diameter outside Tukey's fences (1977, Exploratory Data Analysis, 2D) of the
    logarithms of the stand's diameters that would fall among the central 90 % of them if it were
    10 or 2.54 times as large or as small, or without its first digit: 151 beside 51.
    """
    known = marks["dbh_cm"].notna().to_numpy()
    size = np.log(marks["dbh_cm"].to_numpy(dtype=float)[known])
    stand = marks[STAND].to_numpy()[known]
    by_stand = pd.Series(size).groupby(stand)
    first, third = (by_stand.quantile(share)[stand].to_numpy() for share in (0.25, 0.75))
    fence = FENCE * (third - first)
    beyond = (size < first - fence) | (size > third + fence)
    beyond &= by_stand.transform("size").to_numpy() >= FEWEST_OF_A_DISTRIBUTION
    usual = pd.Series(size[~beyond]).groupby(stand[~beyond])
    low, high = (usual.quantile(share)[stand].to_numpy() for share in (0.05, 0.95))
    moved = np.column_stack(
        [
            size[:, None] + np.log([10.0, 0.1, INCH_CM, 1 / INCH_CM]),
            size + _without_first_digit(marks["dbh"].to_numpy(dtype=float)[known]),
        ]
    )
    fits = ((moved >= low[:, None]) & (moved <= high[:, None])).any(axis=1)
    rows = np.flatnonzero(known)[beyond & fits]
    for number, places in split_by_stand(marks[STAND].to_numpy(), rows):
        told = zip(marks["tree_id"].iloc[places], marks["dbh"].iloc[places], strict=True)
        units = marks["dbh_unit"].iloc[places]
        names = listed(
            f"{tree} {dbh:g} {unit}" for (tree, dbh), unit in zip(told, units, strict=True)
        )
        log.notice(
            f"{counted(len(places), 'diameter')} far from the others of the stand, as if a "
            f"decimal point or the unit were wrong; kept as recorded, and to be checked: {names}.",
            stand=number,
        )
    flags = marks["dbh_flag"].copy()
    flags.iloc[rows] = "doubtful"
    return flags


def note_doubtful(marks: pd.DataFrame, log: RecordLog) -> None:
    """Say so where medians of `dbh_cm` of cut trees suggest a wrong unit without proving it."""
    known = (marks["kind"].isin(PERHAPS_CUT) & marks["dbh_cm"].notna()).to_numpy()
    keys = [marks[name][known] for name in (STAND, "source_file")]
    every = marks["dbh_cm"][known].groupby(keys, sort=False).median().reset_index()
    for key, medians in every.groupby(STAND):
        stand = int(cast("int", key))
        for file, median in zip(medians["source_file"], medians["dbh_cm"], strict=True):
            if not DOUBTFUL_MIN_CM <= median <= DOUBTFUL_MAX_CM:
                log.notice(
                    f"{file}: the median diameter is {median:.1f} cm ({median / INCH_CM:.1f} in), "
                    "which is unusual for a marked stand. Check that the unit is the one that was "
                    "recorded.",
                    stand=stand,
                )
        if len(medians) > 1:
            _note_doubtful_ratio(medians.set_index("source_file")["dbh_cm"], stand, log)


def _note_doubtful_ratio(median: pd.Series, stand: int, log: RecordLog) -> None:
    """Say so where the medians of two files of a stand look like inches and centimetres."""
    ratio = median.max() / median.min()
    if DOUBTFUL_RATIO[0] <= ratio <= DOUBTFUL_RATIO[1]:
        log.notice(
            f"{median.idxmax()}: the median diameter is {ratio:.1f} times "
            f"that of {median.idxmin()}, as if one were in inches and the other in centimetres. "
            "Check the units of both.",
            stand=stand,
        )


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
