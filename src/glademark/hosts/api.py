"""The Python interface: the jobs of the command line, and measures one by one."""

import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import shapely

from glademark.contracts.frames import STAND, features
from glademark.contracts.survey import Survey
from glademark.errors import CrsError, InputError, quoted
from glademark.hosts.arguments import (
    LINES,
    POLYGONS,
    column_of,
    in_metres,
    metres,
    metres_each,
    path_of,
    shapes_of,
)
from glademark.hosts.laid_out import LaidOut, LaidOutStands
from glademark.hosts.made_project import write_tables
from glademark.intake.read import called, read_by_stand, title_of
from glademark.jobs.layout import installed_limits, lay_out_survey, on_each_stand
from glademark.judge.limits import limits_asked
from glademark.measure.corridors import measure_corridors
from glademark.measure.crowns import crown_discs
from glademark.measure.edges import EDGES, Edge, crown_outlines
from glademark.measure.groups import crown_components, group_key
from glademark.measure.zones import Covers
from glademark.project import read_project

if TYPE_CHECKING:
    from glademark.jobs.advise import Advised
    from glademark.jobs.compare import Compared
    from glademark.jobs.propose import Proposed

Input = str | Path | pd.DataFrame | gpd.GeoSeries
"""A file, a GeoDataFrame or GeoSeries, or a table without places."""

_PYTHON_STRINGS = pd.option_context("mode.string_storage", "python")
"""Text in Python's own strings while a job runs: a quarter less work where columns are short."""

_NOTHING = np.array([shapely.MultiPolygon()], dtype=object)


@_PYTHON_STRINGS
def lay_out(
    project: str | Path | None = None,
    *,
    settings: Mapping[str, Any] | None = None,
    out: str | Path | None = None,
    only: Sequence[str] = (),
    **inputs: Input | Sequence[Input],
) -> LaidOut | LaidOutStands:
    """
    Layout of a marked harvest, from a project file, from frames and files, or from both.

    Parameters
    ----------
    project
        The project file; none is needed where `stand` and `marks` are given.
    settings
        Tables and keys as in a project file, such as ``{"openings": {"edge": "boles"}}``; they go
        over those of `project`.
    out
        Folder for the files of the layout; nothing is written where None.
    only
        Ids of files to write; all where empty.
    **inputs
        `stand`, `corridors`, `marks` and the other inputs of a project file, and `volume_table`:
        each a path, a GeoDataFrame or GeoSeries in any CRS (a DataFrame where there are no
        places), or a list of these. They take the place of those of `project`. Columns are known
        by their headings (``docs/inputs``).

    Returns
    -------
    laid_out
        The layout; one for each stand, by name, where ``[project]`` has a `stand_id`.

    Raises
    ------
    InputError
        If the project file, a setting or an input is refused, or every stand is.
    OutputError
        If the results could not be written.

    Examples
    --------
    >>> def frame(*shapes, **columns):
    ...     return gpd.GeoDataFrame(columns, geometry=[*shapes], crs="EPSG:32632")
    >>> x, y = 500_000, 5_300_000
    >>> layout = lay_out(
    ...     stand=frame(shapely.box(x, y, x + 200, y + 100)),
    ...     corridors=frame(shapely.LineString([(x, y + 50), (x + 200, y + 50)])),
    ...     marks=frame(shapely.Point(x + 20, y + 20), dbh_cm=[40]),
    ...     settings={"corridors": {"width": "4 m"}, "limits": {"corridor_share_max": "10 %"}},
    ... )
    >>> round(layout.summary["corridors"]["share"], 6), layout.checks["verdict"].tolist()
    (0.04, ['met'])
    """
    with _project_file(project, settings, inputs) as path:
        asked_for = read_project(path)
        limits = limits_asked(asked_for.limits, known=installed_limits())

        def _of(stand: str, survey: Survey) -> LaidOut:
            of_stand = called(asked_for, title_of(asked_for, stand))
            return LaidOut(delivery=lay_out_survey(survey, of_stand, limits, earlier={}))

        found, refused = on_each_stand(read_by_stand(asked_for, folder=path.parent), _of)
        many = asked_for.heading.stand_id is not None
        laid_out = LaidOutStands(found, refused) if many else found[""]
        if out is not None:
            laid_out.write(out, only=only)
        return laid_out


@_PYTHON_STRINGS
def advise(
    project: str | Path,
    *,
    by: Literal["trees", "volume"] = "trees",
    out: str | Path | None = None,
    apply: str | Path | None = None,
) -> "Advised":
    """
    The fewest marks to leave standing so that a project keeps inside its limits.

    Parameters
    ----------
    project
        Path of the project file.
    by
        What is to be least.
    out
        Folder for the results; nothing is written where None.
    apply
        File for the marks that result: csv, gpkg or geojson.

    Returns
    -------
    advised
        `stands[name].advice` has the frames `leave_standing`, `given_up`, `before` and `after`; the
        name is "" where there is one stand.

    Raises
    ------
    InputError
        If the project file or an input is refused, or every stand is.
    OutputError
        If a file could not be written.
    """
    from glademark.jobs.advise import give_advice  # noqa: PLC0415 - the other jobs do without

    folder, marks = (None if one is None else Path(one) for one in (out, apply))
    written = folder is not None or marks is not None
    return give_advice(path_of(project, "project"), by=by, out=folder, apply=marks, written=written)


