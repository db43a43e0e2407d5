"""Proposals as files: layers and tables, flags for the receiver, JSON, and marks to lay out."""

import os
import tomllib
from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import tomli_w

from glademark.contracts.job_layers import (
    ALTERNATIVES,
    CAUTIONS,
    GROUPS,
    PROPOSAL_LAYERS,
    PROPOSED_TREES,
)
from glademark.export.geopackage import write_frames
from glademark.export.handheld_files import flags_gpx
from glademark.export.tables import write_csv
from glademark.proposal.outcome import Proposal
from glademark.report.delivery import Deliverable
from glademark.report.quantities import written_frame
from glademark.report.summary import json_value
from glademark.report.wording import PROPOSAL

PROPOSAL_FIGURES_FILE = "proposals.json"


def proposal_deliverables(proposal: Proposal) -> Mapping[str, Deliverable]:
    """Writers of the proposal for one stand, for `glademark.export.output.Part`."""
    writers: dict[str, Callable[..., None]] = {
        "proposals.gpkg": _write_geopackage,
        **{f"{name}.csv": partial(_write_table, name=name) for name in PROPOSAL_LAYERS},
    }
    if proposal.alternatives:
        writers["proposals.gpx"] = _write_flags
    return {
        name: Deliverable(id=name, title="Proposal", files=(name,), write=partial(write, proposal))
        for name, write in writers.items()
    }


def frames_of(proposal: Proposal) -> dict[str, pd.DataFrame]:
    """Layers and tables of all alternatives."""
    crs = proposal.prepared.survey.crs
    groups = [one.groups for one in proposal.alternatives]
    trees = [one.trees for one in proposal.alternatives]
    frames: dict[str, pd.DataFrame] = {
        layer.name: gpd.GeoDataFrame(pd.concat(some, ignore_index=True), crs=crs)
        if some
        else gpd.GeoDataFrame(
            {name: pd.Series(dtype=object) for name in layer.names}, geometry=[], crs=crs
        )
        for layer, some in ((GROUPS, groups), (PROPOSED_TREES, trees))
    }
    rows = [one.row for one in proposal.alternatives]
    frames[ALTERNATIVES.name] = pd.DataFrame(rows, columns=list(ALTERNATIVES.names))
    return frames


def _write_geopackage(proposal: Proposal, _: object, folder: Path) -> None:
    """Write ``proposals.gpkg``."""
    units = proposal.prepared.project.heading.units
    write_frames(frames_of(proposal), PROPOSAL_LAYERS, folder / "proposals.gpkg", units=units)


def _write_table(proposal: Proposal, _: object, folder: Path, *, name: str) -> None:
    """Write one layer or table as CSV."""
    units = proposal.prepared.project.heading.units
    table = written_frame(frames_of(proposal)[name], PROPOSAL_LAYERS[name], units)
    write_csv(table, folder / f"{name}.csv")


def _write_flags(proposal: Proposal, _: object, folder: Path) -> None:
    """Write ``proposals.gpx``."""
    (folder / "proposals.gpx").write_bytes(flags_gpx(proposal))


def proposal_content(proposal: Proposal) -> Any:  # noqa: ANN401 - JSON is one of several types
    """One proposal in the types of JSON."""
    rule = proposal.prepared.task.ground.rule
    first = [one.row for one in proposal.alternatives[:1]]
    binding = first[0]["binding"].split(", ") if first else []
    return json_value(
        {
            "edge": rule.edge,
            "standing_crown_radius_m": float(rule.radius_m[0]),
            "interrupted": proposal.interrupted,
            "pool": {
                "candidates": proposal.candidates,
                "rounds": proposal.rounds,
                "last_round_gain": proposal.last_round_gain,
            },
            "score": proposal.score,
            "bound": proposal.bound,
            "optimality_gap": proposal.gap,
            "not_proved": proposal.not_proved,
            "alternatives": [one.row for one in proposal.alternatives],
            "marginal_values": [
                {
                    "limit": one.row.limit,
                    "quantity": one.row.quantity,
                    "unit": one.row.unit,
                    "limit_value": one.row.value,
                    "marginal_value": one.marginal_value,
                    "binding": one.row.limit in binding,
                    "tried": [{"limit_value": value, "score": score} for value, score in one.tried],
                }
                for one in proposal.margins
            ],
            "infeasible": proposal.infeasible,
            "notices": proposal.prepared.notices,
            "cautions": CAUTIONS,
        }
    )


