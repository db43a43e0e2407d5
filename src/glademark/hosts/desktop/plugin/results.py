"""What the command wrote, as a group of layers in drawing order."""

import json
import sqlite3
from contextlib import closing
from pathlib import Path

from qgis.core import QgsAction, QgsDataProvider, QgsVectorLayer

OUTPUT_KEY = "glademark/gpkg"
"""Custom property of a layer that says which file it came from."""

_AREAS = (
    "openings", "combined_openings", "incidental_openings", "landings", "corridors", "water",
    "regeneration", "exclusions", "setbacks", "stand", "zones",
)  # fmt: skip
_HIDDEN = {"zones", "combined_openings", "incidental_openings", "corridor_lines", "contours"}


def in_drawing_order(gpkg):
    """Names of layers and tables of a GeoPackage: points, lines, areas, tables."""
    with closing(sqlite3.connect(Path(gpkg).as_uri() + "?mode=ro", uri=True)) as database:
        kinds = dict(
            database.execute("SELECT table_name, geometry_type_name FROM gpkg_geometry_columns")
        )
        names = [
            name
            for (name,) in database.execute("SELECT table_name FROM gpkg_contents")
            if name != "layer_styles"
        ]

    def place(name):
        """Rank of a layer by its kind of geometry."""
        kind = kinds.get(name, "")
        if "POINT" in kind:
            return (0, names.index(name))
        if "LINE" in kind:
            return (1, names.index(name))
        if kind:
            return (2, _AREAS.index(name) if name in _AREAS else len(_AREAS))
        return (3, names.index(name))

    return sorted(names, key=place)


def load(project, gpkg, title):
    """Show a GeoPackage in a group; layers of an earlier run of it are shown anew in place."""
    gpkg = str(Path(gpkg).resolve())
    own = {
        layer.customProperty("glademark/layer"): layer
        for layer in project.mapLayers().values()
        if layer.customProperty(OUTPUT_KEY) == gpkg
    }
    names = in_drawing_order(gpkg)
    for name in set(own) - set(names):
        project.removeMapLayer(own[name].id())
    group = _group(project, own, names, title)
    shown = {}
    for place, name in enumerate(names):
        source = f"{gpkg}|layername={name}"
        if name in own:
            shown[name] = layer = own[name]
            if layer.isValid():  # a fifth of the time of a source that is set
                layer.reload()
                layer.updateExtents()
            else:
                layer.setDataSource(source, layer.name(), "ogr", QgsDataProvider.ProviderOptions())
            layer.triggerRepaint()
            continue
        layer = QgsVectorLayer(source, name, "ogr")
        layer.setCustomProperty(OUTPUT_KEY, gpkg)
        layer.setCustomProperty("glademark/layer", name)
        layer.setReadOnly(True)  # the next layout writes it anew: edits belong into what was sent
        project.addMapLayer(layer, False)
        node = group.insertLayer(min(place, len(group.children())), layer)
        node.setExpanded(False)
        node.setItemVisibilityChecked(name not in _HIDDEN)
        shown[name] = layer
    if "openings" in shown:
        set_sheet_action(shown["openings"], Path(gpkg).parent)
    return shown


def _group(project, own, names, title):
    """The group of the layers that are there already, else a new one on top."""
    root = project.layerTreeRoot()
    for name in names:
        node = root.findLayer(own[name].id()) if name in own else None
        if node is not None and node.parent() is not root:
            return node.parent()
    return root.insertGroup(0, title)


def set_sheet_action(layer, folder):
    """An action for each opening that opens the map sheets, where there are any."""
    layer.actions().clearActions()
    sheet = folder / "layout_map.pdf"
    if sheet.exists():
        action = QgsAction(
            QgsAction.ActionType.OpenUrl, "Open its map sheet", sheet.as_uri(), False
        )
        action.setActionScopes({"Feature", "Canvas"})
        layer.actions().addAction(action)


def summary_of(folder):
    """What the summary of an output says; nothing where there is none."""
    path = Path(folder) / "summary.json"
    return json.loads(path.read_text(encoding="utf-8")) if path.is_file() else {}


def project_of(gpkg):
    """Title of the project that a GeoPackage was made of, from the figures beside it."""
    name = "summary.json" if Path(gpkg).stem == "layout" else Path(gpkg).stem + ".json"
    figures = json.loads(Path(gpkg).with_name(name).read_text(encoding="utf-8"))
    return figures.get("project") or figures["provenance"]["project"]


def counts(folder):
    """Figures of a run: path of the summary, edition, and limits by verdict."""
    path, summary = Path(folder) / "summary.json", summary_of(folder)
    checks = summary.get("checks", {})
    found = {"SUMMARY": str(path), "EDITION": summary["provenance"]["edition"]}
    for verdict in ("exceeded", "near", "met", "not_checked"):
        found[verdict.upper()] = checks.get(verdict, 0)
    return found
