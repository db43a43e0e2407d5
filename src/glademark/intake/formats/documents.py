"""XML documents from the field, read without following anything that they point to."""

import re
from collections.abc import Iterator, Sequence
from xml.etree.ElementTree import Element, ParseError

from glademark.errors import FileError
from glademark.intake.columns.match import is_known
from glademark.intake.columns.meanings import Meaning
from glademark.intake.formats.files import FieldFile

DOCUMENT_MAX = 128 * 2**20
"""Largest document [bytes]: in memory it takes many times its size."""

TEXT_MAX = 2**20
"""Longest text of one element [characters]."""

DEPTH_MAX = 64
"""Deepest nesting of elements."""

PIECE_MAX = 200
"""Longest part of a note that is looked at for a name and a value [characters]."""

_PIECES = re.compile(r"[;|\n]|,(?!\d)")
_PAIR = re.compile(r"\s*([^:=]{1,40}?)\s*[:=]\s*(.+?)\s*")
_NAMED_NUMBER = re.compile(r"\s*([A-Za-z][A-Za-z ]*?)\s+([-+]?\d[\d.,]*\s*\S{0,6})\s*")
_DIAMETER = re.compile(r"""\s*\d*[.,]?\d+\s*(?:in|inch|inches|"|”|cm)\s*""", re.IGNORECASE)


def root_of(file: FieldFile) -> Element:
    """Root element of a document."""
    from defusedxml import DefusedXmlException, ElementTree  # noqa: PLC0415 - only where XML is read

    if file.copy.stat().st_size > DOCUMENT_MAX:
        msg = (
            f"{file.name}: the document is larger than {DOCUMENT_MAX // 2**20} MiB. "
            "Export only what belongs to the stand."
        )
        raise FileError(msg)
    try:
        root: Element = ElementTree.parse(file.copy, forbid_dtd=True).getroot()
    except DefusedXmlException as error:
        msg = (
            f"{file.name}: the document declares entities or a document type, which is not read "
            f"for safety. Export plain {file.format}."
        )
        raise FileError(msg) from error
    except (ParseError, ValueError, LookupError) as error:
        msg = f"{file.name}: the document is damaged ({error}). Export it again."
        raise FileError(msg) from error
    _refuse_excess(root, file)
    return root


def _refuse_excess(root: Element, file: FieldFile) -> None:
    """Refuse long texts and deep nesting, level by level."""
    level, depth = [root], 0
    while level:
        depth += 1
        if any(len(element.text or "") > TEXT_MAX for element in level):
            msg = (
                f"{file.name}: an element holds more than 1 MiB of text. Export plain "
                f"{file.format}."
            )
            raise FileError(msg)
        if depth > DEPTH_MAX:
            msg = (
                f"{file.name}: elements are nested more than {DEPTH_MAX} deep. Export plain "
                f"{file.format}."
            )
            raise FileError(msg)
        level = [child for element in level for child in element]


def local_name(element: Element) -> str:
    """
    Name of an element without its namespace.

    Examples
    --------
    >>> local_name(Element("{http://www.topografix.com/GPX/1/1}wpt"))
    'wpt'
    """
    return str(element.tag).rpartition("}")[2]


def said_in(note: str, meanings: Sequence[Meaning]) -> Iterator[tuple[str, str]]:
    """
    Pairs of name and value in what was typed into a note.

    Examples
    --------
    >>> from glademark.intake.columns.meanings import MARKS
    >>> list(said_in("spp: RM; 14.2 in; by the brook", MARKS))
    [('spp', 'RM'), ('dbh', '14.2 in')]
    """
    for piece in _PIECES.split(note):
        if len(piece) > PIECE_MAX:
            continue
        pair = _PAIR.fullmatch(piece) or _NAMED_NUMBER.fullmatch(piece)
        if pair and is_known(pair[1], meanings):
            yield pair[1], pair[2]
        elif _DIAMETER.fullmatch(piece):
            yield "dbh", piece.strip()
