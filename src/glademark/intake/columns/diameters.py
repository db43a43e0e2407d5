"""Diameters as recorded: their unit, said somewhere or asked for, and whether they can be true."""

import numpy as np
import numpy.typing as npt
import pandas as pd

from glademark.errors import FileError
from glademark.intake.columns.cells import each_word, translated
from glademark.intake.columns.fields import Fields
from glademark.intake.columns.match import words
from glademark.intake.columns.meanings import LENGTHS
from glademark.intake.record_log import Ledger
from glademark.intake.records import by_stand
from glademark.intake.wording import quoted, shown
from glademark.project.model import MarkSettings
from glademark.units import INCH_CM

DBH_MAX_CM = 300.0
"""Thicker than any tree that is marked for a harvest [cm]; a larger figure is a slip of the pen."""

MEDIAN_MIN_CM, MEDIAN_MAX_CM = 4.0, 150.0
"""Between these lies the median of any marking [cm]; outside, the unit is wrong."""

DOUBTFUL_MIN_CM, DOUBTFUL_MAX_CM = 13.0, 75.0
"""Between these lies the median of most markings [cm]; outside, the unit is worth a look: 12 in
read as 12 cm and 30 cm read as 30 in fall just outside."""

DOUBTFUL_RATIO = (2.2, 2.9)
"""Ratio of the medians of two files that suggests inches in one and centimetres in the other."""

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


def diameters(fields: Fields, *, unit: str | None) -> tuple[pd.DataFrame, pd.Series]:
    """
    Diameters with the unit in which they were recorded.

    The unit is the cell's own, else the header's, else that of a column of units, else the one
    that is handed over.

    Parameters
    ----------
    fields
        Records with or without a column of diameters.
    unit
        From the project file.

    Returns
    -------
    frame
        `dbh_cm`, `dbh`, `dbh_unit` (``in`` or ``cm``); NaN and nothing where blank or bad.
    reason
        Why a record cannot be used; empty where it can.

    Raises
    ------
    FileError
        If there are diameters and nothing says their unit.
    """
    values, units, bad = fields.quantities("dbh")
    if fields.has("dbh_unit"):
        own = translated(each_word(fields.cells("dbh_unit"), str.casefold), LENGTHS)
        units = units.where(units != "", own)
    units = units.where(units != "", unit or "")
    _refuse_without_unit(fields, values.notna() & (units == ""))
    codes, different = pd.factorize(units)  # units are few
    factors = np.array([_FACTORS.get(unit, _NO_UNIT) for unit in different], dtype=np.float64)
    to_cm, to_kept = factors.reshape(-1, 2)[codes].T
    cm = values * to_cm
    wrong = bad | (units == "pct")
    impossible = ~wrong & ((cm <= 0) | (cm > DBH_MAX_CM))
    reason = pd.Series("", index=values.index, dtype="str")
    if (wrong | impossible).any():
        cells = '"' + fields.cells("dbh").map(shown) + '"'
        reason[wrong] = (
            "diameter is " + cells[wrong] + ", not a number; correct the cell or leave it empty"
        )
        reason[impossible] = (
            "diameter is "
            + cells[impossible]
            + f"; expected more than 0 and at most {DBH_MAX_CM:.0f} cm; "
            "correct the cell or leave it empty"
        )
    kept = translated(units, {unit: kind for unit, (kind, _) in _KEPT.items()})
    sound = values.notna() & (reason == "")
    frame = pd.DataFrame(
        {
            "dbh_cm": cm.where(sound),
            "dbh": (values * to_kept).where(sound),
            "dbh_unit": kept.where(sound, ""),
        }
    )
    return frame, reason


def _refuse_without_unit(fields: Fields, unsaid: pd.Series) -> None:
    """Inches taken for centimetres would make a sixth of the basal area: never guessed."""
    if unsaid.any():
        stands = fields.reading.having(unsaid)
        header = shown(fields.found.header["dbh"])
        msg = (
            f"{fields.reading.file.name}: the diameters in '{header}' have no unit. Say it in the "
            f"header, as in {quoted([f'{header}_in', f'{header}_cm'])}, or in the project file as "
            "[marks] dbh_unit."
        )
        raise FileError(msg, stands=stands)


def refuse_wrong_place(fields: Fields, settings: MarkSettings) -> None:
    """
    Refuse stump diameters where the project says breast height: the two are never mixed.

    Parameters
    ----------
    fields
        Records with or without a column of diameters.
    settings
        What the project says.

    Raises
    ------
    FileError
        If header and project differ.
    """
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


def refuse_implausible(
    cut_cm: pd.Series, *, file: str, stand: npt.NDArray[np.intp] | None = None
) -> None:
    """
    Refuse marks whose median diameter no forest has: the unit is wrong.

    Parameters
    ----------
    cut_cm
        Diameters of cut trees [cm], NaN where unknown.
    file
        Where they come from.
    stand
        Number of the stand of each; None where all are of one.

    Raises
    ------
    FileError
        If the median is below 4 cm or above 150 cm.
    """
    known = cut_cm.notna().to_numpy()
    owner = (np.zeros(len(cut_cm), dtype=np.intp) if stand is None else stand)[known]
    medians = cut_cm[known].groupby(owner).median()  # one a stand
    wrong = medians[(medians < MEDIAN_MIN_CM) | (medians > MEDIAN_MAX_CM)]
    if len(wrong):
        median = float(wrong.iloc[0])
        msg = (
            f"{file}: the median diameter is {median:.1f} cm ({median / INCH_CM:.1f} in), which no "
            "marked stand has. The unit is probably wrong; correct the header or [marks] dbh_unit."
        )
        raise FileError(msg, stands=wrong.index.tolist())


def note_doubtful(marks: pd.DataFrame, ledger: Ledger) -> None:
    """
    Say so where medians of diameters suggest a wrong unit without proving it.

    Parameters
    ----------
    marks
        Of all files: `kind`, `dbh_cm`, `source_file`, and the stand's number as `_stand`.
    ledger
        For the notices.
    """
    known = marks[(marks["kind"] == "cut") & marks["dbh_cm"].notna()]
    every = known.groupby(["_stand", "source_file"], sort=False)["dbh_cm"].median().reset_index()
    cm = every["dbh_cm"]
    for stand, file, median in every[(cm < DOUBTFUL_MIN_CM) | (cm > DOUBTFUL_MAX_CM)].itertuples(
        index=False
    ):
        ledger.notice(
            f"{file}: the median diameter is {median:.1f} cm ({median / INCH_CM:.1f} in), which "
            "is unusual for a marked stand. Check that the unit is the one that was recorded.",
            stand=stand,
        )
    stands = every["_stand"].to_numpy()
    for stand, places in by_stand(stands, np.flatnonzero(every["_stand"].duplicated(keep=False))):
        _note_doubtful_ratio(every.iloc[places].set_index("source_file")["dbh_cm"], stand, ledger)


def _note_doubtful_ratio(median: pd.Series, stand: int, ledger: Ledger) -> None:
    """Say so where the medians of two files of a stand look like inches and centimetres."""
    ratio = median.max() / median.min()
    if DOUBTFUL_RATIO[0] <= ratio <= DOUBTFUL_RATIO[1]:
        ledger.notice(
            f"{median.idxmax()}: the median diameter is {ratio:.1f} times "
            f"that of {median.idxmin()}, as if one were in inches and the other in centimetres. "
            "Check the units of both.",
            stand=stand,
        )
