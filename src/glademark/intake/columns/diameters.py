"""Diameters as recorded: their unit, said somewhere or asked for, and whether they can be true."""

from typing import cast

import numpy as np
import pandas as pd

from glademark.contracts.frames import STAND
from glademark.errors import FileError
from glademark.intake.columns.cells import each_word, translated
from glademark.intake.columns.fields import Fields
from glademark.intake.columns.match import words
from glademark.intake.columns.meanings import LENGTHS
from glademark.intake.record_log import RecordLog
from glademark.intake.records import Reading
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


def diameters(fields: Fields, *, unit: str | None) -> tuple[dict[str, pd.Series], pd.Series]:
    """
    Diameters with the unit in which they were recorded, and why a record cannot be used.

    The unit is the cell's own, else the header's, else that of a column of units, else the one
    that is handed over. Columns are `dbh_cm`, `dbh`, `dbh_unit` (``in`` or ``cm``), NaN and nothing
    where blank or bad; the reason is empty where a record can be used. Stands with diameters whose
    unit nothing says are refused.
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
    columns = {
        "dbh_cm": cm.where(sound),
        "dbh": (values * to_kept).where(sound),
        "dbh_unit": kept.where(sound, ""),
    }
    return columns, reason


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


def note_doubtful(marks: pd.DataFrame, log: RecordLog) -> None:
    """Say so where medians of `dbh_cm` of cut trees suggest a wrong unit without proving it."""
    known = ((marks["kind"] == "cut") & marks["dbh_cm"].notna()).to_numpy()
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
