"""The style of each layer inside the GeoPackage: by the open standard, and for a desktop GIS."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from lxml import etree

from glademark.contracts.layers import LAYERS
from glademark.contracts.survey import KINDS, SETBACK_RULES
from glademark.export.geopackage import write_geopackage
from glademark.export.styles import NARROWEST_MM, STYLED, WIDEST_MM, qml_text, sld_text
from glademark.report.delivery import Delivery

NAMES = {
    "s": "http://www.opengis.net/sld",
    "se": "http://www.opengis.net/se",
    "ogc": "http://www.opengis.net/ogc",
}
ORDER = ("Geometry", "Fill", "Stroke")  # children of a polygon symbolizer, SE 1.1 section 11.2
MARKS_OF_THE_STANDARD = {"square", "circle", "triangle", "star", "cross", "x"}  # section 11.3.2


def faults(document: etree._Element) -> Iterator[str]:
    """What breaks the structure that SLD 1.1 and SE 1.1 ask for."""
    if document.get("version") != "1.1.0":
        yield "version"
    for layer in document.findall("s:NamedLayer", NAMES):
        if [etree.QName(child).localname for child in layer] != ["Name", "UserStyle"]:
            yield f"children of {layer.findtext('se:Name', None, NAMES)}"
        if not layer.findall(".//se:Rule", NAMES):
            yield f"no rule for {layer.findtext('se:Name', None, NAMES)}"
    for area in document.findall(".//se:PolygonSymbolizer", NAMES):
        names = [etree.QName(child).localname for child in area]
        if names != sorted(names, key=ORDER.index):
            yield "order of a polygon symbolizer"
    for mark in document.findall(".//se:WellKnownName", NAMES):
        if mark.text not in MARKS_OF_THE_STANDARD:
            yield f"mark {mark.text}"


def parsed(text: str) -> etree._Element:
    """The root of a document."""
    return etree.fromstring(text.encode())


@pytest.mark.parametrize("name", STYLED)
def test_styles_have_the_structure_of_the_standard(name: str) -> None:
    """A layer's document names that layer and no other, with rules in order."""
    document = parsed(sld_text(name))

    assert [found.text for found in document.findall("s:NamedLayer/se:Name", NAMES)] == [name]
    assert list(faults(document)) == []


def test_no_layer_is_without_a_symbol() -> None:
    """Whatever layer of the GeoPackage has a place on the ground can be drawn."""
    assert set(STYLED) == {name for name, layer in LAYERS.items() if layer.geometry}


def test_check_sees_what_is_broken() -> None:
    """The structure check notices a stroke before the fill and a mark that no standard knows."""
    document = parsed(sld_text("exclusions"))
    area = document.find(".//se:PolygonSymbolizer[se:Fill]", NAMES)
    area.insert(0, area.find("se:Stroke", NAMES))
    document.find(".//se:WellKnownName", NAMES).text = "fir"

    assert list(faults(document)) == ["order of a polygon symbolizer", "mark fir"]


@pytest.mark.parametrize(
    ("layer", "column", "values"),
    [
        ("marks", "kind", set(KINDS)),
        ("setbacks", "rule", set(SETBACK_RULES)),
        ("zones", "zone", {"exclusion", "landing", "corridor", "opening", "matrix"}),
    ],
)
def test_every_kind_has_its_rule(layer: str, column: str, values: set[str]) -> None:
    """No kind of mark, setback or zone is left without a symbol, in either document."""
    filters = parsed(sld_text(layer)).findall(".//ogc:PropertyIsEqualTo", NAMES)
    renderer = parsed(qml_text(layer)).find("renderer-v2")

    assert {f.findtext("ogc:PropertyName", None, NAMES) for f in filters} == {column}
    assert {f.findtext("ogc:Literal", None, NAMES) for f in filters} == values
    assert renderer.get("attr") == column
    assert {one.get("value") for one in renderer.findall("categories/category")} == values


@pytest.mark.parametrize("name", STYLED)
def test_strokes_are_in_millimetres_that_print(name: str) -> None:
    """No stroke is thinner or wider than a map bears, and each has a unit."""
    properties = [
        {one.get("name"): one.get("value") for one in layer.findall("Option/Option")}
        for layer in parsed(qml_text(name)).iter("layer")
    ]
    widths = [
        (float(value), found[f"{key}_unit"])
        for found in properties
        for key, value in found.items()
        if key in {"outline_width", "line_width"}
    ]

    assert widths
    assert all(NARROWEST_MM <= width <= WIDEST_MM for width, _ in widths)
    assert {unit for _, unit in widths} == {"MM"}


def test_every_layer_of_the_file_brings_its_style(small: Delivery, tmp_path: Path) -> None:
    """Each layer with a geometry has one default style, with both documents."""
    write_geopackage(small, tmp_path / "layout.gpkg")
    with closing(sqlite3.connect(tmp_path / "layout.gpkg")) as database:
        rows = database.execute(
            "SELECT f_table_name, f_geometry_column, styleQML, styleSLD FROM layer_styles "
            "WHERE useAsDefault"
        ).fetchall()
        layers = database.execute("SELECT table_name, column_name FROM gpkg_geometry_columns")
        assert sorted(row[:2] for row in rows) == sorted(layers)

    assert all((qml, sld) == (qml_text(name), sld_text(name)) for name, _, qml, sld in rows)
