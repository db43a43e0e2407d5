"""
The metadata record of a layout after ISO 19115-1, as XML after ISO 19115-3.

It holds the elements that the standard asks for the discovery of data (ISO 19115-1:2014, annex F,
table F.1) as far as they are known. There is no clock in it, so that equal input gives equal bytes:
its date is the day of the newest mark, and where no mark has a time, it is left out as unknown.

References
----------
.. [1] ISO 19115-1:2014, Geographic information - Metadata - Part 1: Fundamentals.
.. [2] ISO/TS 19115-3:2016, XML schema implementation for fundamental concepts.
"""

import json
import re
import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from types import MappingProxyType
from xml.etree.ElementTree import Element, SubElement, register_namespace, tostring

from glademark.contracts.layers import Column
from glademark.report.delivery import Delivery
from glademark.report.summary import project_settings
from glademark.report.wording import cautions

STANDARD_URI = "http://standards.iso.org/iso/19115/-3/mdb/2.0"
"""Names the standard of the record in ``gpkg_metadata``."""

_SPACES: Mapping[str, str] = MappingProxyType(
    {
        "mdb": STANDARD_URI,
        **{
            name: f"http://standards.iso.org/iso/19115/-3/{name}/{version}"
            for name, version in (
                ("cit", "2.0"), ("gco", "1.0"), ("gex", "1.0"), ("lan", "1.0"), ("mcc", "1.0"),
                ("mco", "1.0"), ("mri", "1.0"), ("mrl", "2.0"), ("mrs", "1.0"),
            )
        },
    }
)  # fmt: skip
_CODES = "http://standards.iso.org/iso/19115/resources/Codelists/cat/codelists.xml"
_FORBIDDEN = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_TOPICS = ("farming", "environment")
_KEYWORDS = ("forestry", "timber harvest", "group selection", "harvest layout")


def metadata_record(delivery: Delivery) -> str:
    """Metadata record of a layout."""
    for prefix, space in _SPACES.items():
        register_namespace(prefix, space)
    day = str(delivery.summary["provenance"]["newest_mark"] or "")
    root = Element(_named("mdb:MD_Metadata"))
    _code(_step(root, "mdb:metadataIdentifier/mcc:MD_Identifier/mcc:code"), _identifier(delivery))
    _locale(_step(root, "mdb:defaultLocale"))
    scope = _step(root, "mdb:metadataScope/mdb:MD_MetadataScope/mdb:resourceScope")
    _listed(scope, "mcc:MD_ScopeCode", "dataset")
    _unknown(root, "mdb:contact", "missing")
    _dated(root, "mdb:dateInfo", day)
    _text(_step(root, "mdb:metadataStandard/cit:CI_Citation/cit:title"), "ISO 19115-1:2014")
    system = "mdb:referenceSystemInfo/mrs:MD_ReferenceSystem/mrs:referenceSystemIdentifier"
    _code(_step(root, f"{system}/mcc:MD_Identifier/mcc:code"), delivery.layout.crs.to_string())
    identification = _step(root, "mdb:identificationInfo/mri:MD_DataIdentification")
    _identify(identification, delivery, day)
    _lineage(_step(root, "mdb:resourceLineage/mrl:LI_Lineage"), delivery, day)
    return tostring(root, encoding="unicode")


def _identifier(delivery: Delivery) -> str:
    """Name of the record: that of the project."""
    return f"glademark {delivery.project.heading.name}"


def _identify(part: Element, delivery: Delivery, day: str) -> None:
    """What the layout is, where it lies, and with which cautions it is to be used."""
    name = delivery.project.heading.name
    citation = _step(part, "mri:citation/cit:CI_Citation")
    _text(_step(citation, "cit:title"), f"Harvest layout: {name}")
    _dated(citation, "cit:date", day)
    _text(_step(part, "mri:abstract"), _abstract(delivery))
    _unknown(part, "mri:pointOfContact", "missing")
    _listed(
        _step(part, "mri:spatialRepresentationType"), "mcc:MD_SpatialRepresentationTypeCode",
        "vector",
    )  # fmt: skip
    for topic in _TOPICS:
        SubElement(
            _step(part, "mri:topicCategory"), _named("mri:MD_TopicCategoryCode")
        ).text = topic
    _extent(_step(part, "mri:extent/gex:EX_Extent"), delivery)
    words = _step(part, "mri:descriptiveKeywords/mri:MD_Keywords")
    for word in _KEYWORDS:
        _text(_step(words, "mri:keyword"), word)
    limits = _step(part, "mri:resourceConstraints/mco:MD_Constraints")
    for caution in cautions():
        _text(_step(limits, "mco:useLimitation"), caution)
    _locale(_step(part, "mri:defaultLocale"))


