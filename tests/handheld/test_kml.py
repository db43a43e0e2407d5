"""KML for phones: valid by the public schema, coloured, with hazards switched on."""

import re
from collections.abc import Callable

import pytest
import shapely
from lxml import etree

from glademark.export import handheld_files
from glademark.export.handheld_files import kml_bytes
from glademark.export.styles import SYMBOLS, abgr
from glademark.report.delivery import Delivery

NAMES = {"k": "http://www.opengis.net/kml/2.2"}


@pytest.mark.parametrize("name", ["sample", "small", "bare"])
def test_kml_is_valid(
    name: str, kml_schema: etree.XMLSchema, request: pytest.FixtureRequest
) -> None:
    """Whatever a stand holds or lacks, its KML is valid by the public schema."""
    document = etree.fromstring(kml_bytes(request.getfixturevalue(name)))

    kml_schema.assertValid(document)


def test_schema_sees_what_is_broken(small: Delivery, kml_schema: etree.XMLSchema) -> None:
    """The schema that says yes to our files says no to a placemark whose name comes last."""
    document = etree.fromstring(kml_bytes(small))
    place = document.find(".//k:Placemark", NAMES)
    place.append(place.find("k:name", NAMES))

    assert not kml_schema.validate(document)


def test_every_feature_has_a_style_that_is_there(small: Delivery) -> None:
    """Each placemark points at a style of the same file."""
    document = etree.fromstring(kml_bytes(small))
    styles = {f"#{style.get('id')}" for style in document.findall(".//k:Style", NAMES)}
    used = {url.text for url in document.findall(".//k:styleUrl", NAMES)}

    assert used <= styles


def test_hazards_are_on_and_single_trees_off(small: Delivery) -> None:
    """What is dangerous is seen at once; the many trees to cut are switched on by hand."""
    document = etree.fromstring(kml_bytes(small))
    shown = {
        folder.findtext("k:name", None, NAMES): folder.findtext("k:visibility", None, NAMES)
        for folder in document.findall(".//k:Folder", NAMES)
    }

    assert shown["DANGER TREES"] == "1"
    assert shown["Line trees: do NOT cut"] == "1"
    assert shown["Exclusions: nothing is cut"] == "1"
    assert shown["Trees to cut"] == "0"


def test_nothing_reaches_for_the_network(sample: Delivery) -> None:
    """No icon, link or overlay is fetched when the file is opened in the woods."""
    text = kml_bytes(sample).decode()
    addresses = set(re.findall(r"https?://[^\"<\s]+", text))

    assert addresses == {"http://www.opengis.net/kml/2.2"}


@pytest.mark.parametrize(
    ("colour", "opacity", "expected"),
    [("#ff0000", 1.0, "ff0000ff"), ("#00ff00", 1.0, "ff00ff00"), ("#123456", 0.0, "00563412")],
)
def test_colours_are_alpha_blue_green_red(colour: str, opacity: float, expected: str) -> None:
    """Red comes last in KML: OGC 07-147r2, element color."""
    assert abgr(colour, opacity) == expected


def test_symbols_differ_in_shape_or_lightness() -> None:
    """Danger, line, leave and cut trees have four shapes, so that grey paper tells them apart."""
    shapes = {
        SYMBOLS[name].point for name in ("danger_trees", "line_trees", "leave_trees", "marks")
    }

    assert len(shapes) == 4


def test_very_many_trees_are_placed_by_opening_and_corridor(
    small: Delivery, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A phone takes some hundred places; none of the trees is left out."""
    monkeypatch.setattr(handheld_files, "MOST_TREES", 3)
    document = etree.fromstring(kml_bytes(small))
    folder = document.xpath("//k:Folder[k:name='Trees to cut']", namespaces=NAMES)[0]
    places = {
        place.findtext("k:name", None, NAMES): place.findtext("k:description", None, NAMES)
        for place in folder.findall("k:Placemark", NAMES)
    }

    assert places == {
        "Trees to cut: in corridor 1": "3 trees; their labels are in the GeoJSON file.",
        "Trees to cut: opening 1": "4 trees; their labels are in the GeoJSON file.",
        "Trees to cut: opening 2": "4 trees; their labels are in the GeoJSON file.",
    }
    assert len(folder.findall(".//k:Point", NAMES)) == 9  # eight trees, and one record of three
    assert len(document.xpath("//k:Folder[k:name='DANGER TREES']", namespaces=NAMES)) == 1


def test_balloons_show_field_text_as_text(delivery_of: Callable[..., Delivery]) -> None:
    """A description is a page of HTML to the reader of KML: mark-up from the field stays text."""
    tree = {"geometry": shapely.Point(100, 50), "species": "<img src=x> & co"}
    document = etree.fromstring(
        kml_bytes(delivery_of(shapely.box(0, 0, 200, 100), {}, marks=[tree]))
    )
    told = [one.text for one in document.findall(".//k:Placemark/k:description", NAMES)]

    assert any("&lt;img src=x&gt; &amp; co" in words for words in told)
    assert not any("<img" in words for words in told)
