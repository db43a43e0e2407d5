"""Many stands in one output: the layers of all of them, with the stand in front of every row."""

import pickle
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from itertools import chain
from pathlib import Path
from types import MappingProxyType
from typing import Any, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd

from glademark import __version__
from glademark.contracts.frames import STAND
from glademark.contracts.layers import LAYERS, Column, Kind, Units
from glademark.contracts.layout import FRAMES as LAYOUT_FRAMES
from glademark.contracts.layout import Layout
from glademark.contracts.result_tables import PARAMETERS, REJECTED, STAND_ID, STANDS
from glademark.contracts.survey import InputCount
from glademark.errors import grouped_faults
from glademark.export.geopackage import (
    GEOPACKAGE_FILE,
    Table,
    measured_frames,
    table_of,
    with_something,
    write_tables,
)
from glademark.export.tables import write_csv
from glademark.project.model import Project
from glademark.report.delivery import Deliverable, Delivery
from glademark.report.quantities import written_columns, written_frame
from glademark.report.summary import (
    SUMMARY_FILE,
    as_table,
    edition_of,
    json_value,
    parameter_rows,
    project_settings,
    write_summary,
)
from glademark.report.wood import added, volume_of_products

_TYPES: Mapping[Kind, str] = MappingProxyType(
    {"text": "string", "integer": "Int64", "real": "float64", "flag": "boolean"}
)
_Likeness = tuple[bool, tuple[object, ...], tuple[object, ...]]

CSV_TABLES = ("stands", "volume_by_zone", "checks", "openings", "volume_by_opening", "allowance",
              "rejected")  # fmt: skip
"""Tables that are written as CSV as well, those without rows left out."""

_OWN = ("checks", "rejected")
"""Layers whose rows are those of one stand alone, whatever the others are."""

VERDICTS = ("exceeded", "near", "met", "not_checked")


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Part:
    """A layer of several stands whose columns and types are alike, ready for writing."""

    places: list[int]  # of the stands among all stands
    stands: list[str]  # their names
    lengths: list[int]  # rows of each
    table: Table  # one stand after the other


class Rows(NamedTuple):
    """Rows of a layer of several stands, one stand after the other, as they were measured."""

    places: Sequence[int]  # of the stands among all stands
    stands: Sequence[str]  # their names
    lengths: Sequence[int]  # rows of each
    frame: pd.DataFrame


