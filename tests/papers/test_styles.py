"""Styles by the open standard: one named layer a layer, corridors as wide as on the ground."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from lxml import etree

from glademark.contracts.layers import LAYERS
from glademark.contracts.survey import KINDS, SETBACK_RULES
from glademark.export.styles.sld import DELIVERABLE, STYLED, sld_bytes
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


def test_styles_have_the_structure_of_the_standard() -> None:
    """A named layer for each layer of the GeoPackage that can be drawn, with rules in order."""
    document = etree.fromstring(sld_bytes())
    names = [name.text for name in document.findall("s:NamedLayer/se:Name", NAMES)]

    assert names == list(STYLED)
    assert list(faults(document)) == []


def test_no_layer_is_without_a_symbol() -> None:
    """Whatever layer of the GeoPackage has a place on the ground can be drawn."""
    assert set(STYLED) == {name for name, layer in LAYERS.items() if layer.geometry}


def test_check_sees_what_is_broken() -> None:
    """The structure check notices a stroke before the fill and a mark that no standard knows."""
    document = etree.fromstring(sld_bytes())
    area = document.find(".//se:PolygonSymbolizer[se:Fill]", NAMES)
    area.insert(0, area.find("se:Stroke", NAMES))
    document.find(".//se:WellKnownName", NAMES).text = "fir"

    assert list(faults(document)) == ["order of a polygon symbolizer", "mark fir"]


def test_corridor_lines_are_as_wide_as_on_the_ground() -> None:
    """The width comes from the layer's own column, in metres of the ground."""
    document = etree.fromstring(sld_bytes(["corridor_lines"]))
    line = document.find(".//se:LineSymbolizer[@uom]", NAMES)
    width = line.find(".//se:SvgParameter[@name='stroke-width']/ogc:PropertyName", NAMES)

    assert line.get("uom") == "http://www.opengeospatial.org/se/units/metre"
    assert width.text in LAYERS["corridor_lines"].names


@pytest.mark.parametrize(
    ("layer", "column", "values"),
    [
        ("marks", "kind", set(KINDS)),
        ("setbacks", "rule", set(SETBACK_RULES)),
        ("zones", "zone", {"exclusion", "landing", "corridor", "opening", "matrix"}),
    ],
)
def test_every_kind_has_its_rule(layer: str, column: str, values: set[str]) -> None:
    """No kind of mark, setback or zone is left without a symbol."""
    document = etree.fromstring(sld_bytes([layer]))
    filters = document.findall(".//ogc:PropertyIsEqualTo", NAMES)

    assert {f.findtext("ogc:PropertyName", None, NAMES) for f in filters} == {column}
    assert {f.findtext("ogc:Literal", None, NAMES) for f in filters} == values


def test_file_is_the_styles(small: Delivery, tmp_path: Path) -> None:
    """The file beside the GeoPackage holds all of them."""
    DELIVERABLE.write(small, tmp_path)

    assert (tmp_path / "layout_styles.sld").read_bytes() == sld_bytes()
