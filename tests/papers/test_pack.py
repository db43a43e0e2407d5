"""The pack for the contractor: all that the crew needs, nothing of money or stock."""

import json
import zipfile
from pathlib import Path

import pypdf
import pytest

from glademark.errors import InputError
from glademark.export.handheld_files import GEOJSON, GPX, KML
from glademark.export.manifest import PACK, cautions_text, make_pack, without_stock
from glademark.export.tables import EXTRACTION
from glademark.jobs.layout import Outcome, chosen
from glademark.report.delivery import Deliverable, Delivery
from glademark.report.papers import field_guide as guide
from glademark.report.papers import field_sheets, filing_figures

KNOWN = {
    one.id: one
    for one in (
        guide.DELIVERABLE, GPX, KML, GEOJSON,
        filing_figures.DELIVERABLE, PACK, field_sheets.STUMP_CHECK, EXTRACTION,
    )
}  # fmt: skip


@pytest.fixture(scope="module")
def packed(sample: Outcome, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The pack of the sample."""
    return make_pack(sample.delivery, tmp_path_factory.mktemp("pack"), deliverables=KNOWN)


def test_pack_holds_what_the_crew_needs(packed: Path) -> None:
    """Guide, handheld files and cautions are in it; the planner's page is not."""
    with zipfile.ZipFile(packed) as archive:
        names = archive.namelist()

        told = archive.read("contents.txt").decode()

        assert archive.testzip() is None
        assert all(f"{name}: " in told for name in names if name != "contents.txt")
    assert names == [
        "cautions.txt", "contents.txt", "field_guide.pdf", "stump_check.pdf", "extraction.csv",
        "layout.gpx", "layout.kml", "layout.geojson",
    ]  # fmt: skip


def test_pack_tells_nothing_of_money_or_stock(packed: Path, tmp_path: Path) -> None:
    """No price, nothing of the cruise, nothing of the allowance is in any file of it."""
    with zipfile.ZipFile(packed) as archive:
        archive.extractall(tmp_path / "pack")
    texts = [
        " ".join(page.extract_text() for page in pypdf.PdfReader(path).pages)
        if path.suffix == ".pdf"
        else path.read_text(encoding="utf-8")
        for path in (tmp_path / "pack").iterdir()
    ]

    for word in ("cruise", "allowance", "price", "$", "standing stock"):
        assert not any(word in text.casefold() for text in texts)


def test_what_goes_in_knows_nothing_of_the_stock(sample: Outcome) -> None:
    """Sheets that would print the allowance find none, nor limits and notices that speak of it."""
    crew = without_stock(sample.delivery)
    limits = set(crew.checks["limit"])

    assert len(sample.delivery.layout.allowance) > 0
    assert len(crew.layout.allowance) == len(crew.layout.cruise_plots) == 0
    assert crew.summary["allowance"] == {}
    assert crew.project.allowance.removal_share_max is None
    assert not limits & {"removal_share_max", "target"}
    assert "opening_area_max" in limits
    assert "cruise" not in json.dumps([*crew.layout.notices, *crew.summary["notices"]])


def test_cautions_say_what_kills(small: Delivery) -> None:
    """The cautions name the two tree lengths, the line trees and local rules."""
    words = cautions_text(small)

    assert "two tree lengths" in words
    assert "NOT to be cut" in words
    assert "local rules" in words


def test_equal_layouts_give_equal_packs(small: Delivery, tmp_path: Path) -> None:
    """No clock is in the archive, so two of them are the same byte for byte."""
    packs = [make_pack(small, tmp_path, deliverables=KNOWN).read_bytes() for _ in range(2)]

    assert packs[0] == packs[1]


def test_pack_leaves_nothing_else_behind(small: Delivery, tmp_path: Path) -> None:
    """Only the archive is in the folder when it is done."""
    make_pack(small, tmp_path, deliverables=KNOWN)

    assert [path.name for path in tmp_path.iterdir()] == ["layout_pack.zip"]


def test_sheets_go_in_where_they_are_made(small: Delivery, tmp_path: Path) -> None:
    """The map's files go first, made without the stock."""
    seen: list[Delivery] = []

    def write(delivery: Delivery, folder: Path) -> None:
        seen.append(delivery)
        (folder / "sheet.pdf").write_bytes(b"sheet")

    sheets = Deliverable(id="map", title="Sheets", files=("sheet.pdf",), write=write)
    with zipfile.ZipFile(make_pack(small, tmp_path, deliverables={"map": sheets})) as archive:
        assert archive.namelist() == ["cautions.txt", "contents.txt", "sheet.pdf"]
    assert seen[0].summary["allowance"] == {}


def test_pack_is_made_on_request_only() -> None:
    """A usual run makes no pack; --pack adds it, and its id alone makes it alone."""
    summary = Deliverable(id="summary", title="", files=("summary.json",), write=lambda *_: None)
    known = {**KNOWN, "summary": summary}

    assert "pack" not in chosen(known, ())
    assert set(chosen(known, (), also=("pack",))) == set(known)
    assert set(chosen(known, ("gpx",), also=("pack",))) == {"gpx", "pack", "summary"}
    assert set(chosen(known, ("pack",))) == {"pack", "summary"}


def test_unknown_request_is_refused() -> None:
    """An id that nobody registered is named in the message."""
    with pytest.raises(InputError, match="no deliverable is called parcel"):
        chosen(KNOWN, (), also=("parcel",))
