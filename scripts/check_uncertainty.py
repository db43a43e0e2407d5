"""
What the 90 % intervals cover, over synthetic stands whose truth is known.

``python scripts/check_uncertainty.py --stands 1000`` runs two processes and writes the table into
``docs/uncertainty.md``. Seeded: the same numbers each time.
"""

import argparse
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
import shapely
from synthetic_stands import (
    CROWN_ERROR,
    LINE_LENGTH_M,
    STAND,
    STRIP_M,
    Group,
    Synthetic,
    synthetic_stand,
)

from glademark.measure.corridors import strips_of
from glademark.measure.crowns import crown_discs
from glademark.measure.edges import Edge, crown_outlines
from glademark.uncertainty.errors import PositionErrors, draw_positions
from glademark.uncertainty.openings import (
    DrawnOpening,
    area_draws,
    distance_draws,
    on_edge,
    spacing_draws,
    union_areas,
)
from glademark.uncertainty.zone_chances import Places, final_zones, share_draws, zone_draws

PAGE = Path(__file__).resolve().parent.parent / "docs" / "uncertainty.md"
SIZES_M = (1.0, 2.0, 3.0, 5.0)
DRAWS = 200
BEGIN, END = (
    "<!-- coverage: written by scripts/check_uncertainty.py -->",
    "<!-- end of coverage -->",
)
TITLES = {
    "share": "corridor share",
    "volume": "zone volume",
    "boundary": "distance to boundary",
    "area": "opening area by marked crowns",
    "standing_crowns": "opening area at the standing crowns",
    "boles": "opening area to the boles",
    "spacing": "spacing",
}


def one_stand(seed: int, sigma_m: float) -> list[dict[str, object]]:
    """Truth, low and high end of every figure of one stand."""
    rng = np.random.default_rng([seed, int(10 * sigma_m)])
    stand = synthetic_stand(rng, sigma_m=sigma_m)
    drawn = [drawn_group(group, sigma_m, rng) for group in stand.groups]
    truth = [exact(group) for group in stand.groups]
    rows = [
        row(
            "area",
            union_areas(true.recorded[None], true.radii_m)[0],
            area_draws(one, measured_m2=0),
        )
        for one, true in zip(drawn, truth, strict=True)
    ]
    rows += [
        edge_row(one, true, group, edge)
        for one, true, group in zip(drawn, truth, stand.groups, strict=True)
        for edge in ("standing_crowns", "boles")
    ]
    rows.append(row("spacing", spacing_draws(*truth)[0], spacing_draws(*drawn)))
    boundary = shapely.boundary(STAND)
    rows.append(
        row("boundary", distance_draws(truth[0], boundary)[0], distance_draws(drawn[0], boundary))
    )
    rows.append(share_row(stand, sigma_m, rng))
    other = np.random.default_rng([seed, int(10 * sigma_m), 1])
    rows.append(volume_row(stand, sigma_m, other))
    return [one | {"sigma": sigma_m} for one in rows]


def edge_row(one: DrawnOpening, true: DrawnOpening, group: Group, edge: Edge) -> dict[str, object]:
    """Area on an edge; the standing crown is the median of the stated ones."""
    radius = float(np.median(group.radii_m))
    recorded, truth = (
        edge_area(spots, radii, edge, radius)
        for spots, radii in ((one.recorded, one.radii_m), (true.recorded, true.radii_m))
    )
    drawn = on_edge(one, edge, radius_m=radius, area_m2=recorded)
    return row(edge, truth, area_draws(drawn, measured_m2=0))


def edge_area(spots: np.ndarray, radii: np.ndarray, edge: Edge, radius_m: float) -> float:
    """Area of a group of crowns on an edge [m2]."""
    discs = crown_discs(np.asarray(shapely.points(spots), object), radius_m=radii, bearing=0.0)
    owner, radius = np.zeros(len(discs), dtype=int), np.full(len(discs), radius_m)
    outlines = crown_outlines(discs, owner, radius_m=radius, link_distance_m=0.0)[1]
    return float(outlines.by(edge)[0].area)


def row(name: str, true: float, draws: np.ndarray) -> dict[str, object]:
    """One figure: whether its 90 % interval holds the truth, and its median against it."""
    low, middle, high = np.quantile(draws, [0.05, 0.5, 0.95], method="weibull")
    return {"figure": name, "true": true, "low": low, "middle": middle, "high": high}


def drawn_group(group: Group, sigma_m: float, rng: np.random.Generator) -> DrawnOpening:
    """A recorded group as the package draws it."""
    n = len(group.recorded)
    centres = draw_positions(
        group.recorded, radii_m=group.radii_m, error_m=np.full(n, sigma_m), count=DRAWS, rng=rng
    )
    scale = np.maximum(1 + CROWN_ERROR * rng.standard_normal((DRAWS, n)), 0.2)
    return opening(group.recorded, group.radii_m, centres, group.radii_m * scale, sigma_m)


def exact(group: Group) -> DrawnOpening:
    """A true group, as an opening without error."""
    return opening(group.true, group.true_radii_m, group.true[None], group.true_radii_m[None], 0.01)


