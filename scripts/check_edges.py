"""
What the three edges of an opening say of a hole whose trees are all known.

``python scripts/check_edges.py --groups 200`` writes both tables into ``docs/openings.md``. Seeded:
the same numbers each time. Every tree of a made-up stand is known, those that stay too. The true
hole is the ground under no crown that stays, without necks narrower than 2 m, as far as it hangs
together with the group. The walks follow the edge at the standing crowns.
"""

import argparse
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from glademark.measure.crowns import crown_discs
from glademark.measure.edges import EDGES, crown_outlines

PAGE = Path(__file__).resolve().parent.parent / "docs" / "openings.md"
DENSITIES = {
    "open, 300 trees/ha": 300.0,
    "middling, 400 trees/ha": 400.0,
    "closed, 550 trees/ha": 550.0,
}
"""Trees per hectare of each kind of stand."""
CROWN_M, CROWN_SPREAD = 3.0, 0.25
"""Median crown radius, and the standard deviation of its logarithm."""
APART_SHARE = 0.6
"""Least distance of two stems, of the mean distance of as many on a square grid."""
NECK_M, AROUND_M = 2.0, 25.0
FloatArray = npt.NDArray[np.float64]
Shape = shapely.Geometry


@dataclass(frozen=True, kw_only=True)
class Group:
    """Crowns cut and crowns that stay around them."""

    cut: FloatArray
    cut_m: FloatArray
    stay: npt.NDArray[np.object_]


def stems(rng: np.random.Generator, per_ha: float, half: float) -> FloatArray:
    """Stems on a square, none too near to another (taken one by one, as Strauss processes are)."""
    apart = APART_SHARE * 100 / np.sqrt(per_ha)
    thrown = rng.uniform(-half, half, (int(per_ha * (2 * half / 100) ** 2 * 6), 2))
    kept: list[FloatArray] = []
    most = int(per_ha * (2 * half / 100) ** 2)
    for spot in thrown:
        if len(kept) == most:
            break
        if not kept or np.hypot(*(np.array(kept) - spot).T).min() >= apart:
            kept.append(spot)
    return np.array(kept)


def group(rng: np.random.Generator, per_ha: float) -> Group:
    """A group of 0.05 to 0.25 ha with a wavy outline, and all trees around it."""
    radius = np.sqrt(rng.uniform(500, 2500) / np.pi)
    half = 1.4 * radius + AROUND_M
    spots = stems(rng, per_ha, half)
    turn, wave = np.arctan2(*spots.T[::-1]), rng.uniform(0, 2 * np.pi, 2)
    reach = radius * (1 + 0.2 * np.sin(2 * turn + wave[0]) + 0.1 * np.sin(3 * turn + wave[1]))
    crown = np.exp(rng.normal(np.log(CROWN_M), CROWN_SPREAD, len(spots)))
    taken = np.hypot(*spots.T) < reach
    return Group(cut=spots[taken], cut_m=crown[taken], stay=discs(spots[~taken], crown[~taken]))


def discs(spots: FloatArray, radius: FloatArray) -> npt.NDArray[np.object_]:
    """Crown discs."""
    points = np.asarray(shapely.points(spots), dtype=object)
    return crown_discs(points, radius_m=radius, bearing=0.0)


def true_hole(one: Group) -> float:
    """Area under no crown that stays, without narrow necks, where it meets the trees cut [m2]."""
    span = np.abs(one.cut).max() + AROUND_M / 2
    free = shapely.difference(shapely.box(-span, -span, span, span), shapely.union_all(one.stay))
    wide = shapely.buffer(shapely.buffer(free, -NECK_M / 2), NECK_M / 2)
    parts = shapely.get_parts(wide)
    trees = shapely.STRtree(shapely.points(one.cut)).query(parts, predicate="intersects")[0]
    most = np.bincount(trees, minlength=len(parts))
    return float(shapely.area(parts[most == most.max()]).max())


