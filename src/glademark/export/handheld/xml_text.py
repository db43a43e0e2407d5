"""XML as it is written: one serialiser for all, without letters that XML cannot hold."""

import re
from xml.etree import ElementTree as ET

_FORBIDDEN = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def add(parent: ET.Element, tag: str, text: object = None, /, **attributes: str) -> ET.Element:
    r"""
    A new last child of an element.

    Parameters
    ----------
    parent
        Element that gets it.
    tag
        Name of the child.
    text
        Its text; none where None.
    **attributes
        Of the child.

    Returns
    -------
    child
        To be filled further.

    Examples
    --------
    >>> root = ET.Element("a")
    >>> add(root, "b", "x\x01 & y", id="1").text
    'x & y'
    """
    child = ET.SubElement(parent, tag, attributes)
    if text is not None:
        child.text = _FORBIDDEN.sub("", str(text))
    return child


def xml_bytes(root: ET.Element) -> bytes:
    """
    A document as the bytes of its file.

    Parameters
    ----------
    root
        Element that holds all others; it is indented in place.

    Returns
    -------
    text
        UTF-8 with an XML declaration and a line feed at its end.
    """
    ET.indent(root, space=" ")
    body = ET.tostring(root, encoding="unicode", short_empty_elements=True)
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{body}\n'.encode("utf-8", "replace")
