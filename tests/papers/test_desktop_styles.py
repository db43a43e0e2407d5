"""The open desktop GIS takes each layer's style from the GeoPackage, with nothing clicked."""

import json
import os
import subprocess
from pathlib import Path

from glademark.export.geopackage import write_geopackage
from glademark.export.styles import MARKS, SYMBOLS, ZONES
from glademark.report.delivery import Delivery

READ = """
import json, os, sqlite3, sys
from qgis.core import QgsApplication, QgsRenderContext, QgsVectorLayer

application = QgsApplication([], False)
application.initQgis()
database = sqlite3.connect(sys.argv[1])
names = database.execute("SELECT table_name FROM gpkg_geometry_columns").fetchall()
database.close()
found = {}
for (name,) in names:
    layer = QgsVectorLayer(f"{sys.argv[1]}|layername={name}", name, "ogr")
    renderer, context = layer.renderer(), QgsRenderContext()
    symbols = renderer.symbols(context)
    found[name] = {
        "kind": renderer.type(),
        "colours": [
            [one.symbolLayer(0).color().name(), one.symbolLayer(0).strokeColor().name()]
            for one in symbols
        ],
        "labels": layer.labelsEnabled(),
        "layers": [[part.layerType() for part in one.symbolLayers()] for one in symbols],
    }
print(json.dumps(found), flush=True)
os._exit(0)  # its own clearing up at the end may crash
"""


def test_layers_come_up_in_their_symbols(
    small: Delivery, tmp_path: Path, desktop_python: Path
) -> None:
    """Kind of style, colours and patterns of each layer are the declared ones."""
    write_geopackage(small, tmp_path / "layout.gpkg")
    bare = {"PATH": os.environ["PATH"], "HOME": str(tmp_path), "QT_QPA_PLATFORM": "offscreen"}
    asked = [str(desktop_python), "-c", READ, str(tmp_path / "layout.gpkg")]
    answer = subprocess.run(asked, capture_output=True, check=True, text=True, env=bare)  # noqa: S603 - ours
    found = json.loads(answer.stdout.splitlines()[-1])

    assert found["stand"]["colours"][0][1] == SYMBOLS["stand"].stroke
    assert found["openings"]["colours"] == [[SYMBOLS["openings"].fill, SYMBOLS["openings"].stroke]]
    assert found["openings"]["labels"]
    assert found["zones"]["kind"] == found["marks"]["kind"] == "categorizedSymbol"
    assert [one[0] for one in found["zones"]["colours"]] == [one.fill for one in ZONES.values()]
    assert len(found["marks"]["colours"]) == len(MARKS)
    assert found["zones"]["layers"][0] == ["SimpleFill", "PointPatternFill"]
    assert all(layer["kind"] != "nullSymbol" for layer in found.values())
