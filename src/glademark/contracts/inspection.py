"""
What is in a field file and how it would be read, before there is a project.

The contract between `glademark.intake.inspect`, which looks, and those who show or use the answer.
"""

from dataclasses import dataclass

import geopandas as gpd
import pandas as pd

from glademark.contracts.survey import InputCount


@dataclass(frozen=True, kw_only=True, slots=True)
class ColumnSeen:
    """
    One column and what it would be read as.

    Attributes
    ----------
    header
        As written in the file.
    meaning
        As in the project file's ``[marks] columns``; nothing where it is not recognised and kept as
        it is.
    unit
        That its header says, or nothing.
    filled
        Records with a value.
    example
        First value.
    """

    header: str
    meaning: str
    unit: str
    filled: int
    example: str


@dataclass(frozen=True, kw_only=True, slots=True)
class LayerSeen:
    """
    One layer, sheet or table of a file.

    Attributes
    ----------
    name
        Nothing where the format has no names for layers.
    shape
        ``points``, ``lines``, ``areas``, ``table`` or ``raster``.
    records
        Those that could be read.
    crs
        Name of the coordinate system; nothing where it is not said.
    crs_needed
        Whether the project file has to state it.
    bounds
        Where it lies, in words.
    input
        Key in ``[inputs]`` for which it looks; nothing where it looks like none.
    why
        What that was taken from.
    columns
        Of the file.
    paints
        Colours that occur, with the number of records of each, the most frequent first.
    species
        Different species names, with the number of records of each.
    unknown_species
        Those of them that neither the package, a volume table nor the project knows.
    dbh_unit_needed
        Whether diameters have no unit.
    name_pattern
        What the names seem to hold, as in the project file's ``[marks] name_pattern``.
    problems
        First things that would be told, one sentence each.
    """

    name: str
    shape: str
    records: int
    crs: str = ""
    crs_needed: bool = False
    bounds: str = ""
    input: str = ""
    why: str = ""
    columns: tuple[ColumnSeen, ...] = ()
    paints: tuple[tuple[str, int], ...] = ()
    species: tuple[tuple[str, int], ...] = ()
    unknown_species: tuple[tuple[str, int], ...] = ()
    dbh_unit_needed: bool = False
    name_pattern: str = ""
    problems: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class FileSeen:
    """
    One file.

    Attributes
    ----------
    file
        As the user named it.
    path
        Absolute.
    format
        Told by the first bytes; nothing where the file is refused.
    layers
        In the order of the file.
    problems
        Why the file as a whole is refused, if it is.
    """

    file: str
    path: str
    format: str = ""
    layers: tuple[LayerSeen, ...] = ()
    problems: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class AfterCutSurvey:
    """
    Field data from after the cut, as intake hands them on.

    Every frame is in the working CRS of the survey before the cut, has a unique index, and exists:
    what was not given is an empty frame with its columns.

    Attributes
    ----------
    stumps
        Point rows, index 0..n-1 in the order read: `stump_id`, `count` (int >= 1), `diameter_cm`
        (as measured), `diameter_at` ("stump" or "breast"), `stump_height_m`, `dbh_cm` (converted
        where taken at the stump), `dbh` and `dbh_unit` (the same in the unit recorded), `species`,
        `product`, `low_mark` (1 seen, 0 looked for and not seen, NaN not looked for),
        `position_error_m`, `day` (text that days or files are told apart by), `inside` (bool: in
        the stand or on its edge), `source_file`, `record`.
    driven
        LineString or MultiLineString rows: `name`.
    openings
        Polygon rows of openings walked after the cut: `group`, `source_file`, `record`.
    sampled
        Polygon rows of the places that were walked, cut at the stand: `name`; none where all of it
        was walked.
    plots, plot_trees
        Plots of standing trees after the cut, as in `contracts.survey.Survey`.
    damage
        Point rows of damage to what is left, the point empty where there is no position: `plot`,
        `trees`, `damaged` (int: of these), `wound_area_m2`, `wound_height_m`, `cause`, `root` and
        `crown` (bool), `rut_depth_m`, `rut_length_m`, `regeneration` and `bent` (young trees),
        `corridor_distance_m`, `source_file`, `record`.
    rejected
        Columns of `contracts.survey.REJECTED_COLUMNS`.
    counts
        One row an input file.
    notices
        One plain sentence each.
    """

    stumps: gpd.GeoDataFrame
    driven: gpd.GeoDataFrame
    openings: gpd.GeoDataFrame
    sampled: gpd.GeoDataFrame
    plots: gpd.GeoDataFrame
    plot_trees: pd.DataFrame
    damage: gpd.GeoDataFrame
    rejected: pd.DataFrame
    counts: tuple[InputCount, ...]
    notices: tuple[str, ...]
