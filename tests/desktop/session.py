"""Runs inside the desktop's own interpreter: layouts of layers in several forms, as JSON."""

import json
import os
import sys
import threading
import time
from pathlib import Path

from qgis.core import (
    QgsApplication,
    QgsFeature,
    QgsFeatureRequest,
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
from glademark_desktop.run import end_ready

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
    """A copy that is in no file, with one feature less, then put back as an unsaved edit."""
    features = list(layer.getFeatures())
    copy = layer.materialize(QgsFeatureRequest())
    project.addMapLayer(copy, False)
    last = max(feature.id() for feature in copy.getFeatures())
    kept = QgsFeature(copy.getFeature(last))
    copy.dataProvider().deleteFeatures([last])
    copy.startEditing()
    copy.addFeature(kept)
    assert copy.featureCount() == len(features)
    return copy


def run(folder, **given):
    """Figures of one run."""
    asked = {"PROJECT": str(sample / "harvest.toml"), "OUTPUT": str(out / folder), **given}
    context = QgsProcessingContext()
    context.setProject(project)
    found = processing.run(
        "glademark:layout_from_layers", {**asked, "LAYERS_ONLY": True},
        context=context, feedback=QgsProcessingFeedback(),
    )  # fmt: skip
    return {name.lower(): found[name] for name in ("OUTPUT", "EXCEEDED", "EDITION")}


stand = opened("stand", str(sample / "stand.gpkg"))
corridors = opened("corridors", str(sample / "corridors.gpkg"))
marks = [opened(name, str(sample / f"{name}.csv")) for name in ("marks_north", "marks_south")]
memory = in_memory(stand), in_memory(corridors)
answer = {
    "files": run("files"),
    "layers": run("layers", STAND=stand, CORRIDORS=[corridors], MARKS=marks),
    "again": run("again", STAND=stand, CORRIDORS=[corridors], MARKS=marks),
    "memory": run("memory", STAND=memory[0], CORRIDORS=[memory[1]]),
    "setting": run("setting", LIMITS_OPENING_AREA_MAX="2 acre"),
}
corridors.setSubsetString("\"name\" = 'A'" if "name" in corridors.fields().names() else "fid < 4")
answer["filtered"] = {**run("filtered", CORRIDORS=[corridors]), "rows": corridors.featureCount()}
try:
    run("refused", LIMITS_OPENING_AREA_MAX="much")
except Exception as fault:  # noqa: BLE001 - what the desktop would show
    answer["refused"] = {"fault": str(fault), "left": (out / "refused").exists()}
feedback = QgsProcessingFeedback()
pressed = []
timer = threading.Timer(1.5, lambda: (pressed.append(time.monotonic()), feedback.cancel()))
timer.start()
processing.run(
    "glademark:layout",
    {"PROJECT": str(sample / "harvest.toml"), "OUTPUT": str(out / "cancelled")},
    feedback=feedback,
)
answer["ready"] = [waiting.poll() is None for waiting in running.READY]
end_ready()
answer["ready"].append(running.READY == [])
answer["cancelled"] = {
    "within_s": time.monotonic() - pressed[0],
    "left": [path.name for path in out.iterdir() if "cancelled" in path.name],
}
root = project.layerTreeRoot()
answer["groups"] = {
    group.name(): [node.name() for node in group.findLayers()] for group in root.findGroups()
}
print(json.dumps(answer), flush=True)  # noqa: T201 - the answer
os._exit(0)
