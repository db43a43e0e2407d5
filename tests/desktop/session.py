"""Runs inside the desktop's own interpreter: layouts of layers in several forms, as JSON."""

import json
import os
import shutil
import sys
import time
from pathlib import Path

from qgis.core import (
    QgsApplication,
    QgsCoordinateReferenceSystem,
    QgsFeature,
    QgsFeatureRequest,
    QgsGeometry,
    QgsProcessingContext,
    QgsProcessingFeedback,
    QgsProject,
    QgsVectorLayer,
)

plugins, sample, out = map(Path, sys.argv[1:4])
sys.path[:0] = [str(plugins), "/usr/share/qgis/python/plugins", "/usr/share/qgis/python"]
application = QgsApplication([], False)
application.initQgis()

import processing
from processing.core.Processing import Processing

Processing.initialize()
from glademark_desktop import run as running
from glademark_desktop.provider import GlademarkProvider
from glademark_desktop.run import LASTING, end_ready

LASTING.set()  # as where there is a window
provider = GlademarkProvider()
QgsApplication.processingRegistry().addProvider(provider)
project = QgsProject.instance()


def opened(name, source, kind="ogr"):
    """A layer of the project."""
    layer = QgsVectorLayer(source, name, kind)
    assert layer.isValid(), source
    project.addMapLayer(layer, False)
    return layer


def in_memory(layer):
    """A copy that is in no file, in longitude and latitude."""
    copy = layer.materialize(
        QgsFeatureRequest().setDestinationCrs(
            QgsCoordinateReferenceSystem("EPSG:4326"), project.transformContext()
        )
    )
    project.addMapLayer(copy, False)
    return copy


def edited(layer):
    """A copy with one feature less and another moved, both put back as unsaved edits."""
    copy = layer.materialize(QgsFeatureRequest())
    project.addMapLayer(copy, False)
    first, *_, last = sorted(copy.getFeatures(), key=QgsFeature.id)
    copy.dataProvider().deleteFeatures([last.id()])
    shape = QgsGeometry(first.geometry())
    shape.translate(30, 0)
    copy.dataProvider().changeGeometryValues({first.id(): shape})
    copy.startEditing()
    copy.addFeature(QgsFeature(last))
    copy.changeGeometry(first.id(), first.geometry())
    assert copy.featureCount() == layer.featureCount()
    return copy


def filtered(path):
    """A copy of a file with another row, which a filter hides."""
    layer = opened(path.stem, str(shutil.copy(path, sample / "more.gpkg")))
    shown = sorted(feature.id() for feature in layer.getFeatures())
    more = QgsFeature(layer.getFeature(shown[0]))
    more.setAttribute("fid", None)
    assert layer.dataProvider().addFeatures([more])[0]
    layer.setSubsetString(f"fid <= {shown[-1]}")
    assert layer.featureCount() == len(shown)
    return layer


class Impatient(QgsProcessingFeedback):
    """Cancels when the work has begun."""

    pressed = 0.0

    def setProgressText(self, text):
        if not self.pressed:
            self.pressed = time.monotonic()
            self.cancel()


def run(folder, **given):
    """Figures of one run."""
    asked = {"PROJECT": str(sample / "harvest.toml"), "OUTPUT": str(out / folder), **given}
    context = QgsProcessingContext()
    context.setProject(project)
    feedback = QgsProcessingFeedback()
    found = processing.run(
        "glademark:layout_from_layers", {**asked, "LAYERS_ONLY": True},
        context=context, feedback=feedback,
    )  # fmt: skip
    kept = {name.lower(): found[name] for name in ("OUTPUT", "EXCEEDED", "EDITION")}
    return {**kept, "log": feedback.textLog()}


exclusions = opened("exclusions", str(sample / "exclusions.gpkg"))
marks = [opened(name, str(sample / f"{name}.csv")) for name in ("marks_north", "marks_south")]
forms = {
    "STAND": opened("stand", str(sample / "stand.gpkg")),
    "LEAVE_TREES": edited(opened("leave_trees", str(sample / "leave_trees.gpkg"))),
    "CORRIDORS": [filtered(sample / "corridors.gpkg")],
    "MARKS": marks,
    "WATER": str(sample / "water.gpkg"),
}
answer = {
    "files": run("files"),
    "layers": run("layers", **forms),
    "again": run("again", **forms),
    "elsewhere": run(
        "elsewhere", EXCLUSIONS=in_memory(exclusions), LIMITS_OPENING_AREA_MAX="2 acre"
    ),
}
try:
    run("refused", LIMITS_OPENING_AREA_MAX="much")
except Exception as fault:  # noqa: BLE001 - what the desktop would show
    answer["refused"] = {"fault": str(fault), "left": (out / "refused").exists()}
answer["ready"] = [waiting.poll() is None for waiting in running.READY]
end_ready()
feedback = Impatient()
processing.run(
    "glademark:layout",
    {"PROJECT": str(sample / "harvest.toml"), "OUTPUT": str(out / "cancelled")},
    feedback=feedback,
)
answer["cancelled"] = {
    "within_s": time.monotonic() - feedback.pressed,
    "waiting": len(running.READY),
    "left": [path.name for path in out.iterdir() if "cancelled" in path.name],
}
print(json.dumps(answer), flush=True)  # noqa: T201 - the answer
os._exit(0)
