"""The desktop GIS in a window under a virtual display (package xvfb), the plug-in installed."""

import json
import os
import shutil
import signal
import subprocess
from pathlib import Path
from typing import Any

import pytest
import shapely

from glademark.export.styles import SYMBOLS, Symbol
from glademark.hosts.desktop.install import install, profile_folder
from glademark.jobs.layout import lay_out

ENDS_WITHIN_S = 120
PROJECT = """
project = {name = "Small (INVENTED)", working_crs = "EPSG:26916"}
inputs = {stand = "stand.geojson", corridors = "corridors.geojson", marks = "marks.geojson"}
corridors = {width = "8 m"}
openings = {edge = "marked_crowns", crown_radius = "3 m", min_area = "10 m2", link_distance = "1 m"}
limits = {opening_area_max = "500 m2"}
"""


def write_layer(path: Path, rows: list[tuple[shapely.Geometry, dict[str, object]]]) -> None:
    """A file of features in UTM."""
    features = [
        {"type": "Feature", "properties": values, "geometry": shapely.geometry.mapping(shape)}
        for shape, values in rows
    ]
    crs = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::26916"}}
    path.write_text(json.dumps({"type": "FeatureCollection", "crs": crs, "features": features}))


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory, desktop_python: Path) -> Path:
    """Folder of a session in a window: what it found, and what the window looked like."""
    if shutil.which("xvfb-run") is None:
        pytest.skip("needs the package xvfb")
    assert desktop_python
    home = tmp_path_factory.mktemp("window")
    x, y = 400000, 4500000
    write_layer(home / "stand.geojson", [(shapely.box(x, y, x + 200, y + 200), {})])
    line = shapely.LineString([(x + 150, y - 5), (x + 150, y + 205)])
    write_layer(home / "corridors.geojson", [(line, {"name": "A"})])
    grid = [(row, column) for row in range(8) for column in range(4)]
    trees = [
        (shapely.Point(x + 40 + 5 * column, y + 80 + 5 * row), {"row": row, "dbh_cm": 30})
        for row, column in grid
    ]
    write_layer(home / "marks.geojson", trees)
    (home / "harvest.toml").write_text(PROJECT)
    install(profile_folder("fresh", home / "profiles"))
    words = ["xvfb-run", "-a", "-s", "-screen 0 1280x800x24", "qgis", "--nologo"]
    words += ["--noversioncheck", "--profiles-path", str(home / "profiles"), "--profile", "fresh"]
    words += ["--code", str(Path(__file__).with_name("window.py"))]
    points = json.dumps([[x + 42.5, y + 80], [x + 150, y + 85], [x + 95, y + 100]])
    bare = {"PATH": os.defpath, "HOME": str(home)}  # the desktop's Python: the system's own
    bare |= {"GLADEMARK_TEST": str(home), "GLADEMARK_POINTS": points}
    with (home / "said.txt").open("w") as said:
        started = subprocess.Popen(  # noqa: S603 - ours
            words, env=bare, stdout=said, stderr=said, start_new_session=True
        )
        try:
            started.wait(ENDS_WITHIN_S)
        finally:
            if started.poll() is None:
                os.killpg(started.pid, signal.SIGKILL)
                started.wait()
    assert (home / "answer.json").exists(), (home / "said.txt").read_text()
    return home


@pytest.fixture(scope="module")
def found(home: Path) -> dict[str, Any]:
    """What the session found."""
    answer: dict[str, Any] = json.loads((home / "answer.json").read_text())
    assert "fault" not in answer, answer["fault"]
    return answer


def on_white(symbol: Symbol) -> list[float]:
    """Red, green and blue of the fill of a symbol on white paper."""
    return [255 + symbol.opacity * (part - 255) for part in parts(symbol.fill or "#ffffff")]


def parts(colour: str) -> list[int]:
    """Red, green and blue of a colour."""
    return [int(colour[at : at + 2], 16) for at in (1, 3, 5)]


