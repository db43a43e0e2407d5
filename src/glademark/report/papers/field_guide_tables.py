"""What stands in the tables of the field guide, as text."""

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from glademark.report.delivery import Delivery
from glademark.report.layer_frames import (
    cut_marks,
    in_words,
    kept_line_trees,
    layer_frame,
    trees_and_products,
    worded,
)
from glademark.report.papers.printed_page import Grid
from glademark.report.quantities import (
    MISSING,
    show,
    show_area,
    show_diameter,
    show_length,
    show_number,
)
from glademark.report.site_rules import (
    CROSSINGS,
    EXCLUSIONS,
    KINDS,
    LINE_TREES,
    SETBACK_RULES,
    unpainted_rules,
)
from glademark.report.verdicts import exceeded_features

_WGS84 = "EPSG:4326"
Row = tuple[str, ...]


def position_words(points: gpd.GeoSeries) -> list[str]:
    """
    Positions as a crew reads them out on the telephone.

    Parameters
    ----------
    points
        Points in any CRS.

    Examples
    --------
    >>> position_words(gpd.GeoSeries.from_xy([-88.5], [46.25], crs="EPSG:4326"))
    ['46.25000, -88.50000']
    """
    placed = points.to_crs(_WGS84)
    return [f"{lat:.5f}, {lon:.5f}" for lon, lat in shapely.get_coordinates(placed.to_numpy())]


def places(delivery: Delivery) -> list[str]:
    """Where an ambulance goes."""
    landings = layer_frame(delivery, "landings")
    if landings.empty:
        stand = layer_frame(delivery, "stand")
        return [f"In the stand: {position_words(stand.representative_point())[0]} (WGS 84)"]
    words = position_words(landings.representative_point())
    names = landings["name"].where(landings["name"] != "", "landing")
    return [f"{name}: {where} (WGS 84)" for name, where in zip(names, words, strict=True)]


def danger_grid(delivery: Delivery) -> Grid:
    """Danger trees one by one."""
    units = delivery.project.heading.units
    marks = layer_frame(delivery, "marks")
    trees = marks[marks["kind"] == "danger"]
    away = worded(trees["corridor_distance_m"], lambda m: show_length(m, units))
    near = (away + " from " + trees["corridor"]).where(trees["corridor"] != "", MISSING)
    near = near.mask(trees["corridor_distance_m"] <= 0, "IN corridor " + trees["corridor"])
    dbh = worded(trees["dbh_cm"], lambda cm: show_diameter(cm, units))
    species = trees["species"].replace("", MISSING)
    where = position_words(trees.geometry)
    return Grid(
        heads=("Tree", "Species", "DBH", "Nearest corridor", "Latitude, longitude (WGS 84)"),
        rows=list(zip(trees["label"], species, dbh, near, where, strict=True)),
        widths=(1, 2, 1, 2, 3),
    )


def line_words(delivery: Delivery) -> str:
    """Line trees that are not to be cut, each with its position; nothing where there are none."""
    trees = kept_line_trees(delivery)
    words = trees["label"] + " (" + pd.Series(position_words(trees.geometry), trees.index) + ")"
    return f"{LINE_TREES} Trees {'; '.join(words)}." if len(trees) else ""


def paint_grid(delivery: Delivery) -> Grid:
    """
    The paint key.

    One row a paint: those of the project file, then those that it does not list, recorded trees
    without paint among them, by what holds for their trees, then what is done with stems without
    paint that nobody recorded; no rows where it lists none.
    """
    marks = layer_frame(delivery, "marks")
    settings = delivery.project.marks
    paints = marks["paint"].str.casefold()
    trees = marks.groupby(paints)["count"].sum()
    rows = []
    for paint, meaning in settings.paint.items():
        words = KINDS[meaning]
        if meaning == "line_tree" and settings.line_trees_confirmed:
            words = "line tree: cut; its owners agreed"
        rows.append((paint, words, show_number(trees.get(paint.casefold(), 0), 0)))
    known = {paint.casefold() for paint in settings.paint}
    others = marks[~paints.isin(known)]
    counts = others.groupby(["paint", "kind"], as_index=False)["count"].sum()
    for unknown, kind, number in counts.to_numpy(dtype=object).tolist():
        words = KINDS[kind] if kind == "unconfirmed" else f"{KINDS[kind]}; see the list of trees"
        rows.append((str(unknown) or "recorded, no paint", words, show_number(number, 0)))
    rows += [(f"no paint, {where}", what, "") for where, what in unpainted_rules(delivery.project)]
    return Grid(
        heads=("Paint", "What to do", "Trees"),
        rows=rows if known else [],
        widths=(2, 5, 1.2),
        aligns=("left", "left", "right"),
    )


def area_grid(delivery: Delivery) -> Grid:
    """Exclusions, setbacks, crossings and trees that stay, in words."""
    rows = [
        *_exclusions(delivery),
        *_setbacks(delivery),
        *_crossings(delivery),
        *_leave_trees(delivery),
    ]
    return Grid(heads=("Where", "Size", "What holds"), rows=rows, widths=(3, 1.6, 4))


