"""
The plotting library's document as plain values, in the form in which its script reads it.

The library's own Python classes make the same document, but take longer to be loaded than all else
on the page to be made; its script is taken as it is. A test has the library read and check what is
made here.
"""

from __future__ import annotations

from importlib.metadata import version
from importlib.util import find_spec
from pathlib import Path
from typing import Any

Model = dict[str, Any]
"""One model: its type, name, id and attributes."""

_SCRIPT = Path("server", "static", "js", "bokeh.min.js")


def library_script() -> str:
    """
    Script of the plotting library.

    Returns
    -------
    script
        Whole, as it was installed, telling errors only.
    """
    found = find_spec("bokeh")
    if found is None or found.origin is None:  # it is one of our own requirements
        msg = "bokeh, which draws the review page's map, is not installed. Install Glademark again"
        raise ModuleNotFoundError(msg)
    script = (Path(found.origin).parent / _SCRIPT).read_text(encoding="utf-8")
    return f'{script}\nBokeh.set_log_level("error");'.replace("\r\n", "\n")


def given(value: object) -> dict[str, Any]:
    """
    A property with one value for all.

    Parameters
    ----------
    value
        In the types of JSON.

    Returns
    -------
    property
        As the library writes it.
    """
    return {"type": "value", "value": value}


def taken(column: str) -> dict[str, Any]:
    """
    A property that is taken from a column of the source.

    Parameters
    ----------
    column
        Its name.

    Returns
    -------
    property
        As the library writes it.
    """
    return {"type": "field", "field": column}


class Document:
    """Models that get their ids in the order in which they are made."""

    def __init__(self) -> None:
        self._made = 0
        self._placed: set[str] = set()

    def model(self, name: str, /, **attributes: object) -> Model:
        """
        A model.

        Parameters
        ----------
        name
            Of its type.
        **attributes
            Its properties, those left out being the library's own.

        Returns
        -------
        model
            To be placed once; everywhere else its id stands for it.
        """
        self._made += 1
        said = {"attributes": attributes} if attributes else {}
        return {"type": "object", "name": name, "id": f"m{self._made}", **said}

    def source(self, **columns: object) -> Model:
        """
        Columns of a renderer.

        Parameters
        ----------
        **columns
            Lists of equal length.

        Returns
        -------
        source
            To be used by one renderer or more.
        """
        data = {"type": "map", "entries": [list(entry) for entry in columns.items()]}
        return self.model(
            "ColumnDataSource",
            data=data,
            selected=self.model("Selection", indices=[], line_indices=[]),
            selection_policy=self.model("UnionRenderers"),
        )

    def renderer(
        self, glyph: str, source: Model, looks: dict[str, Any], **attributes: object
    ) -> Model:
        """
        What draws the rows of a source.

        Parameters
        ----------
        glyph
            Name of the type of what is drawn.
        source
            Its columns.
        looks
            Properties of what is drawn.
        **attributes
            Of the renderer.

        Returns
        -------
        renderer
            For the plot.
        """
        there = source if source["id"] not in self._placed else {"id": source["id"]}
        self._placed.add(source["id"])
        return self.model(
            "GlyphRenderer",
            data_source=there,
            view=self.model("CDSView", filter=self.model("AllIndices")),
            glyph=self.model(glyph, **looks),
            **attributes,
        )

    def item(self, root: Model) -> dict[str, Any]:
        """
        The document as the library's script embeds it.

        Parameters
        ----------
        root
            What is shown.

        Returns
        -------
        item
            In the types of JSON.
        """
        return {
            "target_id": None,
            "root_id": root["id"],
            "doc": {"version": version("bokeh"), "title": "", "roots": [root]},
        }
