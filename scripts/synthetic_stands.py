"""
Synthetic stands whose truth is known: what stands there, and what a receiver would record of it.

The groups are not made by the model that the package fits: patches are ellipses or two ellipses
grown together, with a sharp edge, and trees come one after the other, each refused that stands
closer to another than the stand's least distance (simple sequential inhibition).
"""

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely
from scipy.spatial import cKDTree

from glademark.measure.corridors import strips_of
from glademark.uncertainty.errors import line_shifts

WIDTH_M, HEIGHT_M = 200.0, 160.0
STRIP_M = 4.0
LINE_LENGTH_M = 20.0
CROWN_ERROR = 0.2
STAND = shapely.box(0, 0, WIDTH_M, HEIGHT_M)

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Group:
    """A tagged group: true and recorded places (n, 2), true and stated crown radii (n,)."""

    true: FloatArray
    recorded: FloatArray
    true_radii_m: FloatArray
    radii_m: FloatArray


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Synthetic:
    """A stand: corridor lines, groups, and unpainted trees with volume, true and as recorded."""

    true_lines: gpd.GeoDataFrame
    lines: gpd.GeoDataFrame
    groups: tuple[Group, Group]
    true: FloatArray
    recorded: FloatArray
    volume: FloatArray


def synthetic_stand(rng: np.random.Generator, *, sigma_m: float) -> Synthetic:
    """A stand with three corridors, two groups, corridor trees and single trees."""
    spacing, density = rng.uniform(1, 3), rng.uniform(220, 380) / 10_000
    vertices = _line_vertices(rng)
    error = sigma_m * np.sqrt(2)
    moved = (
        vertices.reshape(-1, 2)
        + line_shifts(
            vertices.reshape(-1, 2), error_m=error, length_m=LINE_LENGTH_M, count=1, rng=rng
        )[0]
    )
    true_lines = _lines(vertices)
    ground = shapely.union_all(
        strips_of(true_lines.geometry.to_numpy(), width_m=np.full(3, STRIP_M))
    )
    everywhere = inhibited(rng, WIDTH_M, HEIGHT_M, density=density, least_m=spacing)
    inside = shapely.intersects_xy(ground, *everywhere.T)
    single = rng.random(len(everywhere)) < rng.uniform(0.05, 0.2)
    true = everywhere[inside | single]
    return Synthetic(
        true_lines=true_lines,
        lines=_lines(moved.reshape(vertices.shape)),
        groups=_two_groups(rng, density, spacing, sigma_m),
        true=true,
        recorded=true + rng.normal(0, sigma_m, true.shape),
        volume=rng.lognormal(-1, 0.6, len(true)),
    )


def _line_vertices(rng: np.random.Generator) -> FloatArray:
    """Three lines from south to north with bends; shape (3, 6, 2)."""
    y = np.tile(np.linspace(8, HEIGHT_M - 8, 6), (3, 1))
    x = np.array([35.0, 100.0, 165.0])[:, None] + rng.uniform(-5, 5, (3, 6))
    return np.stack([x, y], axis=2)


def _lines(vertices: FloatArray) -> gpd.GeoDataFrame:
    """Lines as a layer."""
    return gpd.GeoDataFrame(
        {"width_m": [STRIP_M] * len(vertices)}, geometry=list(shapely.linestrings(vertices))
    )


def inhibited(
    rng: np.random.Generator, width: float, height: float, *, density: float, least_m: float
) -> FloatArray:
    """Trees one after the other, none closer to another than the least distance; (n, 2)."""
    wanted = int(density * width * height)
    offered = rng.uniform((0, 0), (width, height), (6 * wanted, 2))
    close = cKDTree(offered).query_pairs(least_m, output_type="ndarray")
    start = np.searchsorted(close[order := np.argsort(close[:, 1], kind="stable"), 1],
                            np.arange(len(offered) + 1))  # fmt: skip
    before = close[order, 0]
    kept = np.zeros(len(offered), dtype=bool)
    for i in range(len(offered)):
        kept[i] = not kept[before[start[i] : start[i + 1]]].any()
    return offered[kept][:wanted]


def _two_groups(
    rng: np.random.Generator, density: float, spacing: float, sigma_m: float
) -> tuple[Group, Group]:
    """Two groups, one north of the other, the lower one near the south edge."""
    first, second = (_patch(rng, density, spacing) for _ in range(2))
    radii = [np.clip(rng.normal(3.0, 0.6, len(one)), 1.5, 5.0) for one in (first, second)]
    true_radii = [r * np.maximum(1 + CROWN_ERROR * rng.normal(size=len(r)), 0.2) for r in radii]
    first = np.add(first, [60 - first[:, 0].mean(), rng.uniform(8, 30) - first[:, 1].min()])
    second = np.add(second, [60 - second[:, 0].mean(), 0.0])
    lift = first[:, 1].max() - second[:, 1].min() + rng.uniform(10, 40)
    second = np.add(second, [0.0, lift])
    return (
        Group(true=first, recorded=first + rng.normal(0, sigma_m, first.shape),
              true_radii_m=true_radii[0], radii_m=radii[0]),
        Group(true=second, recorded=second + rng.normal(0, sigma_m, second.shape),
              true_radii_m=true_radii[1], radii_m=radii[1]),
    )  # fmt: skip


def _patch(rng: np.random.Generator, density: float, spacing: float) -> FloatArray:
    """Trees of an elliptic patch, or of two ellipses grown together; at least six."""
    while True:
        long = np.sqrt(rng.uniform(400, 1500) / np.pi * rng.uniform(1, 2.2))
        short = long / rng.uniform(1, 2.2)
        side = 2 * (long + short)
        trees = inhibited(rng, side, side, density=density, least_m=spacing) - side / 2
        turn = rng.uniform(0, np.pi)
        x = trees @ [np.cos(turn), np.sin(turn)]
        y = trees @ [-np.sin(turn), np.cos(turn)]
        inside = (x / long) ** 2 + (y / short) ** 2 < 1
        if rng.random() < 1 / 3:
            inside |= ((x - long / 2) / short) ** 2 + ((y - short / 2) / short) ** 2 < 1
        if inside.sum() >= 6:  # noqa: PLR2004 - fewer make no group
            return trees[inside]