def edges(one: Group) -> dict[str, Shape]:
    """The group on each edge."""
    owner = np.zeros(len(one.cut), dtype=np.intp)
    radius = np.full(len(one.cut), np.median(one.cut_m))
    found = crown_outlines(discs(one.cut, one.cut_m), owner, radius_m=radius, link_distance_m=0.0)
    return {edge: found[1].by(edge)[0] for edge in EDGES}


def legs(number: int) -> Callable[[Shape], Shape]:
    """A walk of so many straight legs, its corners evenly along the edge."""

    def walked(edge: Shape) -> Shape:
        line = shapely.get_exterior_ring(edge)
        at = np.arange(number) / number
        return shapely.Polygon(
            shapely.get_coordinates(shapely.line_interpolate_point(line, at, normalized=True))
        )

    return walked


def round_about(edge: Shape) -> Shape:
    """Centre and radius, the radius that of eight bearings from the middle to the edge."""
    middle, line = shapely.centroid(edge), shapely.get_exterior_ring(edge)
    turn = np.arange(8) * np.pi / 4
    rays = [
        shapely.LineString([(middle.x, middle.y), (middle.x + 200 * c, middle.y + 200 * s)])
        for c, s in zip(np.cos(turn), np.sin(turn), strict=True)
    ]
    far = [middle.hausdorff_distance(shapely.intersection(ray, line)) for ray in rays]
    return middle.buffer(float(np.mean(far)), quad_segs=64)


WALKS: dict[str, Callable[[Shape], Shape]] = {
    "12 straight legs": legs(12),
    "24 straight legs": legs(24),
    "centre and radius of 8 bearings": round_about,
}


def rows(groups: int, seed: int) -> Iterator[dict[str, object]]:
    """Ratio of each figure to the true hole, and of each walk to the edge walked."""
    for number in range(groups):
        kind = list(DENSITIES)[number % len(DENSITIES)]
        one = group(np.random.default_rng([seed, number]), DENSITIES[kind])
        found, truth = edges(one), true_hole(one)
        yield {"stand": kind, **{edge: shape.area / truth - 1 for edge, shape in found.items()}}
        main = max(shapely.get_parts(found["standing_crowns"]), key=shapely.area)
        outline = shapely.Polygon(main.exterior)
        for name, walk in WALKS.items():
            yield {"walk": name, "ratio": walk(outline).area / outline.area - 1}


def spread(values: pd.Series) -> str:
    """Mean and standard deviation in per cent."""
    return f"{100 * values.mean():+.0f} % ({100 * values.std():.0f})"


def tables(groups: int, seed: int) -> dict[str, list[str]]:
    """Lines of both tables."""
    known = pd.DataFrame(rows(groups, seed))
    held = known.dropna(subset=["stand"])
    against = ["| stand | groups | " + " | ".join(f"`{edge}`" for edge in EDGES) + " |"]
    against.append("|---" * (len(EDGES) + 2) + "|")
    for kind in DENSITIES:
        mine = held[held["stand"] == kind]
        cells = " | ".join(spread(mine[edge].astype(float)) for edge in EDGES)
        against.append(f"| {kind} | {len(mine)} | {cells} |")
    walked = ["| walked as | groups | area against the edge |", "|---|---|---|"]
    for name in WALKS:
        ratio = known.loc[known["walk"] == name, "ratio"].astype(float)
        walked.append(f"| {name} | {len(ratio)} | {spread(ratio)} |")
    return {"edges": against, "walks": walked}


def main() -> None:
    """Write both tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--groups", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    page = PAGE.read_text(encoding="utf-8")
    for name, lines in tables(asked.groups, asked.seed).items():
        begin, end = (
            f"<!-- {name}: written by scripts/check_edges.py -->",
            f"<!-- end of {name} -->",
        )
        before, rest = page.split(begin)
        page = before + "\n".join([begin, *lines, end]) + rest.split(end)[1]
        print("\n".join(lines), end="\n\n")
    PAGE.write_text(page, encoding="utf-8")


if __name__ == "__main__":
    main()
