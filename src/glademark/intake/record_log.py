"""Records as they were read, and what became of each: read = used + rejected."""

from collections.abc import Collection, Iterable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, field, replace
from typing import cast

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
from pyproj import CRS

from glademark.contracts.frames import STAND, no_rows
from glademark.contracts.survey import REFUSED_COLUMNS, REJECTED_COLUMNS, InputCount, Notice
from glademark.errors import FileError, InputError, counted, listed, shown
from glademark.intake.formats.files import FieldFile

COLUMNS_MAX = 1000
"""Most columns of a table."""

NEEDED = ("stand", "marks")
"""Inputs without which a stand is refused: each is given for every stand."""

_Key = tuple[str, str, str]


@dataclass(frozen=True, kw_only=True, slots=True)
class Reading:
    """Records of one file, as they stand in it."""

    file: FieldFile  # where they come from
    rows: pd.DataFrame
    """Columns of the file, of all its records; text, or numbers where the format knows numbers."""
    record: pd.Series
    """Line of a text file, feature number of a layer; its index are those of `rows` in use."""
    noun: str = "feature"  # how one record is called: line, feature, waypoint, track
    geometry: gpd.GeoSeries | None = None
    """On the index of `record`, in the file's own coordinates; None for a table."""
    unmoved: gpd.GeoSeries | None = None  # before it was carried to the working CRS, for advice
    crs: CRS | None = None  # as the file says it, or None
    crs_by_default: bool = False  # whether `crs` is what its format means where nothing is said
    decimal_comma: bool = False  # whether numbers may be written with a comma
    ids: pd.Series | None = None  # the records' own numbers, where known by now; as `record`
    spoiled: tuple[tuple[int, str], ...] = ()  # not even read: number and reason
    notices: tuple[str, ...] = ()  # what was noticed on opening
    layer: str = ""  # as the project file names it, where one file is given for several inputs
    key: npt.NDArray[np.intp] | None = None
    """Number of the stand of each record in use, rising; None where each holds for every stand."""

    def __len__(self) -> int:
        """Records in use."""
        return len(self.record)

    @property
    def index(self) -> pd.Index:
        """Index of the records in use."""
        return self.record.index

    @property
    def stand(self) -> npt.NDArray[np.intp]:
        """Number of the stand of every record in use."""
        return np.zeros(len(self.record), dtype=np.intp) if self.key is None else self.key

    @property
    def headers(self) -> list[str]:
        """Names of the columns."""
        return [str(header) for header in self.rows]

    def column(self, header: str) -> pd.Series:
        """A column, of the records in use."""
        column = self.rows[header]
        return column if len(column) == len(self.record) else column.loc[self.index]

    def only(self, wanted: pd.Series | npt.NDArray[np.bool_]) -> "Reading":
        """The records that are wanted, under the same index values."""
        wanted = np.asarray(wanted, dtype=bool)
        return self if wanted.all() else self.taken(np.flatnonzero(wanted))

    def taken(self, places: npt.NDArray[np.intp]) -> "Reading":
        """The records at some positions, under the same index values."""
        return replace(
            self,
            record=self.record.iloc[places],
            geometry=_taken(self.geometry, places),
            unmoved=_taken(self.unmoved, places),
            ids=None if self.ids is None else self.ids.iloc[places],
            key=None if self.key is None else self.key[places],
        )

    def repeated(self, places: npt.NDArray[np.intp]) -> "Reading":
        """Records at some positions, each as often as it is named, on an index of their own."""
        part = self.taken(places)
        rows = self.rows.iloc[places] if len(self.rows) == len(self) else self.rows.loc[part.index]
        rows.index = pd.RangeIndex(len(rows))
        return replace(
            part,
            rows=rows,
            record=part.record.reset_index(drop=True),
            geometry=_renumbered(part.geometry),
            unmoved=_renumbered(part.unmoved),
            ids=None if part.ids is None else part.ids.reset_index(drop=True),
        )

    def for_stands(self, stands: int) -> "Reading":
        """Records with the number of their stand; those that hold for all stand once for each."""
        if self.key is not None or stands == 1 or not len(self):
            return self
        places = np.tile(np.arange(len(self.record)), stands)
        key = np.repeat(np.arange(stands), len(self.record))
        return replace(self.repeated(places), key=key)

    def split(
        self, wanted: pd.Series | npt.NDArray[np.bool_]
    ) -> Iterator[tuple[int, npt.NDArray[np.intp]]]:
        """Number of each stand that has records that are wanted, and their positions."""
        return split_by_stand(self.stand, np.flatnonzero(np.asarray(wanted, dtype=bool)))

    def mostly(
        self, wanted: pd.Series | npt.NDArray[np.bool_], *, more_than: float
    ) -> Iterator[tuple[int, npt.NDArray[np.intp], int]]:
        """Stands of whose records more than a share are wanted: positions, and number of all."""
        every = np.bincount(self.stand)
        for stand, places in self.split(wanted):
            if len(places) > more_than * every[stand]:
                yield stand, places, int(every[stand])

    def text(self, header: str) -> pd.Series:
        """A column as text, the numbers of each stand written as those of a file of its own."""
        column = self.column(header)
        if self.key is None or not pd.api.types.is_float_dtype(column):
            return text_of(column)
        some = np.zeros(int(self.key.max(initial=-1)) + 1, dtype=bool)
        some[self.key[~_whole(column)]] = True  # numbers with decimals are all written so
        written = some[self.key]
        if written.all() or not written.any():
            return text_of(column)
        text = pd.Series("", index=column.index, dtype="str")
        for part in (written, ~written):
            text[part] = text_of(column[part])
        return text

    @property
    def shapes(self) -> gpd.GeoSeries:
        """Geometry of every record in use; `FileError` where the file is a table without any."""
        if self.geometry is None:
            msg = f"{self.file.name}: it holds no positions. Name a layer with geometry."
            raise FileError(msg)
        return self.geometry

    def at(self, place: int) -> str:
        """Where the record at a position stands, such as ``line 12 (8-0113)``."""
        own = "" if self.ids is None else str(self.ids.iloc[place])
        return f"{self.noun} {self.record.iloc[place]}" + (f" ({shown(own)})" if own else "")

    def called(self, places: npt.NDArray[np.intp]) -> list[str]:
        """Names of records for a message: their own number, else where they stand in the file."""
        ids = [""] * len(places) if self.ids is None else list(self.ids.iloc[places])
        return [
            own or f"{self.noun} {record}"
            for own, record in zip(ids, self.record.iloc[places], strict=True)
        ]


