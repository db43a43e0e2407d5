"""Records as they were read."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
from pyproj import CRS

from glademark.errors import FileError, shown
from glademark.intake.formats.files import FieldFile

COLUMNS_MAX = 1000
"""Most columns of a table."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Reading:
    """
    Records of one file, as they stand in it.

    Attributes
    ----------
    file
        Where they come from.
    rows
        Columns of the file, of all its records; text, or numbers where the format knows numbers.
    record
        Line of a text file, feature number of a layer; its index are those of `rows` in use.
    noun
        How one record is called: ``line``, ``feature``, ``waypoint``, ``track``.
    geometry
        On the index of `record`, in the file's own coordinates; None for a table.
    unmoved
        Geometry as it was before it was carried to the working CRS, for advice; or None.
    crs
        As the file says it, or None.
    crs_by_default
        Whether `crs` is what its format means where nothing is said.
    decimal_comma
        Whether numbers may be written with a comma.
    ids
        The records' own numbers, where they are known by now; on the index of `record`.
    spoiled
        Records that could not even be read: number and reason.
    notices
        What was noticed on opening.
    layer
        As the project file names it, where one file is given for several inputs.
    key
        Number of the stand of each record in use, rising; None where each holds for every stand.
    """

    file: FieldFile
    rows: pd.DataFrame
    record: pd.Series
    noun: str = "feature"
    geometry: gpd.GeoSeries | None = None
    unmoved: gpd.GeoSeries | None = None
    crs: CRS | None = None
    crs_by_default: bool = False
    decimal_comma: bool = False
    ids: pd.Series | None = None
    spoiled: tuple[tuple[int, str], ...] = ()
    notices: tuple[str, ...] = ()
    layer: str = ""
    key: npt.NDArray[np.intp] | None = None

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
        whole = column.dropna()
        if (
            np.isfinite(whole).all()
            and (whole == whole.round()).all()
            and (whole.abs() < 2**53).all()
        ):
            text = column.fillna(0).astype("int64").astype("str")
        else:
            text = column.astype("str")
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