def _exclusions(delivery: Delivery) -> list[Row]:
    """Exclusions."""
    units, frame = delivery.project.heading.units, layer_frame(delivery, "exclusions")
    sizes = worded(frame["area_m2"], lambda area: show_area(area, units))
    names = frame["name"].replace("", "Exclusion")
    return [(name, size, EXCLUSIONS) for name, size in zip(names, sizes, strict=True)]


def _setbacks(delivery: Delivery) -> list[Row]:
    """Setbacks with their rules."""
    units, frame = delivery.project.heading.units, layer_frame(delivery, "setbacks")
    rows: list[Row] = []
    for row in frame.to_dict("records"):
        rule = SETBACK_RULES[row["rule"]]
        if row["rule"] == "residual_basal_area" and row["minimum_m2_ha"] > 0:
            rule += f" At least {show(row['minimum_m2_ha'], 'm2/ha', units)} stays."
        name = f"Setback {row['name']}".strip()
        rows.append((name, show_area(row["area_m2"], units), rule))
    return rows


def _crossings(delivery: Delivery) -> list[Row]:
    """Where corridors cross water."""
    frame = layer_frame(delivery, "water_crossings")
    frame = frame[(frame["what"] == "water") & frame["in_stand"]]
    return [
        (f"Corridor {corridor} over {name or 'water'}", "", CROSSINGS)
        for corridor, name in zip(frame["corridor"], frame["name"], strict=True)
    ]


def _leave_trees(delivery: Delivery) -> list[Row]:
    """Trees that stay."""
    trees = delivery.layout.figures.marks.leave_trees
    if not trees:
        return []
    return [
        (
            "Leave trees",
            f"{show_number(trees, 0)} {'tree' if trees == 1 else 'trees'}",
            "They stay: mind bark and roots.",
        )
    ]


def opening_grid(delivery: Delivery) -> Grid:
    """Openings with their trees and products."""
    units = delivery.project.heading.units
    frame = layer_frame(delivery, "openings")
    found = trees_and_products(cut_marks(delivery), "opening").reindex(frame["opening"])
    names = _with_group(frame)
    area = worded(frame["area_m2"], lambda m2: show_area(m2, units))
    trees = in_words(frame["trees"])
    of_them = [
        ", ".join(filter(None, [products, f"{count:,} counted on paper" if count else ""]))
        for products, count in zip(
            found["products"].fillna(""), on_paper_in_openings(delivery), strict=True
        )
    ]
    broken = frame["opening"].astype("str").isin(exceeded_features(delivery, "openings"))
    of_them = [
        f"{words}; LIMIT EXCEEDED" if is_broken else words
        for words, is_broken in zip(of_them, broken, strict=True)
    ]
    return Grid(
        heads=("No.", "Area", "Trees", "Of them"),
        rows=list(zip(names, area, trees, of_them, strict=True)),
        bold=frozenset(np.flatnonzero(broken).tolist()),
        widths=(1.4, 1.75, 1.35, 4),
        aligns=("left", "right", "right", "left"),
    )


def on_paper_in_openings(delivery: Delivery) -> list[int]:
    """Trees of each opening that were counted on paper and stand in its row."""
    frame = layer_frame(delivery, "openings")
    located = cut_marks(delivery).groupby("opening")["count"].sum().reindex(frame["opening"])
    counted = frame["trees"].to_numpy(dtype=int) - located.fillna(0).to_numpy(dtype=int)
    return [int(count) for count in counted]


def corridor_grid(delivery: Delivery) -> Grid:
    """Corridors with their width, their trees and products, and the single trees beside them."""
    units = delivery.project.heading.units
    frame = layer_frame(delivery, "corridors")
    cut = cut_marks(delivery)
    single = ~cut["zone"].isin(["corridor", "opening"])
    names = frame["corridor"].where(frame["state"] != "existing", frame["corridor"] + " (existing)")
    width = worded(frame["width_m"], lambda m: show_length(m, units))
    inside, beside = (
        _counted(part, frame["corridor"]) for part in (cut[cut["zone"] == "corridor"], cut[single])
    )
    return Grid(
        heads=("Corridor", "Width", "Trees in it", "Single trees near it"),
        rows=list(zip(names, width, inside, beside, strict=True)),
        widths=(1.75, 1.2, 3.5, 3.5),
        aligns=("left", "right", "left", "left"),
    )


def single_tree_grid(delivery: Delivery) -> Grid:
    """Trees to cut on a stand without corridors, outside its openings."""
    cut = cut_marks(delivery)
    single = cut[~cut["zone"].isin(["corridor", "opening"]) & (cut["corridor"] == "")]
    rows = [("Single trees", words) for words in _counted(single, pd.Series([""])) if words]
    return Grid(heads=("Where", "Trees"), rows=rows, widths=(1, 4))


def _counted(cut: pd.DataFrame, corridors: pd.Series) -> list[str]:
    """Trees of each product for each corridor; blank where there are none."""
    found = trees_and_products(cut, "corridor").reindex(corridors)
    return found["products"].fillna("").tolist()


def _with_group(frame: pd.DataFrame) -> pd.Series:
    """Number of each opening, with the marker's name where that says more."""
    number = frame["opening"].astype("string")
    more = (frame["group"] != "") & (frame["group"] != number)
    return number.where(~more, number + " " + frame["group"])
