"""Records of an invented walk after the invented cut of the sample stand, and its truth."""

import csv
from dataclasses import dataclass
from io import StringIO
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import sample_stand as stand
import shapely
from numpy.typing import NDArray
from pyproj import Transformer
from sample_marks import SPECIES, TALLIED, marks, trees

LEFT = 21
"""Marked trees that were left standing."""

UNMARKED = 12
"""Trees cut without a mark, off corridors."""

UNMARKED_IN_CORRIDOR = 7
"""The same in corridors."""

DAMAGED_NEAR, DAMAGED_FAR = 0.14, 0.02
"""Share of the trees left that were damaged within 10 ft of a corridor, and farther off."""

LOW_MARK_KEPT, LOW_MARK_FALSE, LOOKED = 0.95, 0.02, 0.8
"""Low marks seen on marked stumps, believed to be seen on others; stumps looked at for one."""

ERROR_M = 1.5
SHIFT_M = (1.8, -1.2)
SEED_TALLIED, SEED_DAMAGE = 20_260_314, 20_260_315
STUMP_OVER_DBH = 1.21
"""Sugar maple a foot above ground by Raile 1982; here all species have it."""

_PAST_END_M = 38.0
_OPENING_GROWN_M = 3.0


@dataclass(frozen=True, kw_only=True)
class AfterCut:
    """Stumps in local coordinates, with what they truly are; those counted on paper apart."""

    stumps: pd.DataFrame
    left: pd.DataFrame
    tallied: pd.DataFrame


def after_cut(marks_rng: np.random.Generator, rng: np.random.Generator) -> AfterCut:
    """Stumps of the marked trees but some, and of some others."""
    every = marks(marks_rng)
    cut = every[every["paint"].isin(["white", "pink", ""])]
    cut = cut.assign(dbh=pd.to_numeric(cut["dbh"]))
    each = cut.loc[cut.index.repeat(cut["count"])].reset_index(drop=True)
    singles = each.index[each["count"] == 1]
    left = np.sort(rng.choice(singles, LEFT, replace=False))
    known = each[["x", "y"]].to_numpy()
    off = _apart(stand.scattered_stems(400, rng), known, 5.0)[:UNMARKED]
    inside = _apart(stand.corridor_stems(120, rng), known, 5.0)
    deep = shapely.contains_xy(stand.corridor_strips().buffer(-1.5), inside)
    inside = inside[deep][:UNMARKED_IN_CORRIDOR]
    others = trees(np.vstack([off, inside]), rng, mean_in=11)
    others = others.assign(truth=["unmarked"] * len(off) + ["unmarked_in_corridor"] * len(inside))
    stumps = pd.concat([each.drop(left).assign(truth="matched"), others], ignore_index=True)
    return AfterCut(stumps=stumps, left=each.loc[left], tallied=_tallied(known))


def _tallied(known: NDArray[np.float64]) -> pd.DataFrame:
    """Trees counted on paper, all of them cut: anywhere in the matrix, off the marks."""
    rng = np.random.default_rng(SEED_TALLIED)
    counts = [(name, dbh, n) for name, of in TALLIED.items() for dbh, n in of.items()]
    species = np.repeat([name for name, _, _ in counts], [n for _, _, n in counts])
    dbh = np.repeat([float(dbh) for _, dbh, _ in counts], [n for _, _, n in counts])
    xy = _apart(stand.scattered_stems(900, rng), known, 3.0)[: len(dbh)]
    sizes = dbh + rng.uniform(-0.9, 0.9, len(dbh))
    columns = {"x": xy[:, 0], "y": xy[:, 1], "dbh": sizes, "species": species}
    return pd.DataFrame(columns).assign(truth="matched")


def _apart(
    xy: NDArray[np.float64], others: NDArray[np.float64], distance_m: float
) -> NDArray[np.float64]:
    """Points farther than a distance from others."""
    away = np.hypot(*(xy[:, None, :] - others[None, :, :]).transpose(2, 0, 1))
    return xy[away.min(axis=1) > distance_m]


