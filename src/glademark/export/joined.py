"""The same layer of several stands as one: put one under the other, then made ready for writing."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

import geopandas as gpd
import numpy as np
import pandas as pd

from glademark.contracts.layers import Column, Kind, Units
from glademark.contracts.result_tables import STAND_ID
from glademark.export.geopackage import Table, table_of

_TYPES: Mapping[Kind, str] = MappingProxyType(
    {"text": "string", "integer": "Int64", "real": "float64", "flag": "boolean"}
)
_Likeness = tuple[bool, tuple[object, ...], tuple[object, ...]]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Part:
    """
    A layer of several stands whose columns and types are alike, ready for writing.

    Attributes
    ----------
    places
        Of the stands among all stands.
    stands
        Their names.
    lengths
        Rows of each.
    table
        One stand after the other.
    """

    places: list[int]
    stands: list[str]
    lengths: list[int]
    table: Table


def alike(stands: Sequence[tuple[int, str, pd.DataFrame]], name: str, units: Units) -> list[Part]:
    """The same layer of several stands, those that are alike put one under the other."""
    found: dict[_Likeness, list[tuple[int, str, pd.DataFrame]]] = {}
    for one in stands:
        found.setdefault(_likeness(one[2]), []).append(one)
    return [
        Part(
            places=[place for place, _, _ in mine],
            stands=[stand for _, stand, _ in mine],
            lengths=[len(frame) for _, _, frame in mine],
            table=table_of(_under([frame for _, _, frame in mine]), name, units),
        )
        for mine in found.values()
    ]


def as_one(parts: Iterable[Part]) -> Table:
    """
    Parts of the same layer as one, each row with its stand in front.

    What `glademark.export.geopackage.table_of` gives for each stand, one under the other. Columns
    in the order in which they are first met; what a stand does not have is missing.
    """
    found: dict[_Likeness, list[Table]] = {}
    rows: dict[_Likeness, list[tuple[int, str, int]]] = {}
    for part in parts:
        like = _likeness(part.table.frame)
        found.setdefault(like, []).append(part.table)
        mine = zip(part.places, part.stands, part.lengths, strict=True)
        rows.setdefault(like, []).extend(mine)
    tables = {
        like: replace(mine[0], frame=_under([one.frame for one in mine]))
        for like, mine in found.items()
    }
    written = [like for like in rows if like[0]] or list(rows)[:1]
    table = _merged([tables[like] for like in written], tables.values())
    del found, tables
    every = [one for like in written for one in rows[like]]
    places, lengths = (np.array([one[at] for one in every], dtype=np.intp) for at in (0, 2))
    names = np.array([one[1] for one in every], dtype=object)
    order = np.argsort(places)
    if (np.diff(places) < 0).any():
        at = np.argsort(np.repeat(places, lengths), kind="stable")
        table = replace(table, frame=table.frame.take(at).reset_index(drop=True))
    return with_stand(table, names[order], lengths[order])


def with_stand(
    table: Table, stands: Sequence[str] | np.ndarray, lengths: Sequence[int] | np.ndarray
) -> Table:
    """A table with the stand in front of every row."""
    names = np.repeat(np.array(stands, dtype=object), lengths)
    table.frame.insert(0, STAND_ID.name, pd.Series(names, dtype="string"))
    layer = replace(table.layer, columns=(STAND_ID, *table.layer.columns))
    return Table(layer=layer, frame=table.frame, columns=(STAND_ID, *table.columns))


def _likeness(frame: pd.DataFrame) -> _Likeness:
    """Whether there are rows, and columns with their types: what is alike goes in one piece."""
    types = frame.dtypes
    return len(frame) > 0, tuple(types.index.tolist()), tuple(types.tolist())


def _under(frames: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Frames that are alike, one under the other."""
    return frames[0] if len(frames) == 1 else pd.concat(frames, ignore_index=True)


def _merged(tables: Sequence[Table], all_tables: Iterable[Table]) -> Table:
    """Tables with unlike columns as one, with the columns that any has."""
    columns: dict[str, Column] = {}
    for table in all_tables:
        columns |= {column.name: column for column in table.columns if column.name not in columns}
    frame = tables[0].frame
    shape = ["geometry"] if tables[0].layer.geometry else []
    if len(tables) > 1:
        frame = pd.concat([table.frame for table in tables], ignore_index=True)
    frame = frame.reset_index(drop=True)
    for name, column in columns.items():
        if name not in frame:
            frame[name] = pd.Series(np.nan, index=frame.index).astype(
                pd.api.types.pandas_dtype(_TYPES[column.kind])
            )
    frame = frame[[*columns, *shape]]
    if shape:
        frame = gpd.GeoDataFrame(frame, geometry="geometry", crs=tables[0].frame.crs)
    return Table(layer=tables[0].layer, frame=frame, columns=tuple(columns.values()))