def _abstract(delivery: Delivery) -> str:
    """What the layout holds, in two sentences."""
    figures = delivery.layout.figures
    return (
        "Layout of a marked partial timber harvest: stand, machine corridors, group openings, "
        "zones, marked trees, volumes by zone, and checks against the limits that were stated. "
        f"The stand has {figures.stand.area_m2 / 10_000:,.2f} ha, "
        f"{figures.corridors.length_m:,.0f} m of corridors and {figures.openings.count} openings."
    )


def _extent(part: Element, delivery: Delivery) -> None:
    """Bounding box of the stand in degrees."""
    stand = delivery.layout.stand
    box = _step(part, "gex:geographicElement/gex:EX_GeographicBoundingBox")
    west, south, east, north = stand.to_crs(4326).total_bounds
    sides = {"west": west, "east": east, "south": south, "north": north}
    for side, value in sides.items():
        angle = "Longitude" if side in {"west", "east"} else "Latitude"
        place = _step(box, f"gex:{side}Bound{angle}")
        SubElement(place, _named("gco:Decimal")).text = f"{value:.7f}"


def _lineage(part: Element, delivery: Delivery, day: str) -> None:
    """How the layout came about: version, settings and inputs with their digests."""
    version = delivery.summary["provenance"]["version"]
    undated = "" if day else " No mark has a time, so the date of this record is unknown."
    _text(
        _step(part, "mrl:statement"),
        f"Made by glademark {version} from the sources below, each with its SHA-256 "
        f"(of a file with side files: of all of them, one after the other).{undated}",
    )
    for count in delivery.survey.counts:
        source = _step(part, "mrl:source/mrl:LI_Source")
        used = f"{count.read} records read, {count.used} used, {count.rejected} rejected"
        _text(_step(source, "mrl:description"), f"{count.input}: {used}")
        citation = _step(source, "mrl:sourceCitation/cit:CI_Citation")
        _text(_step(citation, "cit:title"), count.file)
        identifier = _step(citation, "cit:identifier/mcc:MD_Identifier")
        _code(_step(identifier, "mcc:code"), count.sha256)
        _text(_step(identifier, "mcc:codeSpace"), "SHA-256")
    settings = json.dumps(project_settings(delivery.project), ensure_ascii=False, allow_nan=False)
    step = _step(part, "mrl:processStep/mrl:LI_ProcessStep")
    _text(_step(step, "mrl:description"), f"Settings, in SI units: {settings}")


def _named(name: str) -> str:
    """A name with its namespace written out."""
    prefix, _, plain = name.partition(":")
    return f"{{{_SPACES[prefix]}}}{plain}"


def _step(parent: Element, path: str) -> Element:
    """The last of a chain of new elements below another."""
    for name in path.split("/"):
        parent = SubElement(parent, _named(name))
    return parent


def _text(parent: Element, text: str) -> None:
    """A text, without the characters that XML forbids."""
    SubElement(parent, _named("gco:CharacterString")).text = _FORBIDDEN.sub(" ", text)


_code = _text


def _listed(parent: Element, name: str, value: str) -> None:
    """A value of one of the standard's code lists."""
    plain = name.partition(":")[2]
    code = SubElement(parent, _named(name), codeList=f"{_CODES}#{plain}", codeListValue=value)
    code.text = value


def _locale(parent: Element) -> None:
    """English, in UTF-8."""
    locale = _step(parent, "lan:PT_Locale")
    _listed(_step(locale, "lan:language"), "lan:LanguageCode", "eng")
    _listed(_step(locale, "lan:characterEncoding"), "lan:MD_CharacterSetCode", "utf8")


def _unknown(parent: Element, name: str, why: str) -> None:
    """An element that the standard asks for and nobody stated."""
    SubElement(parent, _named(name), {_named("gco:nilReason"): why})


def _dated(parent: Element, name: str, day: str) -> None:
    """A date of creation, or the word that it is not known."""
    if not day:
        _unknown(parent, name, "unknown")
        return
    stamp = _step(parent, f"{name}/cit:CI_Date")
    SubElement(_step(stamp, "cit:date"), _named("gco:Date")).text = day
    _listed(_step(stamp, "cit:dateType"), "cit:CI_DateTypeCode", "creation")


