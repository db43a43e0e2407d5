"""The metadata record in the GeoPackage: after ISO 19115-1, registered as the standard asks."""

import json
import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from lxml import etree

from glademark import __version__
from glademark.export.geopackage import write_geopackage
from glademark.export.iso_metadata import STANDARD_URI, metadata_record
from glademark.jobs.layout import Outcome
from glademark.report.delivery import Delivery
from glademark.report.summary import build_summary, marking_days
from glademark.report.wording import cautions

ROOT = Path(__file__).resolve().parents[2]
ISO = "http://standards.iso.org/iso/19115/-3"
SPACES = {
    "mdb": f"{ISO}/mdb/2.0", "cit": f"{ISO}/cit/2.0", "gco": f"{ISO}/gco/1.0",
    "gex": f"{ISO}/gex/1.0", "mri": f"{ISO}/mri/1.0", "mrl": f"{ISO}/mrl/2.0",
    "mco": f"{ISO}/mco/1.0", "mcc": f"{ISO}/mcc/1.0", "lan": f"{ISO}/lan/1.0",
}  # fmt: skip


@pytest.fixture
def path(delivery: Delivery, tmp_path: Path) -> Path:
    """The invented layout as a GeoPackage."""
    write_geopackage(delivery, tmp_path / "layout.gpkg")
    return tmp_path / "layout.gpkg"


def texts(delivery: Delivery, where: str) -> list[str]:
    """Texts of the record at a place."""
    root = etree.fromstring(metadata_record(delivery).encode())
    return [element.text or "" for element in root.xpath(where, namespaces=SPACES)]


def test_the_record_stands_for_the_whole_file(path: Path) -> None:
    """One record, with its scope, its standard, and the extension named (OGC 12-128, annex F.8)."""
    with closing(sqlite3.connect(path)) as database:
        record = database.execute(
            "SELECT id, md_scope, md_standard_uri, mime_type FROM gpkg_metadata"
        ).fetchall()
        reference = database.execute("SELECT * FROM gpkg_metadata_reference").fetchall()
        extension = database.execute(
            "SELECT table_name, scope FROM gpkg_extensions WHERE extension_name = 'gpkg_metadata'"
        ).fetchall()

    assert record == [(1, "dataset", STANDARD_URI, "text/xml")]
    assert [row[:4] + row[5:] for row in reference] == [("geopackage", None, None, None, 1, None)]
    assert sorted(extension) == [
        ("gpkg_metadata", "read-write"),
        ("gpkg_metadata_reference", "read-write"),
    ]


def test_the_record_holds_what_discovery_needs(delivery: Delivery) -> None:
    """The elements of ISO 19115-1:2014, table F.1, as far as they are known."""
    identified = "//mri:MD_DataIdentification"

    assert texts(delivery, f"{identified}/mri:citation//cit:title/*") == [
        "Harvest layout: Test Forty (invented)"
    ]
    assert "machine corridors" in texts(delivery, f"{identified}/mri:abstract/*")[0]
    assert texts(delivery, f"{identified}/mri:topicCategory/*") == ["farming", "environment"]
    assert set(texts(delivery, "//lan:language/*")) == {"eng"}
    assert texts(delivery, "//mco:useLimitation/*") == list(cautions())
    assert texts(delivery, "//mdb:metadataStandard//cit:title/*") == ["ISO 19115-1:2014"]


def test_the_place_is_that_of_the_stand(delivery: Delivery) -> None:
    """West, east, south and north of the stand in degrees hold its middle."""
    middle = delivery.layout.stand.to_crs(4326).union_all().centroid
    sides = ("westBoundLongitude", "eastBoundLongitude", "southBoundLatitude", "northBoundLatitude")

    west, east, south, north = (float(texts(delivery, f"//gex:{side}/*")[0]) for side in sides)

    assert west < middle.x < east
    assert south < middle.y < north


def test_lineage_names_version_inputs_and_settings(delivery: Delivery) -> None:
    """Who opens the file in ten years can tell what it was made from."""
    assert f"glademark {__version__}" in texts(delivery, "//mrl:statement/*")[0]
    assert texts(delivery, "//mrl:sourceCitation//cit:title/*") == ["stand.gpkg", "marks.csv"]
    assert texts(delivery, "//mrl:sourceCitation//mcc:code/*") == ["a" * 64, "b" * 64]
    step = texts(delivery, "//mrl:LI_ProcessStep/mrl:description/*")[0]
    assert json.loads(step.partition(": ")[2])["marks"]["paint"] == {"pink": "corridor"}


def test_the_date_is_that_of_the_newest_mark(delivery: Delivery) -> None:
    """No clock is read: with times of marks there is a date, without them the word that none is."""
    summary = json.loads(json.dumps(delivery.summary))
    summary["provenance"]["newest_mark"] = "2025-10-07"
    dated = replace(delivery, summary=summary)

    assert set(texts(dated, "//gco:Date")) == {"2025-10-07"}
    assert texts(delivery, "//gco:Date") == []
    assert len(texts(delivery, "/mdb:MD_Metadata/mdb:dateInfo[@gco:nilReason='unknown']")) == 1
    assert "the date of this record is unknown" in texts(delivery, "//mrl:statement/*")[0]


@pytest.mark.parametrize(
    ("times", "days"),
    [
        (["2025-10-07T07:52:00Z", "2025-10-06 08:06"], ("2025-10-06", "2025-10-07")),
        (["7/10/25", "10.6.2025", ""], ()),
        (["2025-13-40", "2024-02-29"], ("2024-02-29",)),
    ],
)
def test_only_days_that_can_be_read_one_way_count(times: list[str], days: tuple[str, ...]) -> None:
    """7/10/25 is July to one and October to another."""
    assert marking_days(pd.DataFrame({"time": times})) == days


def test_text_from_the_field_cannot_break_the_record(delivery: Delivery) -> None:
    """Markup is written as text, and what XML forbids is left out."""
    heading = delivery.project.heading.model_copy(update={"name": "<b>&]]>\x00\x1b é"})
    project = delivery.project.model_copy(update={"heading": heading})
    harmed = replace(delivery, project=project)

    assert texts(harmed, "//mri:citation//cit:title/*") == ["Harvest layout: <b>&]]>   é"]


def test_the_summary_holds_the_settings(delivery: Delivery) -> None:
    """The summary says with which settings it came about, without folders of this machine."""
    provenance = build_summary(delivery.project, delivery.survey, delivery.layout, delivery.checks)[
        "provenance"
    ]

    assert provenance["parameters"]["project"]["name"] == "Test Forty (invented)"
    assert provenance["parameters"]["inputs"]["stand"][0]["file"] == "stand.gpkg"
    assert [one["sha256"] for one in provenance["inputs"]] == ["a" * 64, "b" * 64]


@pytest.fixture(scope="module")
def sample(sample_run: Outcome) -> Path:
    """Layout of the sample."""
    return next(path for path in sample_run.files if path.name == "layout.gpkg")


def test_the_validator_of_the_standard_finds_no_error(sample: Path) -> None:
    """The sample's layout, metadata included, is a sound GeoPackage."""
    validator = pytest.importorskip("osgeo_utils.samples.validate_gpkg")

    assert validator.check(str(sample)) == []