@_PYTHON_STRINGS
def compare(
    project: str | Path,
    *,
    stumps: str | Path | Sequence[str | Path],
    out: str | Path | None = None,
    **others: str | Path | None,
) -> "Compared":
    """
    What was seen after the cut, held against the layout.

    Parameters
    ----------
    project
        Path of the project file of the layout.
    stumps
        Paths of files of stumps.
    out
        Folder for the results; nothing is written where None.
    **others
        Paths of files `driven`, `openings`, `sampled`, `post_cut_plots` and `damage`.

    Returns
    -------
    compared
        `stands[name].comparison` has the frames `findings`, `stumps`, `trees`, `tallied`, `checks`
        and others; the name is "" where there is one stand.

    Raises
    ------
    InputError
        If the project file or an input is refused, or every stand is.
    OutputError
        If a file could not be written.
    """
    from glademark.jobs.compare import compare_after_cut, inputs_of  # noqa: PLC0415 - the same

    several: Sequence[object] = [stumps]
    if isinstance(stumps, Sequence) and not isinstance(stumps, str):
        several = stumps
    named = {name: None if one is None else path_of(one, name) for name, one in others.items()}
    inputs = inputs_of(stumps=[path_of(one, "stumps") for one in several], **named)
    out = None if out is None else Path(out)
    return compare_after_cut(path_of(project, "project"), inputs, out=out)


@_PYTHON_STRINGS
def propose(
    project: str | Path, *, out: str | Path | None = None, as_marks: int | None = None
) -> "Proposed":
    """
    Group openings proposed from the standing trees: flags to walk to, no marks.

    Parameters
    ----------
    project
        Path of the project file, which need not name marks.
    out
        Folder for the results; nothing is written where None.
    as_marks
        Number of the alternative to write as marks and a project file that `lay_out` reads.

    Returns
    -------
    proposed
        `stands[name].alternatives` has the alternatives, best first, each with a frame `groups`;
        the name is "" where there is one stand.

    Raises
    ------
    InputError
        If the project file or an input is refused, or every stand is.
    OutputError
        If a file could not be written.
    """
    from glademark.jobs.propose import propose as propose_openings  # noqa: PLC0415 - the same

    path = path_of(project, "project")
    return propose_openings(path, out=None if out is None else Path(out), as_marks=as_marks)


def corridor_share(
    lines: gpd.GeoDataFrame | gpd.GeoSeries,
    stand: gpd.GeoDataFrame | gpd.GeoSeries,
    *,
    width_m: float | str | Sequence[float],
) -> float:
    """
    Share of a stand that corridors take; ground under several counts once.

    Parameters
    ----------
    lines
        Centre lines, in any CRS.
    stand
        One or more polygons, taken together; where its CRS is geographic, its UTM zone is used.
    width_m
        Width of the strips [m]: one for all, one each, or the column that has it.

    Returns
    -------
    share
        From 0 to 1.

    Raises
    ------
    InputError
        If a frame has other shapes, or a width is missing or not above zero.
    CrsError
        If a CRS is missing.

    Examples
    --------
    >>> stand = gpd.GeoSeries([shapely.box(0, 0, 100, 100)], crs="EPSG:32632")
    >>> lines = gpd.GeoSeries([shapely.LineString([(50, 0), (50, 100)])], crs="EPSG:32632")
    >>> corridor_share(lines, stand, width_m=4)
    0.04
    """
    width = metres_each(lines, width_m, "width_m")
    area, drawn = in_metres(shapes_of(stand, "stand", POLYGONS), shapes_of(lines, "lines", LINES))
    whole = np.array([area.union_all()], dtype=object)
    columns = {
        STAND: np.zeros(len(drawn), dtype=np.int64),
        "corridor": np.arange(len(drawn)).astype(str).astype(object),
        "state": np.full(len(drawn), "new", dtype=object),
        "width_m": width,
    }
    ground = Covers(
        stand=whole, operable=whole, exclusion=_NOTHING, landing=_NOTHING, water=_NOTHING,
        setback=_NOTHING,
    )  # fmt: skip
    frame = features(columns, drawn.to_numpy(), crs=area.crs)
    return measure_corridors(frame, ground).figures[0].share