def opening(
    recorded: np.ndarray, radii: np.ndarray, centres: np.ndarray, drawn: np.ndarray, error_m: float
) -> DrawnOpening:
    """An opening without leave trees."""
    return DrawnOpening(
        recorded=recorded, radii_m=radii, centres=centres, drawn_radii_m=drawn, basis="tagged",
        leave=(np.zeros((len(centres), 0, 2)), np.zeros(0)), error_m=error_m,
    )  # fmt: skip


def ground_of(lines: object) -> shapely.Geometry:
    """Ground of corridor lines inside the stand."""
    shapes = lines.geometry.to_numpy()
    strips = strips_of(shapes, width_m=np.full(len(shapes), STRIP_M))
    return shapely.intersection(shapely.union_all(strips), STAND)


def share_row(stand: Synthetic, sigma_m: float, rng: np.random.Generator) -> dict[str, object]:
    """Share of the stand in corridors."""
    measured, true = (
        ground_of(lines).area / STAND.area for lines in (stand.lines, stand.true_lines)
    )
    draws = measured + share_draws(
        stand.lines, stand=STAND, error_m=sigma_m * np.sqrt(2), length_m=LINE_LENGTH_M,
        count=DRAWS, rng=rng,
    )  # fmt: skip
    return row("share", true, draws)


def volume_row(stand: Synthetic, sigma_m: float, rng: np.random.Generator) -> dict[str, object]:
    """Volume of unpainted trees in the corridors."""
    true = shapely.intersects_xy(ground_of(stand.true_lines), *stand.true.T) @ stand.volume
    corridor = ground_of(stand.lines)
    n = len(stand.recorded)
    places = Places(
        recorded=np.clip(stand.recorded, 0.01, np.array(STAND.bounds[2:]) - 0.01),
        errors=PositionErrors(
            alone_m=np.full(n, sigma_m), shared_m=np.zeros(n), together=np.zeros(n, dtype=np.intp)
        ),
        final=final_zones(pd.Series([""] * n), pd.Series([False] * n)),
        layer=np.zeros(n, dtype=np.intp),
    )
    zones = {"corridor": corridor, "matrix": shapely.difference(STAND, corridor)}
    drawn = zone_draws(
        places, zones, shared=np.zeros((DRAWS, n, 2)),
        line=(sigma_m * np.sqrt(2), LINE_LENGTH_M), rng=rng,
    )  # fmt: skip
    return row("volume", float(true), (drawn == 2) @ stand.volume)  # noqa: PLR2004 - corridor


def covered(
    stands: int, first: int = 0, sizes: tuple[float, ...] = SIZES_M, processes: int = 2
) -> pd.DataFrame:
    """Every figure of many stands, one row each."""
    rows: list[dict[str, object]] = []
    for size in sizes:
        work = partial(one_stand, sigma_m=size)
        if processes == 1:
            found = [work(seed) for seed in range(first, first + stands)]
        else:
            with ProcessPoolExecutor(processes) as pool:
                found = list(pool.map(work, range(first, first + stands), chunksize=10))
        rows += [one for stand in found for one in stand]
    table = pd.DataFrame(rows)
    inside = (table["low"] <= table["true"]) & (table["true"] <= table["high"])
    return table.assign(inside=inside, off=table["middle"] - table["true"])


def table_of(found: pd.DataFrame) -> str:
    """Coverage as a table for the page."""
    cells = {"index": "figure", "columns": "sigma"}
    share = found.pivot_table(values="inside", **cells) * 100
    off = found.pivot_table(values="off", **cells) / found.pivot_table(values="true", **cells) * 100
    head = " | ".join(f"{size:g} m" for size in share.columns)
    lines = [f"| 90 % interval of | {head} |", "|---" * (len(share.columns) + 1) + "|"]
    for name, title in TITLES.items():
        cells = " | ".join(
            f"{share.loc[name, size]:.1f} ({off.loc[name, size]:+.1f} %)" for size in share.columns
        )
        lines.append(f"| {title} | {cells} |")
    return "\n".join(lines)


def main() -> None:
    """Run and write."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--stands", type=int, default=1000)
    words.add_argument("--first", type=int, default=0)
    words.add_argument("--sizes", type=float, nargs="+", default=SIZES_M, help="errors an axis [m]")
    words.add_argument("--keep", type=Path, help="write every row as CSV too")
    words.add_argument("--no-page", action="store_true")
    asked = words.parse_args()
    found = covered(asked.stands, asked.first, sizes=tuple(asked.sizes))
    if asked.keep:
        found.to_csv(asked.keep, index=False)
    chance = 100 * (0.9 * 0.1 / asked.stands) ** 0.5
    told = (
        f"{asked.stands:,} stands an error size: chance alone moves a cover by {chance:.1f} points."
    )
    table = f"{told}\n\n{table_of(found)}"
    print(table)
    if not asked.no_page:
        text = PAGE.read_text(encoding="utf-8")
        before, rest = text.split(BEGIN)
        after = rest.split(END)[1]
        PAGE.write_text(f"{before}{BEGIN}\n\n{table}\n\n{END}{after}", encoding="utf-8")


if __name__ == "__main__":
    main()