_TABLES = (
    """
    CREATE TABLE gpkg_data_columns (
        table_name TEXT NOT NULL, column_name TEXT NOT NULL,
        name TEXT, title TEXT, description TEXT, mime_type TEXT, constraint_name TEXT,
        CONSTRAINT pk_gdc PRIMARY KEY (table_name, column_name),
        CONSTRAINT gdc_tn UNIQUE (table_name, name)
    )
    """,
    """
    CREATE TABLE gpkg_data_column_constraints (
        constraint_name TEXT NOT NULL, constraint_type TEXT NOT NULL,
        value TEXT, min NUMERIC, min_is_inclusive BOOLEAN, max NUMERIC, max_is_inclusive BOOLEAN,
        description TEXT,
        CONSTRAINT gdcc_ntv UNIQUE (constraint_name, constraint_type, value)
    )
    """,
)
_EXTENSIONS = """
    CREATE TABLE IF NOT EXISTS gpkg_extensions (
        table_name TEXT, column_name TEXT, extension_name TEXT NOT NULL,
        definition TEXT NOT NULL, scope TEXT NOT NULL,
        CONSTRAINT ge_tce UNIQUE (table_name, column_name, extension_name)
    )
"""
_DEFINITION = "http://www.geopackage.org/spec130/#extension_schema"


def titled(column: Column) -> str:
    """
    Title of a column with its unit.

    Examples
    --------
    >>> titled(Column(name="area_ha", kind="real", title="Area", meaning="", unit="ha"))
    'Area [ha]'
    """
    return f"{column.title} [{column.unit}]" if column.unit else column.title


def add_data_dictionary(
    database: sqlite3.Connection, columns: Mapping[str, Sequence[Column]]
) -> None:
    """Write title and meaning of every column, and register the extension that holds them."""
    for statement in (*_TABLES, _EXTENSIONS):
        database.execute(statement)
    database.executemany(
        "INSERT INTO gpkg_extensions VALUES (?, NULL, 'gpkg_schema', ?, 'read-write')",
        [("gpkg_data_columns", _DEFINITION), ("gpkg_data_column_constraints", _DEFINITION)],
    )
    database.executemany(
        "INSERT INTO gpkg_data_columns VALUES (?, ?, ?, ?, ?, NULL, NULL)", _rows(columns)
    )


def _rows(columns: Mapping[str, Sequence[Column]]) -> Iterable[tuple[str, str, str, str, str]]:
    """Table, column, short name, title and meaning."""
    for table, described in columns.items():
        for column in described:
            yield table, column.name, column.name, titled(column), column.meaning


_METADATA_TABLES = (
    """
    CREATE TABLE gpkg_metadata (
        id INTEGER CONSTRAINT m_pk PRIMARY KEY ASC NOT NULL,
        md_scope TEXT NOT NULL DEFAULT 'dataset',
        md_standard_uri TEXT NOT NULL,
        mime_type TEXT NOT NULL DEFAULT 'text/xml',
        metadata TEXT NOT NULL DEFAULT ''
    )
    """,
    """
    CREATE TABLE gpkg_metadata_reference (
        reference_scope TEXT NOT NULL,
        table_name TEXT, column_name TEXT, row_id_value INTEGER,
        timestamp DATETIME NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')),
        md_file_id INTEGER NOT NULL,
        md_parent_id INTEGER,
        CONSTRAINT crmr_mfi_fk FOREIGN KEY (md_file_id) REFERENCES gpkg_metadata(id),
        CONSTRAINT crmr_mpi_fk FOREIGN KEY (md_parent_id) REFERENCES gpkg_metadata(id)
    )
    """,
)
_METADATA_DEFINITION = "http://www.geopackage.org/spec130/#extension_metadata"


def add_metadata(database: sqlite3.Connection, xml: str, *, standard: str, time: str) -> None:
    """Write a metadata record for the whole file, and register the extension that holds it."""
    for statement in _METADATA_TABLES:
        database.execute(statement)
    database.executemany(
        "INSERT INTO gpkg_extensions VALUES (?, NULL, 'gpkg_metadata', ?, 'read-write')",
        [
            ("gpkg_metadata", _METADATA_DEFINITION),
            ("gpkg_metadata_reference", _METADATA_DEFINITION),
        ],
    )
    database.execute(
        "INSERT INTO gpkg_metadata VALUES (1, 'dataset', ?, 'text/xml', ?)", (standard, xml)
    )
    database.execute(
        "INSERT INTO gpkg_metadata_reference VALUES ('geopackage', NULL, NULL, NULL, ?, 1, NULL)",
        (time,),
    )