def opening_areas(
    marks: gpd.GeoDataFrame,
    *,
    crown_radius_m: float | str = "crown_radius_m",
    standing_crown_radius_m: float | None = None,
    edge: Edge = "standing_crowns",
    group: str | None = None,
    link_distance_m: float = 0.0,
) -> gpd.GeoDataFrame:
    """
    What groups of cut trees open: to their crowns, to the standing crowns around, to the boles.

    Parameters
    ----------
    marks
        Points of cut trees, in any CRS.
    crown_radius_m
        Radius of all crowns [m], or the column that has it.
    standing_crown_radius_m
        Of the trees around [m]; the median of all marks' own where None.
    edge
        Definition that `area_m2` and the geometry follow.
    group
        Column that names the group of each tree, in any case; trees without a name are left out.
        Groups are linked by their crowns where None.
    link_distance_m
        Gap between crowns that still links them, and is closed [m].

    Returns
    -------
    openings
        `group`, `trees`, `area_m2`, `area_marked_crowns_m2`, `area_standing_crowns_m2`,
        `area_boles_m2`, and the outline; the CRS of `marks`, or its UTM zone.

    Raises
    ------
    InputError
        If `marks` are no points, a crown radius is missing or not above zero, a column is missing,
        or `edge` is none of the three.
    CrsError
        If the CRS is missing.

    Examples
    --------
    >>> trees = gpd.GeoDataFrame(geometry=[shapely.Point(0, 0)], crs="EPSG:32632")
    >>> one = opening_areas(trees, crown_radius_m=3, standing_crown_radius_m=2).iloc[0]
    >>> [round(float(one[f"area_{edge}_m2"] / np.pi), 3) for edge in ("marked_crowns", "boles")]
    [9.0, 25.0]
    """
    if str(edge) not in EDGES:
        msg = f"edge: '{edge}' is no edge of an opening; expected {quoted(EDGES)}"
        raise InputError(msg)
    (points,) = in_metres(shapes_of(marks, "marks", ("Point",)))
    radius = metres_each(marks, crown_radius_m, "crown_radius_m")
    gap = metres(link_distance_m, "link_distance_m")
    around = np.median(radius) if len(radius) else 0.0
    if standing_crown_radius_m is not None:
        around = metres(standing_crown_radius_m, "standing_crown_radius_m")
    places = points.to_numpy()
    if group is None:
        names = crown_components(
            places, radius_m=radius, link_distance_m=gap,
            stand=np.zeros(len(places), dtype=np.intp),
        )  # fmt: skip
    else:
        stated = column_of(marks, group, "group")
        kept = (stated.notna() & stated.astype(str).str.strip().ne("")).to_numpy()
        places, radius, stated = places[kept], radius[kept], stated[kept]
        names = stated.groupby(group_key(stated.astype(str))).transform("first").to_numpy()
    owner, keys = pd.factorize(pd.Series(names), sort=True)
    _, outlines = crown_outlines(
        crown_discs(places, radius_m=radius, bearing=0.0),
        owner,
        radius_m=np.full(len(places), float(around)),
        link_distance_m=gap,
    )
    columns = {
        "group": np.asarray(keys),
        "trees": np.bincount(owner, minlength=len(keys)),
        "area_m2": shapely.area(outlines.by(edge)),
        "area_marked_crowns_m2": shapely.area(outlines.marked_crowns),
        "area_standing_crowns_m2": shapely.area(outlines.by("standing_crowns")),
        "area_boles_m2": shapely.area(outlines.boles),
    }
    return features(columns, outlines.by(edge), crs=points.crs)


@contextmanager
def _project_file(
    project: str | Path | None,
    settings: Mapping[str, Any] | None,
    inputs: Mapping[str, Any],
) -> Iterator[Path]:
    """The project file, or one made of what is given, in a folder that goes again."""
    if project is not None and not settings and not inputs:
        yield path_of(project, "project")
        return
    base = None if project is None else path_of(project, "project")
    with tempfile.TemporaryDirectory(prefix="glademark-python-") as folder:
        sources = {
            name: [
                _source(part, f"{name}_{number}", Path(folder))
                for number, part in enumerate(one, 1)
            ]
            if isinstance(one, Sequence) and not isinstance(one, str)
            else _source(one, name, Path(folder))
            for name, one in inputs.items()
        }
        target = Path(folder) / "harvest.toml"
        write_tables(base, target, inputs=sources, settings=settings or {})
        try:
            yield target
        except InputError as error:
            told = (fault.replace(str(target), str(base or "settings")) for fault in error.faults)
            raise type(error)(*told) from None


def _source(given: Input, name: str, folder: Path) -> dict[str, str]:
    """Words of a project file for one input; a frame is written into a file."""
    if isinstance(given, gpd.GeoSeries):
        given = given.to_frame("geometry")
    if isinstance(given, gpd.GeoDataFrame):
        if given.crs is None:
            msg = f"{name}: the CRS is missing; expected a frame that has one. Set it with set_crs"
            raise CrsError(msg)
        path = folder / f"{name}.gpkg"
        pyogrio.write_dataframe(given, path, layer=name, layer_options={"FID": "row_of_frame"})
        return {"file": str(path), "layer": name}
    if isinstance(given, pd.DataFrame):
        path = folder / f"{name}.csv"
        given.to_csv(path, index=False)
        return {"file": str(path)}
    return {"file": str(path_of(given, name).resolve())}
