"""What a GeoJSON document can hide: damage, another kind of JSON, a coordinate system elsewhere."""

import json
from typing import Any

from glademark.errors import FileError
from glademark.intake.formats.files import FieldFile
from glademark.intake.records import refuse_columns
from glademark.wording import shown

_SHAPES = ("Point", "LineString", "Polygon")
_KINDS = frozenset(
    {"FeatureCollection", "Feature", "GeometryCollection"}.union(
        *({shape, f"Multi{shape}"} for shape in _SHAPES)
    )
)
_REGISTRY = ("http://www.opengis.net/def/crs/", "https://www.opengis.net/def/crs/")
"""Names that look like addresses, but are understood without asking anyone."""


def check(file: FieldFile) -> bool:
    """Whether a document states a coordinate system; a damaged one, or a link, is refused."""
    links: list[str] = []
    document = _document(file, links)
    if links:
        msg = (
            f"{file.name}: its coordinate system is a link ({shown(links[0])}), which is not "
            f"followed. Export it again, or take out 'crs' and state it in [inputs]: "
            f'{file.input} = {{file = "{file.name}", crs = "EPSG:…"}}.'
        )
        raise FileError(msg)
    if not isinstance(document, dict) or document.get("type") not in _KINDS:
        what = "it has no 'type'"
        if isinstance(document, dict) and "type" in document:
            what = f"its 'type' is {shown(str(document['type']))}"
        msg = f"{file.name}: this is JSON, but not GeoJSON: {what}. Export it as GeoJSON."
        raise FileError(msg)
    features = document.get("features")
    if isinstance(features, list):
        if not all(isinstance(one, dict) for one in features):
            msg = f"{file.name}: some entries among its features are no features. Export it again."
            raise FileError(msg)
        fields = (one.get("properties") for one in features)
        names = set().union(*(one for one in fields if isinstance(one, dict)))
        refuse_columns(len(names), file)
    return document.get("crs") is not None


def _document(file: FieldFile, links: list[str]) -> Any:  # noqa: ANN401 - whatever the file holds
    """The document; coordinate systems that it only links to, at any depth, are added to a list."""

    def noted(found: dict[str, Any]) -> dict[str, Any]:
        if "crs" in found and (link := _link(found["crs"])):
            links.append(link)
        return found

    try:
        return json.loads(file.copy.read_bytes().decode("utf-8-sig"), object_hook=noted)
    except UnicodeDecodeError as error:
        msg = f"{file.name}: GeoJSON must be UTF-8; byte {error.start} is not. Export it again."
        raise FileError(msg) from error
    except (ValueError, RecursionError) as error:  # a number with too many digits is a ValueError
        where = "its nesting" if isinstance(error, RecursionError) else "its numbers"
        where = f"line {error.lineno}" if isinstance(error, json.JSONDecodeError) else where
        msg = f"{file.name}: this is no complete GeoJSON document (see {where}). Export it again."
        raise FileError(msg) from error


def _link(crs: object) -> str:
    """Where a `crs` member leads, or nothing where it says itself what it is."""
    if not isinstance(crs, dict):
        return ""
    said = crs.get("properties")
    said = said if isinstance(said, dict) else {}
    if str(crs.get("type")).casefold() in {"link", "url"}:
        return str(said.get("href") or said.get("url") or "nowhere")
    name = str(said.get("name", ""))
    return name if "://" in name and not name.startswith(_REGISTRY) else ""
