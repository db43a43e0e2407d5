"""Declared layers: every column has a meaning, and what is laid out has the declared columns."""

import re
from collections.abc import Callable

import pandas as pd
import pytest
import shapely

from glademark.contracts.job_layers import AFTER_CUT_LAYERS, PROPOSAL_LAYERS
from glademark.contracts.layers import LAYERS, Column, Layer, present, shown_beside
from glademark.contracts.layout import Layout
from glademark.units import ACRE_M2

COLUMNS = [
    pytest.param(column, id=f"{layer.name}.{column.name}")
    for layers in (LAYERS, AFTER_CUT_LAYERS, PROPOSAL_LAYERS)
    for layer in layers.values()
    for column in layer.columns
]
TABLES = [name for name, layer in LAYERS.items() if layer.geometry is None]
ENDING = {
    "m2": "_m2", "m": "_m", "cm": "_cm", "m3": "_m3", "m2/ha": "_m2_ha", "m3/ha": "_m3_ha",
    "1/ha": "_per_ha", "%": "_pct", "deg": "_deg",
}  # fmt: skip


@pytest.fixture(scope="module")
def layout(
    layout_of: Callable[..., Layout], marks_at: Callable[..., list[dict[str, object]]]
) -> Layout:
    """A layout in which every layer that a survey can fill has a row."""
    return layout_of(
        shapely.box(0, 0, 200, 200),
        project={"openings": {"min_trees": 2, "min_area": "20 m2"}},
        corridors=[shapely.LineString([(0, 100), (200, 100)])],
        marks=[
            *marks_at((50, 50), (53, 50), group="1"),
            *marks_at((150, 50), (153, 50)),
            *marks_at((20, 20), kind="leave"),
        ],
        exclusions=[shapely.box(0, 180, 20, 200)],
        landings=[shapely.box(180, 90, 200, 110)],
        water=[shapely.box(0, 0, 200, 5)],
        setbacks=[{"geometry": shapely.box(0, 5, 200, 15), "name": "brook"}],
    )


@pytest.mark.parametrize("column", COLUMNS)
def test_every_column_says_what_it_is(column: Column) -> None:
    """A column has a short name, a heading, and one sentence of meaning."""
    assert re.fullmatch(r"[a-z][a-z0-9_]*", column.name)
    assert column.title
    assert not column.title[0].islower()
    assert column.meaning.endswith((".", ":"))
    assert column.kind in {"text", "integer", "real", "flag"}


@pytest.mark.parametrize("column", COLUMNS)
def test_a_unit_is_in_the_name_of_its_column(column: Column) -> None:
    """A number with a unit carries it at the end of its name; text and counts have none."""
    if column.unit:
        assert column.kind == "real"
        assert column.name.endswith(ENDING[column.unit])


@pytest.mark.parametrize("name", LAYERS)
def test_names_are_used_once(name: str) -> None:
    """A layer has each column once, the ones in the user's units included."""
    layer = LAYERS[name]
    for units in ("us", "metric"):
        beside = [shown_beside(column, units) for column in layer.columns]
        names = [*layer.names, *(pair[0] for pair in beside if pair)]

        assert len(set(names)) == len(names)
    assert layer.title
    assert layer.meaning.endswith(".")


@pytest.mark.parametrize(
    ("layer", "column", "name", "divisor"),
    [
        ("openings", "area_m2", "area_ac", 4046.8564224),
        ("openings", "spacing_m", "spacing_ft", 0.3048),
        ("openings", "basal_area_m2", "basal_area_ft2", 0.3048**2),
        ("marks", "dbh_cm", "dbh_in", 2.54),
        ("stand", "area_geodesic_m2", "area_geodesic_ac", 4046.8564224),
    ],
)
def test_us_units_stand_beside(layer: str, column: str, name: str, divisor: float) -> None:
    """Acres, feet, square feet of basal area and inches stand beside SI columns."""
    declared = next(c for c in LAYERS[layer].columns if c.name == column)

    beside = shown_beside(declared, "us")

    assert beside is not None
    assert beside[0] == name
    assert beside[1] == pytest.approx(divisor, rel=1e-12)


