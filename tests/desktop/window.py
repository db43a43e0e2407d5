"""Runs in the desktop's window: a layout of a project file, an edit, *Layout again*, as JSON."""

import json
import os
import time
import traceback
from pathlib import Path

import processing
import qgis.utils
from qgis.core import (
    QgsFeatureRequest,
    QgsLayoutItemScaleBar,
    QgsPointXY,
    QgsProject,
    QgsRectangle,
    QgsVectorLayer,
)
from qgis.PyQt.QtCore import QTimer
from qgis.PyQt.QtWidgets import QApplication

HOME = Path(os.environ["GLADEMARK_TEST"])


def settle(is_done):
    """Let the window work until something is so."""
    until = time.monotonic() + 60
    while not is_done() and time.monotonic() < until:
        QApplication.processEvents()
        time.sleep(0.02)
    assert is_done()


def run(algorithm, **given):
    """One run of the toolbox, its layers loaded."""
    asked = {"OUTPUT": str(HOME / "out"), "LAYERS_ONLY": True, **given}
    return processing.run(algorithm, asked)


def rows(panel):
    """Verdict and measured figure of each row of the panel."""
    return [
        [panel.table.item(at, column).text() for column in (0, 2)]
        for at in range(panel.table.rowCount())
    ]


def colours(points):
    """Colours that the canvas shows at points of the map."""
    canvas, drawn = qgis.utils.iface.mapCanvas(), []
    canvas.mapCanvasRefreshed.connect(lambda: drawn.append(1))
    for _ in "12":  # the first time, the desktop itself zooms to its first layers meanwhile
        drawn.clear()
        canvas.setExtent(QgsRectangle.fromCenterAndSize(QgsPointXY(*points[-1]), 130, 60))
        canvas.refresh()
        settle(lambda: drawn and not canvas.isDrawing())
    image, place = canvas.grab().toImage(), canvas.mapSettings().mapToPixel()
    spots = [place.transform(QgsPointXY(*point)) for point in points]
    return [image.pixelColor(int(spot.x()), int(spot.y())).name() for spot in spots]


def work():
    """What the window showed."""
    project = QgsProject.instance()
    panel = qgis.utils.plugins["glademark_desktop"].panel
    found = {"before": panel.head.text()}
    run("glademark:layout", PROJECT=str(HOME / "harvest.toml"))
    root = project.layerTreeRoot()
    found["groups"] = {
        group.name(): [node.name() for node in group.findLayers()] for group in root.findGroups()
    }
    (sheet,) = project.layoutManager().layouts()
    shown = sheet.itemById("map")
    bars = [one for one in sheet.items() if isinstance(one, QgsLayoutItemScaleBar)]
    found["sheet"] = {"name": sheet.name(), "scale": shown.scale(), "layers": len(shown.layers())}
    found["bars"] = {one.unitLabel(): one.unitsPerSegment() for one in bars}
    found["rows"] = rows(panel)
    panel.select(0)
    own = {one.name(): one for one in project.mapLayers().values()}
    found["read_only"] = own["marks"].readOnly()
    points = json.loads(os.environ["GLADEMARK_POINTS"])
    found["selected"] = colours(points)[0]
    own["openings"].removeSelection()
    found["colours"] = colours(points)
    qgis.utils.iface.mainWindow().grab().save(str(HOME / "window.png"))

    source = QgsVectorLayer(str(HOME / "marks.geojson"), "trees", "ogr")
    marks = source.materialize(QgsFeatureRequest())
    project.addMapLayer(marks)
    run("glademark:layout_from_layers", PROJECT=str(HOME / "harvest.toml"), MARKS=[marks])
    found["layers"] = rows(panel)
    marks.startEditing()
    marks.deleteFeatures([one.id() for one in marks.getFeatures() if one["row"] < 4])
    panel.again.click()
    settle(panel.again.isEnabled)
    drawn = sum(one["kind"] == "cut" for one in own["marks"].getFeatures())
    found["again"] = {"rows": rows(panel), "head": panel.head.text(), "marks": drawn}
    found["again"]["height"] = own["marks"].extent().height()
    found["groups_after"] = [group.name() for group in root.findGroups()]
    advised = {"PROJECT": str(HOME / "harvest.toml"), "OUTPUT": str(HOME / "advice")}
    processing.run("glademark:advise", advised)
    found["groups_advised"] = [group.name() for group in root.findGroups()]
    return found


def begin():
    """Work, write down what was found, and end without asking whether to save."""
    try:
        found = work()
    except BaseException:  # noqa: BLE001 - whatever it is, the test shows it
        found = {"fault": traceback.format_exc()}
    from glademark_desktop.run import end_ready

    end_ready()
    (HOME / "answer.json").write_text(json.dumps(found), encoding="utf-8")
    os._exit(0)


QTimer.singleShot(0, begin)
