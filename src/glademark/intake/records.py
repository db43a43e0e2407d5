"""Records as they were read."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
from pyproj import CRS

from glademark.errors import FileError
from glademark.intake.formats.files import FieldFile
from glademark.intake.wording import shown

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
        Columns of the file; text, or numbers where the format knows numbers.
    record
        Line of a text file, feature number of a layer; on the index of `rows`.
    noun
        How one record is called: ``line``, ``feature``, ``waypoint``, ``track``.
    geometry
        On the index of `rows`, in the file's own coordinates; None for a table.
    unmoved
        Geometry as it was before it was carried to the working CRS, for advice; or None.
    crs
        As the file says it, or None.
    crs_by_default
        Whether `crs` is what its format means where nothing is said.
    decimal_comma
        Whether numbers may be written with a comma.
    ids
        The records' own numbers, where they are known by now; on the index of `rows`.
    spoiled
        Records that could not even be read: number and reason.
    notices
        What was noticed on opening.
    stand
        Number of the stand of each record where those of many stands are read together, else None:
        all are of one stand, 0.
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
    stand: npt.NDArray[np.intp] | None = None

    def only(self, wanted: pd.Series) -> "Reading":
        """
        The records that are wanted.

        Parameters
        ----------
        wanted
            Boolean, on the index of `rows`.

        Returns
        -------
        reading
            With the same index values.
        """
        if wanted.all():
            return self
        return replace(
            self,
            rows=self.rows[wanted],
            record=self.record[wanted],
            geometry=None if self.geometry is None else gpd.GeoSeries(self.geometry[wanted]),
            unmoved=None if self.unmoved is None else gpd.GeoSeries(self.unmoved[wanted]),
            ids=None if self.ids is None else self.ids[wanted],
            stand=None if self.stand is None else self.stand[wanted.to_numpy()],
        )

    @property
    def owner(self) -> npt.NDArray[np.intp]:
        """
        Number of the stand of every record.

        Returns
        -------
        owner
            0 where all are of one stand.
        """
        return np.zeros(len(self.rows), dtype=np.intp) if self.stand is None else self.stand

    def parts(self, wanted: pd.Series) -> Iterator[tuple[int, npt.NDArray[np.intp]]]:
        """
        Records that are wanted, by stand.

        Parameters
        ----------
        wanted
            Boolean, on the index of `rows`.

        Returns
        -------
        parts
            Number of each stand that has any, and their positions.
        """
        return by_stand(self.owner, np.flatnonzero(wanted.to_numpy()))

    def having(self, wanted: pd.Series) -> list[int]:
        """
        Stands that have records that are wanted.

        Parameters
        ----------
        wanted
            Boolean, on the index of `rows`.

        Returns
        -------
        stands
            Their numbers; 0 is the one stand of a file that is not of many.
        """
        return [int(stand) for stand in np.unique(self.owner[wanted.to_numpy()])]

    def mostly(self, wanted: pd.Series, *, more_than: float) -> list[int]:
        """
        Stands of whose records more than some share are wanted.

        Parameters
        ----------
        wanted
            Boolean, on the index of `rows`.
        more_than
            The share.

        Returns
        -------
        stands
            Their numbers; 0 is the one stand of a file that is not of many.
        """
        every = np.bincount(self.owner)
        some = np.bincount(self.owner[wanted.to_numpy()], minlength=len(every))
        return [int(stand) for stand in np.flatnonzero(some > more_than * every)]

    def text(self, header: str) -> pd.Series:
        """
        A column as text, as the records of each stand alone would give it.

        Parameters
        ----------
        header
            Of the column.

        Returns
        -------
        text
            On the index of `rows`.
        """
        column = self.rows[header]
        if self.stand is None or not pd.api.types.is_float_dtype(column):
            return text_of(column)
        broken = pd.Series(~_whole(column), index=column.index)
        some = np.zeros(int(self.stand.max(initial=-1)) + 1, dtype=bool)
        some[self.stand[broken.to_numpy()]] = True  # numbers with decimals are all written so
        written = some[self.stand]
        if written.all() or not written.any():
            return text_of(column)
        text = pd.Series("", index=column.index, dtype="str")
        for part in (written, ~written):
            text[part] = text_of(column[part])
        return text

    @property
    def shapes(self) -> gpd.GeoSeries:
        """
        Geometry of every record.

        Returns
        -------
        shapes
            On the index of the rows.

        Raises
        ------
        FileError
            If the file is a table without positions.
        """
        if self.geometry is None:
            msg = f"{self.file.name}: it holds no positions. Name a layer with geometry."
            raise FileError(msg)
        return self.geometry

    def at(self, place: int) -> str:
        """
        Where one record stands, for a message about the file.

        Parameters
        ----------
        place
            Counted from 0.

        Returns
        -------
        place
            Such as ``line 12 (8-0113)``.
        """
        own = "" if self.ids is None else str(self.ids.iloc[place])
        return f"{self.noun} {self.record.iloc[place]}" + (f" ({shown(own)})" if own else "")

    def called(self, wanted: pd.Series | None = None) -> list[str]:
        """
        Names of records for a message: their own number, else where they stand in the file.

        Parameters
        ----------
        wanted
            Boolean, on the index of `rows`; None for all.

        Returns
        -------
        names
            Not yet made fit for a terminal.
        """
        rows = np.arange(len(self.rows)) if wanted is None else np.flatnonzero(wanted.to_numpy())
        return self.called_at(rows)

    def called_at(self, places: npt.NDArray[np.intp]) -> list[str]:
        """
        Names of records for a message, as from `called`.

        Parameters
        ----------
        places
            Positions of the records.

        Returns
        -------
        names
            Not yet made fit for a terminal.
        """
        ids = [""] * len(places) if self.ids is None else list(self.ids.iloc[places])
        return [
            own or f"{self.noun} {record}"
            for own, record in zip(ids, self.record.iloc[places], strict=True)
        ]

    def place(self, wanted: pd.Series) -> str:
        """
        Where the first of some records stands, for a message about the file.

        Parameters
        ----------
        wanted
            Boolean, on the index of `rows`, at least one of them true.

        Returns
        -------
        place
            Such as ``line 12 (8-0113)``.
        """
        return self.at(int(np.argmax(wanted.to_numpy())))


def by_stand(
    stand: npt.NDArray[np.intp], places: npt.NDArray[np.intp]
) -> Iterator[tuple[int, npt.NDArray[np.intp]]]:
    """
    Some records by stand.

    Parameters
    ----------
    stand
        Number of the stand of every record.
    places
        Positions of the records wanted.

    Yields
    ------
    stand, places
        Number of each stand that has any, rising, and their positions in the order given.
    """
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
    A column as text: whole numbers without a decimal point, nothing where nothing was recorded.

    Parameters
    ----------
    column
        Of any type.

    Returns
    -------
    text
        On the same index, trimmed.

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
    """
    Some columns as text.

    Parameters
    ----------
    rows
        Columns of a file.
    names
        Those wanted.

    Returns
    -------
    text
        On the same index.
    """
    return pd.DataFrame({name: text_of(rows[name]) for name in names}, index=rows.index)


def refuse_columns(number: int, file: FieldFile) -> None:
    """Refuse a table that is wider than any that is typed: it is a grid, or was turned around."""
    if number > COLUMNS_MAX:
        msg = (
            f"{file.name}: there are {number:,} columns; expected at most {COLUMNS_MAX:,}. Export "
            "it with those that matter."
        )
        raise FileError(msg)
