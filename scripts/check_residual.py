"""
How often intervals of the residual stand hold the truth, on stands whose every tree is known.

``python scripts/check_residual.py --stands 500`` draws stands of three diameter structures, marks
some of their trees, takes cruise plots, and prints the share of 95 % intervals that hold the truth,
for trees by class (by the number of plot trees to be expected), basal area and the quotient q.
Seeded: the same stands each time.
"""

import argparse
import tempfile
from collections.abc import Iterator
from pathlib import Path

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from glademark.contracts.layout import Layout
from glademark.forestry.size_classes import fitted_q
from glademark.intake.read import surveys_of
from glademark.intake.stand import open_stands
from glademark.measure.layout import measure_layout
from glademark.project.model import Project

SIDE_M = 141.4
TREES_PER_HA = 450
PLOTS = 25
PLOT_M2 = 200.0
MARKED = 0.3
CLASSES_CM = np.arange(10, 50, 10)
THIN = 20
SMALLEST_CM, LARGEST_CM = 5.0, 45.0
UNDERSTOREY = 0.6
CRS = "EPSG:32616"
ORIGIN = (500_000.0, 5_000_000.0)
STRUCTURES = ("falling by q", "one storey", "two storeys")

FloatArray = npt.NDArray[np.float64]


def diameters(structure: str, count: int, rng: np.random.Generator) -> FloatArray:
    """Diameters [cm] from 5 up to 45, in one of three structures."""
    if structure == "falling by q":
        share = 1.5 ** -np.arange(4.0)
        middle = rng.choice(CLASSES_CM, count, p=share / share.sum())
        return np.asarray(middle + rng.uniform(-5, 4.999, count))
    first = rng.normal(25, 8, 4 * count)
    if structure == "two storeys":
        low = rng.random(4 * count) < UNDERSTOREY
        first = np.where(low, rng.normal(13, 4, 4 * count), rng.normal(33, 5, 4 * count))
    return np.asarray(first[(first >= SMALLEST_CM) & (first < LARGEST_CM)][:count])


def invented_stands(structure: str, stands: int, seed: int) -> Iterator[tuple[str, pd.DataFrame]]:
    """Name and trees of each stand: position, diameter, whether it is marked."""
    for number in range(stands):
        rng = np.random.default_rng([seed, STRUCTURES.index(structure), number])
        count = rng.poisson(TREES_PER_HA * SIDE_M**2 / 10_000)
        x, y = rng.uniform(0, SIDE_M, (2, count))
        trees = pd.DataFrame({"x": x, "y": y, "dbh_cm": diameters(structure, count, rng).round(1)})
        trees["marked"] = rng.random(count) < MARKED
        yield f"S{number:03d}", trees


