"""Loaded layers and settings of an algorithm as files that the command reads."""

import json
import shutil
import sqlite3
from contextlib import closing, contextmanager
from pathlib import Path

from qgis.core import QgsProcessingException, QgsVectorFileWriter

REQUEST = "request.json"
PROJECT = "harvest.toml"
_NO_TIME = "2000-01-01T00:00:00.000Z"  # equal layers must give an equal edition
_FID = "row_of_layer"  # a layer may have a column `fid` of its own


def write_layer(layer, name, folder):
    """
    A layer with unsaved edits and filter, in its own CRS; the words for it in a project file.

    A GeoPackage, or CSV where it is a table without a place.
    """
    options = QgsVectorFileWriter.SaveVectorOptions()
    options.fileEncoding = "UTF-8"
    path = folder / f"{name}.{'gpkg' if layer.isSpatial() else 'csv'}"
    if layer.isSpatial():
        options.driverName, options.layerName = "GPKG", name
        options.layerOptions = [f"FID={_FID}"]
    else:
        options.driverName = "CSV"
    found = QgsVectorFileWriter.writeAsVectorFormatV3(
        layer, str(path), layer.transformContext(), options
    )
    if found[0] != QgsVectorFileWriter.WriterError.NoError:
        raise QgsProcessingException(f"layer {layer.name()} could not be handed on: {found[1]}")
    if layer.isSpatial():
        with closing(sqlite3.connect(path)) as database, database:
            database.execute("UPDATE gpkg_contents SET last_change = ?", (_NO_TIME,))
    return {"file": str(path), **({"layer": name} if layer.isSpatial() else {})}


def write_request(folder, project, inputs, settings):
    """What the command makes a project file of."""
    asked = {"project": project, "inputs": inputs, "settings": settings}
    (folder / REQUEST).write_text(json.dumps(asked, indent=1), encoding="utf-8")
    return folder / REQUEST


@contextmanager
def sent_to(output):
    """Folder `inputs` of an output, new; what stood there comes back where the run fails."""
    folder, kept = Path(output) / "inputs", Path(output) / ".inputs-before"
    is_new = not Path(output).exists()
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        shutil.rmtree(kept, ignore_errors=True)
        if folder.exists():
            folder.rename(kept)
        folder.mkdir()
    except OSError as fault:
        raise QgsProcessingException(
            f"{output} cannot be written ({fault.strerror}). Choose another folder"
        ) from fault
    done = []
    try:
        yield folder, done
    finally:
        if done:
            shutil.rmtree(kept, ignore_errors=True)
        else:
            shutil.rmtree(folder, ignore_errors=True)
            if kept.exists():
                kept.rename(folder)
            if is_new:
                shutil.rmtree(output, ignore_errors=True)