def _taken(shapes: gpd.GeoSeries | None, places: npt.NDArray[np.intp]) -> gpd.GeoSeries | None:
    """Shapes at some positions."""
    return None if shapes is None else gpd.GeoSeries(shapes.iloc[places])


def _renumbered(shapes: gpd.GeoSeries | None) -> gpd.GeoSeries | None:
    """Shapes on an index 0..n-1."""
    return None if shapes is None else gpd.GeoSeries(shapes.reset_index(drop=True))


def split_by_stand(
    stand: npt.NDArray[np.intp], places: npt.NDArray[np.intp]
) -> Iterator[tuple[int, npt.NDArray[np.intp]]]:
    """Number of each stand that has any of some positions, rising, with them in the order given."""
    if not len(places):
        return
    order = np.argsort(stand[places], kind="stable")
    places = places[order]
    ends = np.flatnonzero(np.diff(stand[places])) + 1
    for part in np.split(places, ends):
        yield int(stand[part[0]]), part


def _whole(column: pd.Series) -> npt.NDArray[np.bool_]:
    """Numbers that are written without a decimal point, blanks among them."""
    values = column.to_numpy(dtype=np.float64, na_value=np.nan)
    with np.errstate(invalid="ignore"):
        whole = (values == values.round()) & (np.abs(values) < 2**53)
    return np.asarray(np.isnan(values) | whole, dtype=bool)


def text_of(column: pd.Series) -> pd.Series:
    """
    A column as trimmed text: whole numbers without a decimal point, nothing where it is blank.

    Examples
    --------
    >>> text_of(pd.Series([12.0, None])).tolist()
    ['12', '']
    """
    if isinstance(column.dtype, pd.StringDtype):
        return column  # readers trim their text and leave none missing
    missing = column.isna()
    if pd.api.types.is_bool_dtype(column):
        text = column.map({True: "true", False: "false"})
    elif pd.api.types.is_float_dtype(column):
        whole = _whole(column).all()
        text = (column.fillna(0).astype("int64") if whole else column).astype("str")
    else:
        text = column.astype("str").str.strip()
    return text.astype("str").where(~missing, "")