def plots_of(trees: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Trees on plots anywhere in the stand, which goes on beyond its edge as on the other side."""
    centres = rng.uniform(0, SIDE_M, (PLOTS, 2))
    away = np.abs(trees[["x", "y"]].to_numpy()[None] - centres[:, None])
    away = np.minimum(away, SIDE_M - away)
    plot, tree = np.nonzero((away**2).sum(axis=2) <= PLOT_M2 / np.pi)
    rows = pd.DataFrame(
        {"plot": plot, "species": "red oak", "dbh_cm": trees["dbh_cm"].to_numpy()[tree]}
    )
    empty = pd.DataFrame({"plot": np.setdiff1d(np.arange(PLOTS), plot), "species": ""})
    return pd.concat([rows, empty], ignore_index=True).assign(plot_area_m2=PLOT_M2)


def laid_out(structure: str, stands: int, seed: int) -> tuple[Layout, dict[str, pd.DataFrame]]:
    """Layout of the stands of one structure, all at once, and their trees."""
    truth = dict(invented_stands(structure, stands, seed))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        project = _written(truth, folder, seed)
        with open_stands(project, folder=folder) as many:
            (survey,) = surveys_of(many.inputs, project)
        layout = measure_layout(survey, project, earlier={})
    return layout, truth


def _written(truth: dict[str, pd.DataFrame], folder: Path, seed: int) -> Project:
    """Field files of the stands and their project."""
    marks, plots, shapes = [], [], []
    for number, (stand, trees) in enumerate(truth.items()):
        east = ORIGIN[0] + 2 * SIDE_M * number
        cut = trees[trees["marked"]]
        marks.append(
            cut.assign(stand_id=stand, x=cut["x"] + east, y=cut["y"] + ORIGIN[1], species="red oak")
        )
        rng = np.random.default_rng([seed, 99, number])
        plots.append(plots_of(trees, rng).assign(stand_id=stand))
        shapes.append(shapely.box(east, ORIGIN[1], east + SIDE_M, ORIGIN[1] + SIDE_M))
    pd.concat(marks).drop(columns="marked").to_csv(folder / "marks.csv", index=False)
    pd.concat(plots).to_csv(folder / "cruise.csv", index=False)
    gpd.GeoDataFrame({"stand_id": [*truth]}, geometry=shapes, crs=CRS).to_file(
        folder / "stand.gpkg"
    )
    return Project.model_validate(
        {
            "project": {"name": "Invented", "units": "metric", "stand_id": "stand_id"},
            "inputs": {
                "stand": "stand.gpkg",
                "marks": {"file": "marks.csv", "crs": CRS},
                "cruise": "cruise.csv",
            },
            "openings": {"crown_radius": "0.5 m", "min_area": "10 ha"},
            "target_structure": {
                "basal_area": "12 m2/ha",
                "dbh_max": "45 cm",
                "q": 1.5,
                "class_width": "10 cm",
            },
        }
    )


def covered(layout: Layout, truth: dict[str, pd.DataFrame]) -> pd.DataFrame:
    """Whether each interval holds the true figure: `what`, `held` and plot trees `expected`."""
    rows: list[dict[str, object]] = []
    hectares = SIDE_M**2 / 10_000
    for number, trees in enumerate(truth.values()):
        stays = trees.loc[~trees["marked"], "dbh_cm"].to_numpy()
        table = layout.residual_by_class
        table = table[(table["stand"] == number) & (table["row"] == "class")]
        table = table.set_index("size_class")
        true_counts = np.array([_in_class(stays, middle) for middle in CLASSES_CM], dtype=float)
        for middle, true in zip(CLASSES_CM, true_counts, strict=True):
            row = table.loc[f"{middle} cm"]
            expected = _in_class(trees["dbh_cm"].to_numpy(), middle) / hectares * _plots_ha()
            what = "trees of a class" if expected >= THIN else "trees of a thin class"
            held = row["residual_trees_low"] <= true <= row["residual_trees_high"]
            rows.append({"what": what, "held": bool(held), "expected": expected})
        figures = layout.by_stand[number].residual["residual"]
        basal = float((np.pi / 40_000 * stays**2).sum()) / hectares
        q = fitted_q(CLASSES_CM, true_counts, width_cm=10)
        for what, key, value in (
            ("basal area", "basal_area_m2_ha", basal),
            ("quotient q", "q", q),
        ):
            held = figures[f"{key}_low"] <= value <= figures[f"{key}_high"]
            rows.append({"what": what, "held": bool(held), "expected": np.nan})
    return pd.DataFrame(rows)


def _in_class(sizes: FloatArray, middle: float) -> int:
    """Trees of the class of 10 cm with this middle."""
    return int(((sizes >= middle - 5) & (sizes < middle + 5)).sum())


def _plots_ha() -> float:
    """Ground of all plots of a stand [ha]."""
    return PLOTS * PLOT_M2 / 10_000


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--stands", type=int, default=500, help="stands in all")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--structure", choices=STRUCTURES, action="append", help="left out: all")
    asked = parser.parse_args()
    structures = asked.structure or STRUCTURES
    each = -(-asked.stands // len(structures))
    for structure in structures:
        found = covered(*laid_out(structure, each, asked.seed))
        for what, held in found.groupby("what")["held"]:
            print(f"{structure} | {what} | {len(held)} | {100 * held.mean():.1f} %")


if __name__ == "__main__":
    main()