def marks_deliverables(
    proposal: Proposal, number: int, project_file: Path, *, folder: Path
) -> Mapping[str, Deliverable]:
    """Writers of an alternative as marks, and of the project file that lays them out."""
    names = (f"marks_alternative_{number}.gpkg", f"alternative_{number}.toml")
    writers = (
        partial(_write_marks, proposal, number),
        partial(_write_project, proposal, number, project_file, folder),
    )
    return {
        name: Deliverable(id=name, title=PROPOSAL, files=(name,), write=write)
        for name, write in zip(names, writers, strict=True)
    }


_MARKS = (
    "tree_id", "species", "dbh_cm", "crown_radius_m", "height_m", "kind", "group", "product",
)  # fmt: skip


def _write_marks(proposal: Proposal, number: int, _: object, folder: Path) -> None:
    """Write the trees of an alternative, those in corridors among them, as marks."""
    marks = proposal.alternatives[number - 1].marks
    columns = {name: marks[name].to_numpy() for name in _MARKS}
    columns["count"] = marks["count"].to_numpy()
    if marks["defect_share"].notna().any():
        columns["defect"] = marks["defect_share"].to_numpy(dtype=float) * 100
    columns["proposed"] = np.full(len(marks), "yes", dtype=object)
    table = gpd.GeoDataFrame(columns, geometry=marks.geometry.to_numpy(), crs=marks.crs)
    path = folder / f"marks_alternative_{number}.gpkg"
    pyogrio.write_dataframe(table, path, layer="marks", driver="GPKG")


_OF_FIELD_FILES = (
    "columns", "name_pattern", "paint", "diameter_at", "dbh_unit", "height_unit", "repeats",
    "position_error_by_file", "position_error_column",
)  # fmt: skip
"""Settings of [marks] that say how a file from the field is read."""


def _write_project(
    proposal: Proposal,
    number: int,
    project_file: Path,
    folder: Path,
    *where: Any,  # noqa: ANN401
) -> None:
    """Write the project file with the marks of an alternative and the crown radius it rests on."""
    home = project_file.resolve().parent
    asked = tomllib.loads(project_file.read_text(encoding="utf-8-sig"))
    there = folder.resolve()
    inputs = {name: _from(there, home, value) for name, value in asked["inputs"].items()}
    marks = {"file": f"marks_alternative_{number}.gpkg", "layer": "marks"}
    rule = proposal.prepared.task.ground.rule
    openings = asked.get("openings", {}) | {
        "edge": rule.edge,
        "standing_crown_radius": f"{float(rule.radius_m[0])!r} m",
    }
    settings = {
        name: value for name, value in asked.get("marks", {}).items() if name not in _OF_FIELD_FILES
    } | {"position_error": "0 m"}  # where the stem map has them: the trees are its own
    asked |= {"inputs": inputs | {"marks": marks}, "openings": openings, "marks": settings}
    table = asked.get("volume", {}).get("table")
    if table is not None:
        asked["volume"] = asked["volume"] | {"table": _from(there, home, table)}
    path = Path(where[-1]) / f"alternative_{number}.toml"
    heading = f"# {PROPOSAL}: alternative {number}, to be laid out and looked at.\n"
    path.write_text(heading + tomli_w.dumps(asked), encoding="utf-8")


def _from(there: Path, home: Path, value: Any) -> Any:  # noqa: ANN401 - a path, table or list
    """Paths of inputs as they are named from another folder."""
    if isinstance(value, list):
        return [_from(there, home, one) for one in value]
    if isinstance(value, dict):
        return value | {"file": _from(there, home, value["file"])}
    return Path(os.path.relpath(home / str(value), there)).as_posix()