def test_layers_and_verdicts_come_up(home: Path, found: dict[str, Any]) -> None:
    """A layout of a project file: one group named after it, points above areas above tables."""
    ((title, names),) = found["groups"].items()
    order = ("marks", "corridor_lines", "openings", "corridors", "stand", "zones", "checks")

    assert found["before"] == "No layout is loaded."
    assert title == "Small (INVENTED)"
    assert sorted(order, key=names.index) == list(order)
    assert len(names) == len(set(names))
    assert [verdict for verdict, _ in found["rows"]] == ["EXCEEDED"]
    assert found["selected"] == "#ffff00"  # the opening, by a click on that row
    assert found["read_only"]
    assert (home / "window.png").stat().st_size > 10_000


def test_map_sheet_is_ready_to_print(found: dict[str, Any]) -> None:
    """The stand of 200 m, widened by 5 %, on 165 mm: 1:1273, so 1:1500 as next round scale."""
    sheet = found["sheet"]

    assert sheet["name"] == "Small (INVENTED)"
    assert sheet["scale"] == pytest.approx(1500, rel=1e-3)
    assert sheet["layers"] == 4  # marks, openings, corridors, stand
    assert found["bars"] == {"m": 25, "ft": 75}  # tenths of 292.5 m or 960 ft, down to 2.5s


def test_other_results_are_named_after_the_project_too(found: dict[str, Any]) -> None:
    """What is advised on the project stands above its layout, and says so."""
    assert found["groups_advised"] == ["Small (INVENTED): leave standing", "Small (INVENTED)"]


def test_map_is_drawn_in_the_declared_colours(found: dict[str, Any]) -> None:
    """At known points of the map: an opening, a corridor, and ground between them."""
    opening, corridor, ground = map(parts, found["colours"])

    assert opening == pytest.approx(on_white(SYMBOLS["openings"]), abs=1.5)
    assert corridor == pytest.approx(on_white(SYMBOLS["corridors"]), abs=1.5)
    assert ground == [255, 255, 255]


def test_layout_again_follows_an_edit(home: Path, found: dict[str, Any]) -> None:
    """Half the marks deleted, not saved: the limit is met, as by the command on what was sent."""
    repeated = lay_out(home / "out/inputs/harvest.toml", out=home / "again", only=["gpkg"])
    summary = json.loads((home / "out/summary.json").read_text())

    assert found["layers"] == found["rows"]
    assert [verdict for verdict, _ in found["again"]["rows"]] == ["MET"]
    assert found["again"]["head"].startswith(f"Limits: 1 met. Notices: {len(summary['notices'])},")
    assert (found["again"]["marks"], found["again"]["height"]) == (16, 15)  # rows 4 to 7 of 5 m
    assert found["groups_after"] == list(found["groups"])
    assert summary["marks"]["trees"] == 16
    assert repeated.delivery.summary["openings"] == summary["openings"]
    assert repeated.delivery.summary["provenance"]["edition"] == summary["provenance"]["edition"]


def test_run_without_a_window(home: Path) -> None:
    """The desktop's runner of algorithms finds what the window finds in the same files."""
    runner = shutil.which("qgis_process.bin") or shutil.which("qgis_process")
    assert runner
    install(profile_folder("default", home / "headless"))
    bare = {"PATH": os.defpath, "HOME": str(home), "QT_QPA_PLATFORM": "offscreen"}
    bare["QGIS_CUSTOM_CONFIG_PATH"] = str(home / "headless")
    words = [runner, "--json", "run", "glademark:layout", "--", f"PROJECT={home / 'harvest.toml'}"]
    words += [f"OUTPUT={home / 'alone'}", "LAYERS_ONLY=true"]

    done = subprocess.run(words, env=bare, capture_output=True, text=True, check=False)  # noqa: S603 - ours

    assert done.returncode == 0, done.stderr
    results = json.loads(done.stdout)["results"]
    assert [results[one] for one in ("EXCEEDED", "NEAR", "MET", "NOT_CHECKED")] == [1, 0, 0, 0]
    assert Path(results["GPKG"]).is_file()