def _as_walked(stumps: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Stumps as they were recorded: low mark, place and diameter with their errors."""
    seen = np.where(
        stumps["truth"] == "matched",
        rng.random(len(stumps)) < LOW_MARK_KEPT,
        rng.random(len(stumps)) < LOW_MARK_FALSE,
    )
    looked = rng.random(len(stumps)) < LOOKED
    shaken = stumps[["x", "y"]].to_numpy() + SHIFT_M
    shaken = shaken + rng.normal(0, ERROR_M / np.sqrt(2), shaken.shape)
    diameter = stumps["dbh"].to_numpy(dtype=float) * STUMP_OVER_DBH
    diameter = (diameter * np.exp(rng.normal(0, 0.06, len(stumps)))).round(1)
    low_mark = np.where(looked, np.where(seen, "yes", "no"), "")
    return pd.DataFrame(stumps[["species"]]).assign(
        x=shaken[:, 0], y=shaken[:, 1], dbh=diameter, low_mark=low_mark
    )


def stump_file(walk: AfterCut, rng: np.random.Generator) -> str:
    """CSV text of the walk, in the order in which it was walked."""
    parts = [_as_walked(walk.stumps, rng)]
    parts.append(_as_walked(walk.tallied, np.random.default_rng(SEED_TALLIED + 1)))
    stumps = pd.concat(parts, ignore_index=True)
    to_degrees = Transformer.from_crs(stand.CRS, "EPSG:4326", always_xy=True)
    lon, lat = to_degrees.transform(*(stumps[["x", "y"]].to_numpy() + stand.ORIGIN).T)
    order = np.lexsort((stumps["y"], (stumps["x"] // 50).astype(int)))
    text = StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(
        [
            "stump",
            "stump_diameter_in",
            "stump_height_ft",
            "species",
            "low_mark",
            "date",
            "lon",
            "lat",
        ]
    )
    names = [one if one in SPECIES else "" for one in stumps["species"]]
    for number, at in enumerate(order.tolist(), 1):
        writer.writerow(
            [
                number,
                stumps["dbh"].iloc[at],
                1,
                names[at],
                stumps["low_mark"].iloc[at],
                "2026-03-14",
                f"{lon[at]:.7f}",
                f"{lat[at]:.7f}",
            ]
        )
    return text.getvalue()


def _placed(shapes: list[shapely.Geometry]) -> gpd.GeoSeries:
    """Local geometry at its place on the map, to the centimetre."""
    moved = gpd.GeoSeries(shapes, crs=stand.CRS).translate(*stand.ORIGIN)
    return gpd.GeoSeries(shapely.set_precision(moved.to_numpy(), 0.01), crs=stand.CRS)


def _tracks(rng: np.random.Generator) -> dict[str, shapely.LineString]:
    """Where a machine drove: most corridors but K, and past the end of D into the stand."""
    driven = {}
    for name, line in stand.CORRIDORS.items():
        if name == "K":
            continue
        places = shapely.get_coordinates(shapely.segmentize(line, 6.0))
        if name == "D":
            end = places[-1] + np.column_stack([np.arange(1, 8), np.zeros(7)]) * -_PAST_END_M / 7
            places = np.vstack([places, end])
        driven[name] = shapely.LineString(places + rng.normal(0, 0.5, places.shape))
    return driven


def write_after_cut(folder: Path, marks_rng: np.random.Generator, rng: np.random.Generator) -> None:
    """Write stumps, tracks, walked openings, plots after the cut and walked strips."""
    folder.mkdir(parents=True, exist_ok=True)
    walk = after_cut(marks_rng, rng)
    (folder / "stumps.csv").write_bytes(stump_file(walk, rng).encode())
    tracks = _tracks(rng)
    _write(folder, "driven", list(tracks.values()), name=[f"track {name}" for name in tracks])
    grown = [stand.GROUPS["7"].buffer(3 + _OPENING_GROWN_M), stand.GROUPS["9"].buffer(3)]
    _write(folder, "openings", [area.simplify(0.4) for area in grown], group=["7", "9"])
    strips = [shapely.box(x, -10, x + 20, 490) for x in range(30, 500, 80)]
    _write(folder, "strips", strips, name=[f"strip {n}" for n in range(1, len(strips) + 1)])
    _write_plots(folder, rng)
    _write_damage(folder, np.random.default_rng(SEED_DAMAGE))


def _write(
    folder: Path, layer: str, shapes: list[shapely.Geometry], /, **columns: list[str]
) -> None:
    """One GeoPackage with one layer of the same name."""
    path = folder / f"{layer}.gpkg"
    path.unlink(missing_ok=True)
    pyogrio.write_dataframe(gpd.GeoDataFrame(columns, geometry=_placed(shapes)), path, layer=layer)


def _write_plots(folder: Path, rng: np.random.Generator) -> None:
    """Trees counted at points after the cut."""
    rows = [["plot", "baf_ft2_ac", "count"]]
    rows += [[str(n), "10", str(count)] for n, count in enumerate(rng.poisson(8.2, 16), 1)]
    text = StringIO()
    csv.writer(text, lineterminator="\n").writerows(rows)
    (folder / "plots_after.csv").write_bytes(text.getvalue().encode())


def _write_damage(folder: Path, rng: np.random.Generator) -> None:
    """Residual trees of 20 plots: those without damage counted, the others one by one."""
    text = StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(
        [
            "plot", "count", "species", "damaged", "wound_area_in2", "wound_height_ft", "cause",
            "root", "crown", "rut_depth_in", "rut_length_ft", "regeneration", "bent",
            "corridor_distance_ft",
        ]
    )  # fmt: skip
    for plot in range(1, 21):
        for away, usual, share in ((6, 4.0, DAMAGED_NEAR), (25, 7.0, DAMAGED_FAR)):
            there = int(rng.poisson(usual))
            hurt = int(rng.binomial(there, share))
            whole = there - hurt
            writer.writerow([plot, whole, "", "no", *[""] * 9, away])
            for _ in range(hurt):
                species, wound = rng.choice(list(SPECIES)), round(float(rng.lognormal(3.2, 0.8)))
                cause = "skidding" if away < 10 else "felling"  # noqa: PLR2004 - near the corridor
                height = round(float(rng.uniform(0.5, 4)), 1)
                root = "yes" if rng.random() < 0.2 else "no"  # noqa: PLR2004 - a share
                writer.writerow(
                    [plot, 1, species, "yes", wound, height, cause, root, "no", *[""] * 4, away]
                )
        seen = int(rng.poisson(6))
        writer.writerow([plot, *[""] * 10, seen, int(rng.binomial(seen, 0.2)), ""])
        if rng.random() < 0.3:  # noqa: PLR2004 - a share of the plots has a rut
            rut = [round(float(rng.uniform(3, 9)), 1), round(float(rng.uniform(8, 40)))]
            writer.writerow([plot, *[""] * 8, *rut, "", "", ""])
    (folder / "damage.csv").write_bytes(text.getvalue().encode())