def alike(rows: Sequence[Rows], name: str, units: Units) -> list[Part]:
    """Rows of the same layer, those that are alike put one under the other."""
    found: dict[_Likeness, list[Rows]] = {}
    for some in rows:
        found.setdefault(_likeness(some.frame), []).append(some)
    return [
        Part(
            places=[place for some in mine for place in some.places],
            stands=[stand for some in mine for stand in some.stands],
            lengths=[length for some in mine for length in some.lengths],
            table=table_of(_under([some.frame for some in mine]), name, units),
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
    if [*frame.columns] == [*columns, *shape] and len(tables) == 1:
        return replace(tables[0], frame=frame.set_axis(pd.RangeIndex(len(frame))))
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


@dataclass(frozen=True, kw_only=True, slots=True)
class StandTables:
    """What one stand gave, small enough to be carried between processes."""

    row: Mapping[str, Any]  # its row of the table of stands
    summary: Mapping[str, Any] | None
    """As in ``summary.json``, without inputs and settings; None where it was refused."""
    delivery: Delivery | None
    """Its layers and tables; None where it was refused, or they are put away."""
    provenance: Mapping[str, Any]
    """What the summary says of inputs and settings; nothing where it was refused."""

    @property
    def crs(self) -> str:
        """Coordinate system of the layers."""
        return str(self.provenance.get("crs", ""))


def laid_out(name: str, delivery: Delivery) -> StandTables:
    """Tables of a stand that was laid out."""
    figures, checks = delivery.layout.figures, delivery.summary["checks"]
    openings = delivery.layout.openings
    row = {
        "stand_id": name,
        "outcome": "laid_out",
        "reason": "",
        "area_m2": figures.stand.area_m2,
        "operable_m2": figures.stand.operable_m2,
        "corridor_m2": figures.corridors.area_m2,
        "corridor_share": figures.corridors.share,
        "openings": len(openings),
        "opening_m2": figures.openings.area_m2,
        "largest_opening_m2": openings["area_m2"].max() if len(openings) else None,
        "trees": figures.marks.trees + figures.marks.not_located,
        "unconfirmed": figures.marks.unconfirmed,
        "without_dbh": figures.marks.without_dbh,
        "volume_m3": figures.volume.m3,
        "volume": volume_of_products(figures.volume.by_product),
        "trees_without": sum(one.trees_without for one in figures.volume.by_product.values()),
        "by_product": json_value(figures.volume.by_product),
        "rejected": len(delivery.survey.rejected),
        **{verdict: int(checks[verdict]) for verdict in VERDICTS},
    }
    kept = {key: value for key, value in delivery.summary.items() if key != "provenance"}
    return StandTables(
        row=row,
        summary=kept,
        delivery=delivery,
        provenance=delivery.summary["provenance"],
    )


def refused(name: str, faults: Sequence[str]) -> StandTables:
    """Row of a stand that could not be laid out."""
    row = {"stand_id": name, "outcome": "refused", "reason": " ".join(grouped_faults(faults))}
    return StandTables(row=row, summary=None, delivery=None, provenance={})


def tables_of_stand(stand: StandTables) -> list[Table]:
    """Layers and tables of one stand as they are written."""
    if stand.delivery is None:
        return []
    units, frames = stand.provenance["units"], measured_frames(stand.delivery)
    parameters = table_of(as_table(_parameters([stand])[0]), PARAMETERS.name, "metric")
    return [*(table_of(frame, name, units) for name, frame in frames.items()), parameters]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class JoinedTables:
    """Layers and tables of all stands, each made when it is asked for."""

    stands: Sequence[StandTables]
    """In the order in which they stand in the files; their layers are elsewhere."""
    kept: Sequence[str]
    """Layers and tables that the stands have, in the order in which they first have them."""
    parts: Callable[[str], Iterable[Part]]  # what is kept of a layer, by its name
    rejected: pd.DataFrame  # records of no stand
    project: Project  # says in which units numbers are shown

    @property
    def names(self) -> list[str]:
        """All layers and tables."""
        return list(dict.fromkeys([STANDS.name, *self.kept, REJECTED.name]))

    def __iter__(self) -> Iterator[Table]:
        """Every layer and table."""
        for name in self.names:
            yield self.table(name)

    def table(self, name: str) -> Table:
        """One layer or table of all stands."""
        units = self.project.heading.units
        if name == STANDS.name:
            rows = pd.DataFrame([stand.row for stand in self.stands], columns=list(STANDS.names))
            columns = written_columns(STANDS, units)
            frame = written_frame(rows, STANDS, units)
            return Table(layer=STANDS, frame=frame, columns=columns)
        if name == PARAMETERS.name:
            return _joined_parameters([one for one in self.stands if one.summary is not None])
        orphans = Rows([len(self.stands)], [""], [len(self.rejected)], self.rejected)
        more = alike([orphans] if name == REJECTED.name else [], name, units)
        return as_one(chain(self.parts(name), more))


def _parameters(stands: Sequence[StandTables]) -> list[list[tuple[str, str]]]:
    """Names and values of settings and figures of each stand."""
    return parameter_rows(
        [
            (one.provenance["parameters"], {**(one.summary or {}), "provenance": one.provenance})
            for one in stands
        ]
    )


def _joined_parameters(stands: Sequence[StandTables]) -> Table:
    """Settings and figures of all stands."""
    rows = _parameters(stands)
    table = table_of(as_table([row for one in rows for row in one]), PARAMETERS.name, "metric")
    return with_stand(table, [str(one.row["stand_id"]) for one in stands], list(map(len, rows)))


def summary_of_stands(
    stands: Sequence[StandTables], counts: Sequence[InputCount], project: Project
) -> dict[str, Any]:
    """Content of ``summary.json`` of a run over many stands."""
    done = [stand for stand in stands if stand.summary is not None]
    volumes = [stand.row["by_product"] for stand in done]
    refusals = {
        str(stand.row["stand_id"]): stand.row["reason"] for stand in stands if stand.summary is None
    }
    settings = project_settings(project)
    return {
        "stands": {str(stand.row["stand_id"]): stand.summary for stand in done},
        "refused": refusals,
        "checks": {verdict: sum(int(stand.row[verdict]) for stand in done) for verdict in VERDICTS},
        "volume": {"by_product": added(volumes)},
        "provenance": {
            "version": __version__,
            "edition": edition_of(counts, settings),
            "project": project.heading.name,
            "units": project.heading.units,
            "inputs": json_value(counts),
            "parameters": settings,
        },
    }


def deliverables_of_stands(
    tables: JoinedTables, summary: Mapping[str, Any]
) -> dict[str, Deliverable]:
    """Files of a run over many stands."""
    found = {
        "gpkg": Deliverable(
            id="gpkg",
            title="GeoPackage",
            files=(GEOPACKAGE_FILE,),
            write=partial(_write_geopackage, tables),
        )
    }
    for name in tables.names:
        table = tables.table(name) if name in CSV_TABLES else None
        if table is not None and len(table.frame):
            found[name] = Deliverable(
                id=name,
                title=table.layer.title,
                files=(f"{name}.csv",),
                write=partial(_write_table, _without_shapes(table)),
            )
    found["summary"] = Deliverable(
        id="summary",
        title="Summary",
        files=(SUMMARY_FILE,),
        write=partial(_write_summary, summary),
    )
    return found


def _without_shapes(table: Table) -> Table:
    """A table whose geometries are not held in memory."""
    return replace(table, frame=pd.DataFrame(table.frame).drop(columns="geometry", errors="ignore"))


def _write_geopackage(tables: JoinedTables, _: object, folder: Path) -> None:
    """Write all layers and tables."""
    write_tables(tables, folder / GEOPACKAGE_FILE, record="")


def _write_table(table: Table, _: object, folder: Path) -> None:
    """Write one table as CSV."""
    write_csv(table.frame, folder / f"{table.layer.name}.csv")


def _write_summary(summary: Mapping[str, Any], _: object, folder: Path) -> None:
    """Write the summary."""
    write_summary(summary, folder / SUMMARY_FILE)


def rows_by_layer(stands: Sequence[StandTables], first: int) -> dict[str, list[Rows]]:
    """Rows of every layer of some stands, the first of which has this place among all."""
    found: dict[str, list[Rows]] = {}
    shared: list[tuple[Layout, dict[int, tuple[int, str]]]] = []
    for place, stand in enumerate(stands, start=first):
        if stand.delivery is None:
            continue
        name, rows_in = str(stand.row["stand_id"]), stand.delivery.layout.rows_in
        for layer, frame in measured_frames(stand.delivery, _OWN if rows_in else LAYERS).items():
            found.setdefault(layer, []).append(Rows([place], [name], [len(frame)], frame))
        if rows_in is not None:
            layout, number = rows_in
            if not shared or shared[-1][0] is not layout:
                shared.append((layout, {}))
            shared[-1][1][number] = place, name
    for layout, mine in shared:
        layers = {name: getattr(layout, name) for name in LAYERS if name in LAYOUT_FRAMES}
        for layer, frame in with_something(layers).items():
            found.setdefault(layer, []).append(_rows_of(frame, mine))
    return found


def _rows_of(frame: pd.DataFrame, stands: Mapping[int, tuple[int, str]]) -> Rows:
    """Rows of some of the stands of a layer, by their numbers in it."""
    numbers = sorted(stands)
    of = frame[STAND].to_numpy()
    if not (theirs := np.isin(of, numbers)).all():
        frame, of = frame[theirs], of[theirs]
    lengths = np.bincount(of, minlength=numbers[-1] + 1)[numbers].tolist()
    places, names = zip(*(stands[number] for number in numbers), strict=True)
    return Rows(places, names, lengths, frame)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Spool:
    """Layers of stands in a folder of our own."""

    folder: Path  # private, and gone at the end of the run
    units: Units  # what the project shows
    _files: dict[str, list[Path]] = field(default_factory=dict)
    _latest: dict[str, list[Part]] = field(default_factory=dict)
    """What was kept last, in memory: a run of one share needs no files."""

    @property
    def names(self) -> list[str]:
        """Layers and tables kept, in the order of a file of one stand, and the parameters."""
        kept = {*self._files, *self._latest}
        return [name for name in LAYERS if kept and name in {*kept, PARAMETERS.name}]

    def keep(self, stands: Sequence[StandTables], *, first: int) -> list[StandTables]:
        """Put the layers of some stands away."""
        for name, parts in self._latest.items():
            files = self._files.setdefault(name, [])
            files.append(self.folder / f"{name}-{len(files)}")
            with files[-1].open("wb") as file:
                pickle.dump(parts, file, protocol=pickle.HIGHEST_PROTOCOL)
        rows = rows_by_layer(stands, first)
        self._latest.clear()
        self._latest.update({name: alike(of, name, self.units) for name, of in rows.items()})
        return [replace(stand, delivery=None) for stand in stands]

    def parts(self, name: str) -> Iterator[Part]:
        """What was kept of a layer."""
        for path in self._files.get(name, ()):
            with path.open("rb") as file:
                yield from pickle.load(file)  # noqa: S301 - written above, in a private folder
        yield from self._latest.get(name, ())