def texts(rows: pd.DataFrame, names: Iterable[str]) -> pd.DataFrame:
    """Some columns as text."""
    return pd.DataFrame({name: text_of(rows[name]) for name in names}, index=rows.index)


def refuse_columns(number: int, file: FieldFile) -> None:
    """Refuse a table that is wider than any that is typed: it is a grid, or was turned around."""
    if number > COLUMNS_MAX:
        msg = (
            f"{file.name}: there are {number:,} columns; expected at most {COLUMNS_MAX:,}. Export "
            "it with those that matter."
        )
        raise FileError(msg)


@dataclass(kw_only=True, slots=True)
class _FileRecords:
    """Records of one file so far, by stand."""

    file: FieldFile
    given: npt.NDArray[np.bool_]
    read: npt.NDArray[np.intp]
    used: npt.NDArray[np.intp] = field(init=False)
    rejected: npt.NDArray[np.intp] = field(init=False)
    refused: npt.NDArray[np.bool_] = field(init=False)

    def __post_init__(self) -> None:
        """None is used or rejected yet."""
        self.used, self.rejected = np.zeros_like(self.read), np.zeros_like(self.read)
        self.refused = np.zeros(len(self.read), dtype=bool)


@dataclass(kw_only=True, slots=True)
class RecordLog:
    """What became of every record: the one thing that intake writes on as it goes."""

    stands: int = 1
    _faults: dict[Notice, None] = field(default_factory=dict)
    _notices: dict[Notice, None] = field(default_factory=dict)
    _rejected: list[pd.DataFrame] = field(default_factory=list)
    _files: dict[_Key, _FileRecords] = field(default_factory=dict)
    _outside: dict[int, list[tuple[Reading, str]]] = field(default_factory=dict)

    def open(self, reading: Reading, *, needed: Collection[str] = NEEDED) -> None:
        """Begin with a file: all its records, and those that could not even be read."""
        spoiled = reading.spoiled
        read = self._by_stand(reading) + len(spoiled)
        given = (read > 0) | (reading.file.input in needed) | (reading.key is None)
        self._files[_key(reading)] = _FileRecords(file=reading.file, read=read, given=given)
        for text in reading.notices:
            self.notice(text, of=reading)
        if spoiled:
            numbers, reasons = zip(*spoiled, strict=True)
            for stand in range(self.stands):
                rows = {"record": numbers, "reason": reasons, STAND: stand, "tree_id": ""}
                self._add(reading, pd.DataFrame(rows))
            names = listed(f"{reading.noun} {number}" for number in numbers)
            what = counted(len(spoiled), "record")
            text = f"{reading.file.name}: {what} could not be read and rejected: {names}."
            self.notice(text, of=reading)

    def _by_stand(self, reading: Reading) -> npt.NDArray[np.intp]:
        """Number of records of each stand."""
        if reading.key is None:
            return np.full(self.stands, len(reading), dtype=np.intp)
        return np.bincount(reading.stand, minlength=self.stands)

    def notice(self, text: str, *, stand: int | None = None, of: Reading | None = None) -> None:
        """One more sentence for the reader: on one stand, on all, or on those that have a file."""
        for number in [stand] if of is None else self._stands_of(of):
            self._notices[Notice(number, text)] = None

    def _stands_of(self, reading: Reading) -> list[int | None]:
        """Stands for which a file is given; None alone for all."""
        given = self._files[_key(reading)].given
        return [None] if given.all() else [*np.flatnonzero(given).tolist()]

    def fault(self, text: str, *, stand: int | None = None) -> None:
        """One more reason to refuse a stand, or all of them."""
        self._faults[Notice(stand, text)] = None

    def gathering(self, of: Reading | None = None) -> AbstractContextManager[None, bool]:
        """Faults of a file as a whole are noted, and the other inputs are still looked at."""
        return cast("AbstractContextManager[None, bool]", self._noting(of))

    @contextmanager
    def _noting(self, of: Reading | None) -> Iterator[None]:
        """As `gathering`, whose type says that it may keep an error to itself."""
        try:
            yield
        except InputError as error:
            for number in [None] if of is None else self._open_stands(of):
                for text in error.faults:
                    self.fault(text, stand=number)
            if of is not None:
                self._files[_key(of)].refused |= self._files[_key(of)].given

    def _open_stands(self, reading: Reading) -> list[int | None]:
        """Stands for which a file is given and not refused yet; None alone for all."""
        stands = self.still_to_read(reading)
        return [None] if len(stands) == self.stands else [*stands]

    def refuse(self, reading: Reading, faults: Iterable[tuple[int, str]]) -> Reading:
        """Refuse stands on account of a file, each told once, and go on with its other stands."""
        file = self._files[_key(reading)]
        before = file.refused.copy()
        for stand, text in faults:
            if not before[stand]:
                file.refused[stand] = True
                self.fault(text, stand=stand)
        if (file.refused != before).any() and not self.still_to_read(reading):
            raise InputError
        return self.left(reading)

    def refuse_outside(self, reading: Reading, faults: Iterable[tuple[int, str]]) -> Reading:
        """Refuse stands outside of which a file lies; `outside` has what is refused so."""
        told = list(faults)
        for stand, text in told:
            self._outside.setdefault(stand, []).append((reading, text))
        return self.refuse(reading, told)

    @property
    def outside(self) -> Mapping[int, list[tuple[Reading, str]]]:
        """Files that lie outside a stand, by its number, with the sentence on each."""
        return self._outside

    def blame_boundary(self, stand: int, text: str) -> None:
        """Put one sentence on the boundary in the place of those on the files outside of it."""
        gone = {Notice(stand, told) for _, told in self._outside[stand]}
        left = [fault for fault in self._faults if fault not in gone]
        self._faults = dict.fromkeys([Notice(stand, text), *left])

    def left(self, reading: Reading) -> Reading:
        """Records of the stands that are not refused on account of their file."""
        refused = self._files[_key(reading)].refused
        return reading.only(~refused[reading.stand]) if refused.any() else reading

    def refused_by(self, readings: Iterable[Reading]) -> npt.NDArray[np.bool_]:
        """Which stands are refused on account of any of some files, by number."""
        refused = np.zeros(self.stands, dtype=bool)
        for reading in readings:
            refused |= self._files[_key(reading)].refused
        return refused

    def still_to_read(self, reading: Reading) -> list[int]:
        """Stands for which a file is given and which were not refused on its account."""
        file = self._files[_key(reading)]
        return np.flatnonzero(file.given & ~file.refused).tolist()

    def split_records(self, reading: Reading, more: npt.NDArray[np.intp]) -> None:
        """Note how many records more a file has, by stand, since records of it were split."""
        self._files[_key(reading)].read += more

    def reject(
        self,
        reading: Reading,
        bad: pd.Series | npt.NDArray[np.bool_],
        *,
        reason: str | pd.Series,
        what: str,
    ) -> Reading:
        """
        Take records out, with the reason, and say in one notice a stand ``what`` they are.

        `bad` is on the records in use; `reason` is one for all, or on their index.
        """
        bad = np.asarray(bad, dtype=bool)
        if not bad.any():
            return reading
        out = reading.only(bad)
        rows = {
            "record": out.record.to_numpy(),
            "reason": reason if isinstance(reason, str) else reason[out.index].to_numpy(),
            STAND: out.stand,
            "tree_id": "" if out.ids is None else out.ids.to_numpy(),
        }
        self._add(reading, pd.DataFrame(rows))
        for stand, places in split_by_stand(reading.stand, np.flatnonzero(bad)):
            number, names = counted(len(places), "record"), listed(reading.called(places))
            self.notice(f"{reading.file.name}: {number} rejected, {what}: {names}.", stand=stand)
        return reading.only(~bad)

    def _add(self, reading: Reading, rows: pd.DataFrame) -> None:
        """Enter records as rejected."""
        file = self._files[_key(reading)]
        file.rejected += np.bincount(rows[STAND], minlength=self.stands)
        self._rejected.append(rows.assign(input=reading.file.input, file=reading.file.name))

    def use(self, reading: Reading) -> None:
        """Close a file, what is left of which is used; `RuntimeError` if records were lost."""
        file = self._files[_key(reading)]
        file.used += self._by_stand(reading)
        lost = (file.read != file.used + file.rejected) & ~file.refused
        lost[self.refused] = False
        if lost.any():
            at = int(np.argmax(lost))
            msg = (
                f"{file.file.name}: {file.read[at]} records read, but {file.used[at]} used and "
                f"{file.rejected[at]} rejected. This is a fault of the program; please report it."
            )
            raise RuntimeError(msg)

    def use_whole(self, file: FieldFile) -> None:
        """Enter a file that is used as a whole, as a raster is: it counts as one record."""
        one = np.ones(self.stands, dtype=np.intp)
        entry = _FileRecords(file=file, read=one, given=one > 0)
        entry.used = one
        self._files[file.input, str(file.path), ""] = entry

    @property
    def refused(self) -> list[int]:
        """Numbers of the stands that cannot be used."""
        if any(fault.stand is None for fault in self._faults):
            return list(range(self.stands))
        return sorted({fault.stand for fault in self._faults if fault.stand is not None})

    def faults_of(self, stand: int) -> tuple[str, ...]:
        """Why a stand is refused, each reason once."""
        mine = (fault.text for fault in self._faults if fault.stand in {stand, None})
        return tuple(dict.fromkeys(mine))

    def refused_stands(self, number: Mapping[int, int], names: tuple[str, ...]) -> pd.DataFrame:
        """Columns `REFUSED_COLUMNS`: a row a fault, the stands under their new numbers."""
        rows = [
            (number[stand], names[stand], text)
            for stand in self.refused
            for text in self.faults_of(stand)
        ]
        if not rows:
            return no_rows(REFUSED_COLUMNS, {STAND: "int64"})
        return pd.DataFrame(rows, columns=list(REFUSED_COLUMNS))

    def notices(self, number: Mapping[int, int]) -> tuple[Notice, ...]:
        """All notices in the order in which they came up, on the stands that have a new number."""
        everywhere = 0 if self.stands == 1 else None
        found = (
            Notice(everywhere if stand is None else number[stand], text)
            for stand, text in self._notices
            if (stand is None or stand in number)
            and (stand is None or Notice(None, text) not in self._notices)
        )
        return tuple(dict.fromkeys(found))

    def rejected_records(self, number: Mapping[int, int]) -> pd.DataFrame:
        """All records rejected: by stand, by input and file in the order read, then by record."""
        columns = (*REJECTED_COLUMNS, STAND)
        if not self._rejected:
            return no_rows(columns, {"record": "int64", STAND: "int64"})
        rows = pd.concat(self._rejected, ignore_index=True)[list(columns)]
        rows[STAND] = rows[STAND].map(dict(number))
        rows = rows[rows[STAND].notna()].astype({STAND: "int64"})
        files = {one.file.name: place for place, one in enumerate(self._files.values())}
        order = np.lexsort((rows["record"], rows["file"].map(files), rows[STAND]))
        return rows.iloc[order].reset_index(drop=True)

    def counts(self, number: Mapping[int, int]) -> tuple[InputCount, ...]:
        """Records of each file and stand, stand by stand, files in the order read."""
        return tuple(
            InputCount(
                input=one.file.input,
                file=one.file.name,
                sha256=one.file.sha256,
                read=int(one.read[stand]),
                used=int(one.used[stand]),
                rejected=int(one.rejected[stand]),
                stand=new,
            )
            for stand, new in number.items()
            for one in self._files.values()
            if one.given[stand]
        )


def _key(reading: Reading) -> _Key:
    """Input, file and layer of a reading."""
    return reading.file.input, str(reading.file.path), reading.layer


def refuse_if_none_left(reading: Reading, log: RecordLog, text: str) -> Reading:
    """Refuse the stands for which a file is given and none of whose records is left."""
    lost = set(log.still_to_read(reading)) - set(reading.stand.tolist())
    return log.refuse(reading, ((stand, text) for stand in sorted(lost)))
