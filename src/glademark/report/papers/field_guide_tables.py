"""What stands in the tables of the field guide, as text."""

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd

from glademark.report.delivery import Delivery
from glademark.report.layer_frames import (
    corridors_in_order,
    crossing_words,
    cut_marks,
    danger_trees,
    in_words,
    keep_away_words,
    layer_frame,
    leave_trees,
    line_trees,
    position_words,
    steep_words,
    trees_and_products,
    volume_text,
    way_words,
    wood_at_landings,
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
from glademark.report.wording import exceeded_features, hazard_words, say, unpainted_rules

Row = tuple[str, ...]


def places(delivery: Delivery) -> list[str]:
    """Where an ambulance goes."""
    landings = layer_frame(delivery, "landings")
    if landings.empty:
        stand = layer_frame(delivery, "stand")
        return [say("in-the-stand", where=position_words(stand.representative_point())[0])]
    words = position_words(landings.representative_point())
    names = landings["name"].where(landings["name"] != "", say("a-landing"))
    return [say("at-landing", name=name, where=at) for name, at in zip(names, words, strict=True)]


def danger_grid(delivery: Delivery) -> Grid:
    """Danger trees one by one."""
    trees = danger_trees(delivery)
    grid = _tree_grid(delivery, trees)
    rows = zip(grid.rows, keep_away_words(delivery, trees), strict=True)
    return replace(
        grid,
        heads=(*grid.heads, say("head-keep-away")),
        rows=[(*row, away) for row, away in rows],
        widths=(*grid.widths, 1.5),
    )


def line_grid(delivery: Delivery) -> Grid:
    """Line trees that are not to be cut, one by one."""
    return _tree_grid(delivery, line_trees(delivery))


def _heads(*names: str) -> Row:
    """Heads of a table."""
    return tuple(say(f"head-{name}") for name in names)


def _tree_grid(delivery: Delivery, trees: gpd.GeoDataFrame) -> Grid:
    """Trees with what helps to find them."""
    units = delivery.project.heading.units
    dbh = worded(trees["dbh_cm"], lambda cm: show_diameter(cm, units))
    species = trees["species"].replace("", MISSING)
    return Grid(
        heads=_heads("tree", "species", "dbh", "nearest", "place-wgs84"),
        rows=list(zip(trees["label"], species, dbh, trees["near"], trees["where"], strict=True)),
        widths=(1, 2, 1, 2.2, 2.6),
    )


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
        words = say(f"kind-{meaning}")
        if meaning == "line_tree" and settings.line_trees_confirmed:
            words = say("line-tree-agreed")
        rows.append((paint, words, show_number(trees.get(paint.casefold(), 0), 0)))
    known = {paint.casefold() for paint in settings.paint}
    others = marks[~paints.isin(known)]
    counts = others.groupby(["paint", "kind"], as_index=False)["count"].sum()
    for unknown, kind, number in counts.to_numpy(dtype=object).tolist():
        words = say(f"kind-{kind}")
        words = words if kind == "unconfirmed" else say("see-list", what=words)
        rows.append((str(unknown) or say("recorded-no-paint"), words, show_number(number, 0)))
    unpainted = unpainted_rules(delivery.project)
    rows += [(say(f"no-paint-{where}"), what, "") for where, what in unpainted]
    return Grid(
        heads=_heads("paint", "to-do", "trees"),
        rows=rows if known else [],
        widths=(2, 5, 1.2),
        aligns=("left", "left", "right"),
    )


def area_grid(delivery: Delivery) -> Grid:
    """Hazards, exclusions, setbacks, crossings and trees that stay, in words."""
    rows = [
        *_hazards(delivery),
        *_exclusions(delivery),
        *_setbacks(delivery),
        *_crossings(delivery),
        *_leave_trees(delivery),
    ]
    return Grid(heads=_heads("where", "size", "holds"), rows=rows, widths=(3, 1.6, 4))


def _hazards(delivery: Delivery) -> list[Row]:
    """Hazards with their places."""
    frame = layer_frame(delivery, "hazards")
    where = position_words(frame.representative_point())
    names = frame["name"].replace("", say("a-hazard"))
    return [
        (say("hazard-at", name=name, where=at), "", hazard_words(away_m, delivery.project))
        for name, at, away_m in zip(names, where, frame["keep_away_m"], strict=True)
    ]


def _exclusions(delivery: Delivery) -> list[Row]:
    """Exclusions."""
    units, frame = delivery.project.heading.units, layer_frame(delivery, "exclusions")
    sizes = worded(frame["area_m2"], lambda area: show_area(area, units))
    names = frame["name"].replace("", say("an-exclusion"))
    return [(name, size, say("exclusion")) for name, size in zip(names, sizes, strict=True)]


def _setbacks(delivery: Delivery) -> list[Row]:
    """Setbacks with their rules."""
    units, frame = delivery.project.heading.units, layer_frame(delivery, "setbacks")
    rows: list[Row] = []
    for row in frame.to_dict("records"):
        rule = say(f"setback-{row['rule']}")
        if row["rule"] == "residual_basal_area" and row["minimum_m2_ha"] > 0:
            least = show(row["minimum_m2_ha"], "m2/ha", units)
            rule = f"{rule} {say('at-least-stays', amount=least)}"
        name = say("a-setback", name=row["name"]).strip()
        rows.append((name, show_area(row["area_m2"], units), rule))
    return rows


def _crossings(delivery: Delivery) -> list[Row]:
    """Where corridors cross water."""
    frame = layer_frame(delivery, "water_crossings")
    frame = frame[(frame["what"] == "water") & frame["in_stand"]]
    where, names = position_words(frame.geometry), frame["name"].replace("", say("a-water"))
    return [
        (say("crossing-at", corridor=corridor, name=name, where=at), "", say("crossing"))
        for corridor, name, at in zip(frame["corridor"], names, where, strict=True)
    ]


def _leave_trees(delivery: Delivery) -> list[Row]:
    """Trees that stay."""
    trees = delivery.layout.figures.marks.leave_trees
    if not trees:
        return []
    number = say("some-trees", count=trees, trees=show_number(trees, 0))
    return [(say("head-leave-trees"), number, say("leave-trees-stay"))]


def opening_grid(delivery: Delivery) -> Grid:
    """Openings with their trees, products and volumes."""
    units = delivery.project.heading.units
    frame = layer_frame(delivery, "openings")
    found = trees_and_products(cut_marks(delivery), "opening").reindex(frame["opening"])
    broken = frame["opening"].astype("str").isin(exceeded_features(delivery, "openings"))
    exceeded = say("exceeded-in-short")
    of_them = [
        ", ".join(filter(None, [products, on_paper if count else ""])) + f"; {exceeded}" * is_broken
        for products, count, is_broken in zip(
            found["products"].fillna(""), on_paper_in_openings(delivery), broken, strict=True
        )
        for on_paper in [say("counted-on-paper", trees=f"{count:,}")]
    ]
    columns = (
        _with_group(frame),
        worded(frame["area_m2"], lambda m2: show_area(m2, units)),
        in_words(frame["trees"]),
        of_them,
        worded(frame["volume"], volume_text),
    )
    return Grid(
        heads=_heads("number", "area", "trees", "of-them", "volume"),
        rows=list(zip(*columns, strict=True)),
        bold=frozenset(np.flatnonzero(broken).tolist()),
        widths=(2.2, 1.5, 0.9, 3.6, 3.6),
        aligns=("left", "right", "right", "left", "left"),
    )


def on_paper_in_openings(delivery: Delivery) -> list[int]:
    """Trees of each opening that were counted on paper and stand in its row."""
    frame = layer_frame(delivery, "openings")
    located = cut_marks(delivery).groupby("opening")["count"].sum().reindex(frame["opening"])
    counted = frame["trees"].to_numpy(dtype=int) - located.fillna(0).to_numpy(dtype=int)
    return [int(count) for count in counted]


def corridor_grid(delivery: Delivery) -> Grid:
    """Corridors in the order of work, with their trees, the single trees beside them, and wood."""
    units = delivery.project.heading.units
    frame = corridors_in_order(delivery)
    cut = cut_marks(delivery)
    single = ~cut["zone"].isin(["corridor", "opening"])
    existing = worded(frame["corridor"], lambda name: say("existing-corridor", corridor=name))
    names = frame["corridor"].where(frame["state"] != "existing", existing)
    columns = (
        names,
        worded(frame["way_m"], lambda m: way_words(m, units)),
        worded(frame["width_m"], lambda m: show_length(m, units)),
        _counted(cut[cut["zone"] == "corridor"], frame["corridor"]),
        worded(frame["volume"], volume_text),
        _counted(cut[single], frame["corridor"]),
        [
            "; ".join(
                filter(None, [steep_words(row, units), crossing_words(delivery, row["corridor"])])
            )
            for row in frame.to_dict("records")
        ],
    )
    to_landing = len(delivery.layout.landings) > 0
    kept = [at for at in range(len(columns)) if any(columns[at]) and (at != 1 or to_landing)]
    heads = _heads("corridor", "to-landing", "width", "trees-in", "their-volume", "single", "mind")
    widths = (1.7, 1.1, 1.0, 2.2, 2.5, 2.2, 2.0)
    return Grid(
        heads=[heads[at] for at in kept],
        rows=list(zip(*(columns[at] for at in kept), strict=True)),
        widths=[widths[at] for at in kept],
        aligns=["right" if at in {1, 2} else "left" for at in kept],
    )


def landing_grid(delivery: Delivery) -> Grid:
    """What comes to each landing along the corridors."""
    frame = wood_at_landings(delivery)
    columns = (frame["landing"], in_words(frame["trees"]), frame["volume"])
    return Grid(
        heads=_heads("comes", "trees", "volume"),
        rows=list(zip(*columns, strict=True)),
        widths=(3, 1, 6),
        aligns=("left", "right", "left"),
    )


def leave_grid(delivery: Delivery) -> Grid:
    """Trees that stay, one by one."""
    units, trees = delivery.project.heading.units, leave_trees(delivery)
    dbh = worded(trees["dbh_cm"], lambda cm: show_diameter(cm, units)).replace(MISSING, "")
    what = (trees["species"] + " " + dbh).str.strip()
    return Grid(
        heads=_heads("tree", "what", "nearest", "place"),
        rows=list(zip(trees["label"], what, trees["near"], trees["where"], strict=True)),
        widths=(1, 2.6, 2.6, 2.4),
    )


def rule_grid(delivery: Delivery) -> Grid:
    """What the project says of meeting point, access, flagging, slash, tops and stumps."""
    crew = delivery.project.crew
    given = (
        (say("meeting-point"), crew.meeting_point),
        (say("access"), crew.access),
        *((say("flagging", colour=one), meaning) for one, meaning in crew.flagging.items()),
        (say("slash"), crew.slash),
        (say("top"), crew.top),
        (say("stump-height"), crew.stump_height),
    )
    return Grid(heads=(), rows=[(name, words) for name, words in given if words], widths=(1, 4))


def single_tree_grid(delivery: Delivery) -> Grid:
    """Trees to cut on a stand without corridors, outside its openings."""
    cut = cut_marks(delivery)
    single = cut[~cut["zone"].isin(["corridor", "opening"]) & (cut["corridor"] == "")]
    rows = [(say("single-trees"), words) for words in _counted(single, pd.Series([""])) if words]
    return Grid(heads=_heads("where", "trees"), rows=rows, widths=(1, 4))


def _counted(cut: pd.DataFrame, corridors: pd.Series) -> list[str]:
    """Trees of each product for each corridor; blank where there are none."""
    found = trees_and_products(cut, "corridor").reindex(corridors)
    return found["products"].fillna("").tolist()


def _with_group(frame: pd.DataFrame) -> pd.Series:
    """Number of each opening, with the marker's name where that says more."""
    number = frame["opening"].astype("string")
    more = (frame["group"] != "") & (frame["group"] != number)
    return number.where(~more, number + " " + frame["group"])
