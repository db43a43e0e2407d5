"""What goes on a handheld, and how text becomes fit for XML."""

from xml.etree import ElementTree as ET

from hypothesis import given
from hypothesis import strategies as st
from lxml import etree

from glademark.export.handheld import CREW_LAYERS, about_file, placed_layers
from glademark.export.styles import add, xml_bytes
from glademark.report.delivery import Delivery


def test_layers_without_rows_are_left_out(bare: Delivery) -> None:
    """A stand with one tree has a boundary and that tree, and no empty folders."""
    assert list(placed_layers(bare)) == ["stand", "marks"]


def test_layers_come_in_their_order(small: Delivery) -> None:
    """Hazards stand above the trees to cut."""
    found = list(placed_layers(small))

    assert found == [name for name in CREW_LAYERS if name in found]
    assert found.index("danger_trees") < found.index("marks")


def test_line_trees_are_not_among_the_trees_to_cut(small: Delivery) -> None:
    """A tree on the property line is nobody's to cut before its owners agree."""
    layers = placed_layers(small)

    assert layers["line_trees"]["tree_id"].tolist() == ["X9"]
    assert not (layers["marks"]["tree_id"] == "X9").any()


def test_file_says_how_far_to_trust_it(small: Delivery) -> None:
    """The position error of the project stands at the head of each file."""
    assert "about 4.0 m" in about_file(small)


@given(st.text())
def test_any_text_survives_xml(text: str) -> None:
    """
    Whatever a crew typed, the file can be read: XML 1.0, production 2, says which letters may stand
    in it, and section 2.11 that line ends become line feeds.
    """
    root = ET.Element("root")
    add(root, "name", text)

    read = etree.fromstring(xml_bytes(root)).findtext("name") or ""

    allowed = [c for c in text if c in "\t\n\r" or "\u0020" <= c <= "\ud7ff" or
               "\ue000" <= c <= "\ufffd" or c >= "\U00010000"]  # fmt: skip
    assert read == "".join(allowed).replace("\r\n", "\n").replace("\r", "\n")