def test_metric_units_stand_beside_only_where_people_use_another_size() -> None:
    """In metric projects areas are shown in hectares, and nothing else twice."""
    shown = {
        (column.unit, beside)
        for layer in LAYERS.values()
        for column in layer.columns
        if (beside := shown_beside(column, "metric"))
    }

    assert {unit for unit, _ in shown} == {"m2"}
    assert {divisor for _, (_, divisor) in shown} == {10_000.0}
    assert all(name.endswith("_ha") for _, (name, _) in shown)


def test_basal_area_per_acre_stands_beside_that_per_hectare() -> None:
    """1 ft2/acre is 0.09290304 m2 over 0.40468564224 ha."""
    declared = next(c for c in LAYERS["volume_by_zone"].columns if c.name == "basal_area_m2_ha")
    beside = shown_beside(declared, "us")

    assert beside is not None
    assert beside[0] == "basal_area_ft2_ac"
    assert beside[1] == pytest.approx(0.09290304 / (ACRE_M2 / 10_000))


def frames() -> list[str]:
    """Layers that a Layout holds under their own names."""
    return [name for name in Layout.__dataclass_fields__ if name in LAYERS]


@pytest.mark.parametrize("name", frames())
def test_a_layout_has_the_declared_columns(layout: Layout, name: str) -> None:
    """
    Each layer has its declared columns in order, optional ones only where they are known.

    Only marks have others: what came in with them.
    """
    frame: pd.DataFrame = getattr(layout, name)
    layer = LAYERS[name]
    always = [column.name for column in layer.columns if not column.optional]
    found = [column for column in frame.columns if column != "geometry"]
    others = set(found) - {"stand", *layer.names}

    assert [column for column in found if column in always] == always
    assert ("geometry" in frame.columns) == (layer.geometry is not None)
    assert not others or name == "marks"


@pytest.mark.parametrize("name", [n for n in frames() if LAYERS[n].geometry])
def test_a_layer_has_geometries_of_its_declared_type(layout: Layout, name: str) -> None:
    """All features of a layer are of one type, and lie in the working CRS."""
    frame = getattr(layout, name)

    assert set(frame.geom_type) <= {LAYERS[name].geometry}
    assert frame.empty or frame.crs == layout.crs
    assert frame.index.tolist() == list(range(len(frame)))


def test_layers_that_can_be_filled_are(layout: Layout) -> None:
    """The layout of these tests has rows in the layers that matter, so that they can fail."""
    filled = [name for name in frames() if len(getattr(layout, name))]

    assert {
        "openings",
        "incidental_openings",
        "corridors",
        "setbacks",
        "leave_trees",
        "marks",
    } <= set(filled)


@pytest.mark.parametrize("name", frames())
def test_columns_hold_what_they_declare(layout: Layout, name: str) -> None:
    """Text columns hold text, never a missing value; counts and numbers hold numbers."""
    frame = getattr(layout, name)
    for column in present(LAYERS[name], frame.columns).columns:
        values = frame[column.name]
        if column.kind == "text":
            assert all(isinstance(value, str) for value in values)
        elif column.kind == "flag":
            assert values.dropna().isin([True, False]).all()
        else:
            assert pd.api.types.is_numeric_dtype(values) or values.empty


def test_optional_columns_are_left_out_where_a_frame_has_none() -> None:
    """A layer without what an optional column needs comes without that column."""
    needed = Column(name="area_m2", kind="real", title="Area", meaning="Area.", unit="m2")
    extra = Column(name="slope", kind="real", title="Slope", meaning="Slope.", optional=True)
    layer = Layer(
        name="stand", title="Stand", meaning="A stand.", geometry=None, columns=(needed, extra)
    )

    assert present(layer, ["area_m2"]).names == ("area_m2",)
    assert present(layer, ["area_m2", "slope"]) is layer
