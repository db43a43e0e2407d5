"""Many stands in one output: the layers of all of them, with the stand in front of every row."""

import pickle
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from itertools import chain
from pathlib import Path
from typing import Any

import pandas as pd

from glademark import __version__
from glademark.contracts.layers import Units
from glademark.contracts.result_tables import PARAMETERS, REJECTED, STANDS
from glademark.contracts.survey import InputCount
from glademark.errors import grouped_faults
from glademark.export.csv_tables import write_csv
from glademark.export.geopackage import (
    GEOPACKAGE_FILE,
    Table,
    measured_frames,
    table_of,
    write_tables,
)
from glademark.export.joined import Part, alike, as_one, with_stand
from glademark.project.model import Project
from glademark.report.columns import written_columns, written_frame
from glademark.report.delivery import Deliverable, Delivery
from glademark.report.summary import (
    SUMMARY_FILE,
    as_table,
    edition_of,
    json_value,
    parameter_rows,
    project_settings,
    write_summary,
)
from glademark.report.wood_by_zone import added, volume_of_products

CSV_TABLES = ("stands", "volume_by_zone", "checks", "openings", "volume_by_opening", "allowance",
              "rejected")  # fmt: skip
"""Tables that are written as CSV as well, those without rows left out."""

VERDICTS = ("exceeded", "near", "met", "not_checked")


@dataclass(frozen=True, kw_only=True, slots=True)
class StandTables:
    """
    What one stand gave, small enough to be carried between processes.

    Attributes
    ----------
    row
        Its row of the table of stands.
    summary
        As in ``summary.json``, without inputs and settings; None where it was refused.
    frames
        Layers and tables by name, as they were measured; none where it was refused.
    provenance
        What the summary says of inputs and settings; nothing where it was refused.
    """

    row: Mapping[str, Any]
    summary: Mapping[str, Any] | None
    frames: Mapping[str, pd.DataFrame]
    provenance: Mapping[str, Any]

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
        frames=measured_frames(delivery),
        provenance=delivery.summary["provenance"],
    )


def refused(name: str, faults: Sequence[str]) -> StandTables:
    """Row of a stand that could not be laid out."""
    row = {"stand_id": name, "outcome": "refused", "reason": " ".join(grouped_faults(faults))}
    return StandTables(row=row, summary=None, frames={}, provenance={})


def tables_of_stand(stand: StandTables) -> list[Table]:
    """Layers and tables of one stand as they are written."""
    tables = [
        table_of(frame, name, stand.provenance["units"]) for name, frame in stand.frames.items()
    ]
    if stand.summary is None:
        return tables
    return [*tables, table_of(as_table(_parameters([stand])[0]), PARAMETERS.name, "metric")]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class JoinedTables:
    """
    Layers and tables of all stands, each made when it is asked for.

    Attributes
    ----------
    stands
        In the order in which they stand in the files; their layers are elsewhere.
    kept
        Layers and tables that the stands have, in the order in which they first have them.
    parts
        What is kept of a layer, by its name.
    rejected
        Records of no stand.
    project
        Says in which units numbers are shown.
    """

    stands: Sequence[StandTables]
    kept: Sequence[str]
    parts: Callable[[str], Iterable[Part]]
    rejected: pd.DataFrame
    project: Project

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
        orphans = [(len(self.stands), "", self.rejected)] if name == REJECTED.name else []
        return as_one(chain(self.parts(name), alike(orphans, name, units)))


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


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Spool:
    """
    Layers of stands in a folder of our own.

    Attributes
    ----------
    folder
        Private, and gone at the end of the run.
    units
        What the project shows.
    """

    folder: Path
    units: Units
    _files: dict[str, list[Path]] = field(default_factory=dict)

    @property
    def names(self) -> list[str]:
        """Layers and tables kept, and the table of parameters."""
        return list(self._files)

    def keep(self, stands: Sequence[StandTables], *, first: int) -> list[StandTables]:
        """Put the layers of some stands away."""
        by_layer: dict[str, list[tuple[int, str, Any]]] = {}
        for place, stand in enumerate(stands, start=first):
            for name, frame in stand.frames.items():
                self._files.setdefault(name, [])
                by_layer.setdefault(name, []).append((place, str(stand.row["stand_id"]), frame))
            if stand.frames:
                self._files.setdefault(PARAMETERS.name, [])
        for name, mine in by_layer.items():
            path = self.folder / f"{name}-{len(self._files[name])}"
            with path.open("wb") as file:
                pickle.dump(alike(mine, name, self.units), file, protocol=pickle.HIGHEST_PROTOCOL)
            self._files[name].append(path)
        return [replace(stand, frames={}) for stand in stands]

    def parts(self, name: str) -> Iterator[Part]:
        """What was kept of a layer."""
        for path in self._files.get(name, ()):
            with path.open("rb") as file:
                yield from pickle.load(file)  # noqa: S301 - written above, in a private folder
