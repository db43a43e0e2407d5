"""A map sheet of a layout among the desktop's own print layouts."""

import math

from qgis.core import (
    QgsLayoutItemLabel,
    QgsLayoutItemLegend,
    QgsLayoutItemMap,
    QgsLayoutItemScaleBar,
    QgsLayoutPoint,
    QgsLayoutSize,
    QgsPrintLayout,
    QgsUnitTypes,
)

_MAP = "map"
_MAP_PLACE = (10, 20, 195, 165)  # left, top, width, height [mm]
_MARGIN = 1.05  # of the stand's extent
_ROUND = 250  # the scale is a multiple of it
_BARS = {"meters": 160, "feet": 175}  # units as on the map sheets of the papers, with tops [mm]
_SCALE = "1:[% format_number(map_get(item_variables('map'), 'map_scale'), 0) %]"


def show_sheet(project, title, layers, words):
    """The sheet of this title with these layers, made where there is none."""
    drawn = [one for one in layers.values() if one.isSpatial() and _is_on(project, one)]
    sheet = project.layoutManager().layoutByName(title)
    if sheet is None:
        sheet = _made(project, title, layers["stand"], words)
    shown = sheet.itemById(_MAP)
    if shown is not None:  # whoever took it out keeps the sheet as it is
        shown.setLayers(drawn)
        shown.setKeepLayerSet(True)


def _made(project, title, stand, words):
    """A sheet with map, scale, legend and words."""
    sheet = QgsPrintLayout(project)
    sheet.initializeDefaults()  # one page, A4 across
    sheet.setName(title)
    shown, legend = QgsLayoutItemMap(sheet), QgsLayoutItemLegend(sheet)
    _put(sheet, shown, _MAP_PLACE)
    shown.setId(_MAP)
    shown.setFrameEnabled(True)
    shown.setCrs(stand.crs())
    extent = stand.extent()
    extent.scale(_MARGIN)
    shown.setExtent(extent)  # changes the item's height; without it there is no scale
    shown.attemptResize(QgsLayoutSize(*_MAP_PLACE[2:]))
    shown.zoomToExtent(extent)
    shown.setScale(_ROUND * math.ceil(shown.scale() / _ROUND))
    for text, place in ((f"{title}, {_SCALE}", (10, 8, 277, 10)), (words, (10, 190, 277, 14))):
        label = QgsLayoutItemLabel(sheet)
        label.setText(text)
        _put(sheet, label, place)
    for unit, top in _BARS.items():
        bar = QgsLayoutItemScaleBar(sheet)
        bar.setLinkedMap(shown)
        bar.applyDefaultSize(QgsUnitTypes.decodeDistanceUnit(unit)[0])
        _put(sheet, bar, (210, top, 77, 13))
    legend.setLinkedMap(shown)
    legend.setLegendFilterByMapEnabled(True)
    _put(sheet, legend, (210, 20, 77, 138))
    project.layoutManager().addLayout(sheet)
    return sheet


def _put(sheet, item, place):
    """Add an item at a place."""
    sheet.addLayoutItem(item)
    item.attemptMove(QgsLayoutPoint(*place[:2]))
    item.attemptResize(QgsLayoutSize(*place[2:]))


def _is_on(project, layer):
    """Whether a layer is drawn."""
    node = project.layerTreeRoot().findLayer(layer.id())
    return node is not None and node.itemVisibilityChecked()
