"""Surveys, projects and layouts built in memory, for tests of everything behind intake."""

import contextlib
import gc
import hashlib
import io
import logging
import os
import pickle
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import fields, replace
from functools import cache
from pathlib import Path
from typing import Any, NoReturn, TypedDict, Unpack

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import settings
from open_data import FOLDER, TREES
from pyproj import CRS
from shapely.geometry.base import BaseGeometry

from glademark.contracts.frames import STAND
from glademark.contracts.layout import Layout
from glademark.contracts.survey import FRAMES, REJECTED_COLUMNS, Notice, Survey
from glademark.hosts.cli import main
from glademark.jobs.layout import Outcome
from glademark.measure.layout import measure_layout
from glademark.project.model import Project

pytest_plugins = ["tests.deliveries"]

settings.register_profile("suite", max_examples=25, deadline=None, derandomize=True)
settings.load_profile("suite")
pd.options.mode.string_storage = "python"
# That of commands and of an installation without extras; faster by a third for small frames.
# `stands/test_stands.py` has the other.

FIRST = ("test_killed", "test_command", "test_batch", "test_silent_errors")
"""Files of tests that take longest; they start first, so that no worker waits for the last."""

ROOT = Path(__file__).resolve().parent.parent
WAIT_S = 300
UTM = CRS.from_epsg(26916)

MARK: Mapping[str, object] = {
    "tree_id": "", "marker": "a", "count": 1, "kind": "cut", "dbh_cm": 30.0, "dbh": 30.0,
    "dbh_unit": "cm", "dbh_flag": "", "species": "", "product": "", "paint": "",
    "paint_meaning": "", "group": "", "height_m": np.nan, "crown_radius_m": 3.0,
    "volume": np.nan, "volume_unit": "", "defect_share": np.nan, "cull": False,
    "position_error_m": 4.0, "time": "", "order": np.nan, "radius_m": np.nan, "inside": True,
    "source_file": "marks.csv", "record": 0,
}  # fmt: skip
CORRIDOR: Mapping[str, object] = {
    "corridor": "",
    "width_m": 4.0,
    "state": "new",
    "source_file": "corridors.gpkg",
    "record": 0,
}
PLOT: Mapping[str, object] = {
    "plot": "", "stratum": "", "weight": 1.0, "baf_m2_ha": np.nan, "plot_area_m2": np.nan,
}  # fmt: skip
PLOT_TREE: Mapping[str, object] = {
    "plot": "", "species": "", "product": "", "dbh": np.nan, "dbh_unit": "cm", "dbh_cm": np.nan,
    "count": 1, "times": 1, "height_m": np.nan, "crown_radius_m": np.nan,
    "live_crown_ratio": np.nan, "volume": np.nan, "volume_unit": "",
    "defect_share": np.nan, "cull": False, "source_file": "cruise.csv", "record": 0,
}  # fmt: skip
TALLY: Mapping[str, object] = {
    "zone": "matrix", "group": "", "species": "", "product": "", "dbh": 10.0, "dbh_unit": "in",
    "count": 1, "volume": np.nan, "volume_unit": "", "defect_share": np.nan, "cull": False,
    "source_file": "tally.csv", "record": 0,
}  # fmt: skip
LEAVE_TREE: Mapping[str, object] = {
    "tree_id": "",
    "species": "",
    "dbh_cm": np.nan,
    "crown_radius_m": 3.0,
    "retention": "",
}
CROP_TREE: Mapping[str, object] = {
    "tree_id": "", "species": "", "dbh_cm": 20.0, "height_m": np.nan, "crown_radius_m": 3.0,
}  # fmt: skip
STANDING: Mapping[str, object] = {
    **CROP_TREE, "dbh": 20.0, "dbh_unit": "cm", "product": "", "grade": "", "defect": np.nan,
    "condition": "", "live_crown_ratio": np.nan, "count": 1, "volume": np.nan, "volume_unit": "",
    "cull": False, "source_file": "standing.csv", "record": 0,
}  # fmt: skip
SETBACK: Mapping[str, object] = {"name": "", "rule": "no_cut", "minimum_m2_ha": np.nan}

Row = Mapping[str, object]
Tables = Mapping[str, object]


def pytest_collection_finish() -> None:
    """Leave all that is there to the end out of collections of garbage."""
    gc.collect()
    gc.freeze()


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the slow files first."""
    items.sort(
        key=lambda item: FIRST.index(item.path.stem) if item.path.stem in FIRST else len(FIRST)
    )


class Given(TypedDict, total=False):
    """What a survey may hold beside its stand."""

    corridors: Sequence[Row | BaseGeometry]
    marks: Sequence[Row]
    tally: Sequence[Row]
    walked: Sequence[Row | BaseGeometry]
    exclusions: Sequence[BaseGeometry]
    landings: Sequence[BaseGeometry]
    hazards: Sequence[Row]
    water: Sequence[BaseGeometry]
    setbacks: Sequence[Row]
    leave_trees: Sequence[Row]
    crop_trees: Sequence[Row]
    regeneration: Sequence[BaseGeometry]
    failing_patches: Sequence[Row]
    standing: Sequence[Row]
    volume_table: pd.DataFrame | None
    target_table: pd.DataFrame | None
    plots: Sequence[Row]
    plot_trees: Sequence[Row]
    marked_ground: Sequence[BaseGeometry]


def frame(rows: Sequence[Row], defaults: Row) -> gpd.GeoDataFrame:
    """Rows with a `geometry`, missing columns filled from the defaults."""
    if not rows:
        return _no_rows(tuple(defaults.items())).copy()
    return _with_rows(rows, defaults)


@cache
def _no_rows(defaults: tuple[tuple[str, object], ...]) -> gpd.GeoDataFrame:
    """No rows of a layer, made once: most layers of most tests are empty."""
    return _with_rows([], dict(defaults))


def _with_rows(rows: Sequence[Row], defaults: Row) -> gpd.GeoDataFrame:
    """Rows of a layer, made anew."""
    more = {name for row in rows for name in row} - {*defaults, "geometry"}
    names = [*defaults, *sorted(more), "geometry"]
    table = pd.DataFrame([{**defaults, **row} for row in rows], columns=names)
    for name, default in defaults.items():
        table[name] = table[name].astype(object if isinstance(default, str) else type(default))
    return gpd.GeoDataFrame(table, geometry="geometry", crs=UTM)


def areas(shapes: Sequence[BaseGeometry]) -> gpd.GeoDataFrame:
    """Polygon rows, each with a name."""
    rows = [{"geometry": shape, "name": f"area {i}"} for i, shape in enumerate(shapes, 1)]
    return frame(rows, {"name": ""})


def named(given: Sequence[Row | BaseGeometry], column: str, prefix: str = "") -> list[Row]:
    """Rows from shapes or rows, numbered from 1 under a column where they have no name."""
    return [
        {column: f"{prefix}{i}", **(row if isinstance(row, Mapping) else {"geometry": row})}
        for i, row in enumerate(given, 1)
    ]


def tally_frame(rows: Sequence[Row]) -> pd.DataFrame:
    """Rows of a paper tally."""
    more = sorted({name for row in rows for name in row} - set(TALLY))
    table = pd.DataFrame([{**TALLY, **row} for row in rows], columns=[*TALLY, *more])
    kinds = {"count": int, "dbh": float, "volume": float, "defect_share": float, "cull": bool}
    return table.astype(kinds)


def build_survey(stand: BaseGeometry, **given: Unpack[Given]) -> Survey:
    """A Survey in EPSG:26916 from plain rows; what is not given is empty."""
    marks = frame(given.get("marks", []), MARK)
    marks["tree_id"] = np.where(marks["tree_id"] == "", marks.index.astype(str), marks["tree_id"])
    survey = Survey(
        crs=UTM,
        stand=areas([stand]),
        corridors=frame(named(given.get("corridors", []), "corridor"), CORRIDOR),
        marks=marks,
        tally=tally_frame(given.get("tally", [])),
        walked=frame(named(given.get("walked", []), "group", "W"), {"group": "", "crosses_at": ""}),
        exclusions=areas(given.get("exclusions", [])),
        landings=areas(given.get("landings", [])),
        hazards=frame(given.get("hazards", []), {"name": "", "keep_away_m": np.nan}),
        water=areas(given.get("water", [])),
        setbacks=frame(given.get("setbacks", []), SETBACK),
        leave_trees=frame(given.get("leave_trees", []), LEAVE_TREE),
        crop_trees=frame(given.get("crop_trees", []), CROP_TREE),
        regeneration=areas(given.get("regeneration", [])),
        failing_patches=frame(given.get("failing_patches", []), {"name": "", "priority": np.nan}),
        standing=frame(given.get("standing", []), STANDING),
        marked_ground=areas(given.get("marked_ground", [])),
        volume_table=given.get("volume_table"),
        target_table=given.get("target_table"),
        plots=frame(given.get("plots", []), PLOT),
        plot_trees=pd.DataFrame(frame(given.get("plot_trees", []), PLOT_TREE)).drop(
            columns="geometry"
        ),
        terrain=None,
        rejected=pd.DataFrame(columns=list(REJECTED_COLUMNS)),
        counts=(),
        stand_notices=(),
    )
    return join_surveys([survey], names=["Test stand (invented)"])


def build_project(**tables: object) -> Project:
    """A project with only what a test asks for."""
    return Project.model_validate(
        {
            "project": {"name": "Test stand (invented)", "units": "metric"},
            "inputs": {"stand": Path("stand.gpkg"), "marks": [Path("marks.csv")]},
            **tables,
        }
    )


def build_layout(
    stand: BaseGeometry,
    *,
    project: Tables | None = None,
    earlier: Mapping[int, int] | None = None,
    **given: Unpack[Given],
) -> Layout:
    """Layout of a survey built from plain rows."""
    return measured(build_survey(stand, **given), build_project(**(project or {})), earlier=earlier)


_KEPT: dict[bytes, Layout] = {}
_MOST_KEPT = 64


def measured(
    survey: Survey, project: Project, *, earlier: Mapping[int, int] | None = None
) -> Layout:
    """A layout with frames of its own; what is asked again is not measured again."""
    key = hashlib.sha256(pickle.dumps((survey, project, earlier))).digest()
    if key not in _KEPT:
        for oldest in list(_KEPT)[: 1 - _MOST_KEPT]:
            del _KEPT[oldest]
        _KEPT[key] = measure_layout(survey, project, earlier=earlier or {})
    layout = _KEPT[key]
    frames = {
        field.name: table.copy(deep=False)
        for field in fields(layout)
        if isinstance(table := getattr(layout, field.name), pd.DataFrame)
    }
    return replace(layout, **frames)


def points(*positions: tuple[float, float], **columns: object) -> list[Row]:
    """Mark rows at positions, all with the same columns."""
    return [{"geometry": shapely.Point(position), **columns} for position in positions]


@pytest.fixture(scope="session")
def mapped_data() -> Callable[[str], Any]:
    """Open data of real mapped trees by name; skipped where they were not fetched."""
    if not (FOLDER / TREES).is_file():
        reason = "the mapped trees are not here; fetch them with 'python3 scripts/open_data.py'"
        if os.environ.get("CI") == "true":
            pytest.fail(reason)
        pytest.skip(reason)
    from mapped_trees import mapped  # noqa: PLC0415 - its reader takes a second to import

    found: Callable[[str], Any] = mapped
    return found


@pytest.fixture(scope="session")
def survey_of() -> Callable[..., Survey]:
    """Builder of surveys."""
    return build_survey


@pytest.fixture(scope="session")
def project_of() -> Callable[..., Project]:
    """Builder of projects."""
    return build_project


@pytest.fixture(scope="session")
def layout_of() -> Callable[..., Layout]:
    """Builder of layouts: a stand, project tables under `project`, and what `Given` names."""
    return build_layout


@pytest.fixture(scope="session")
def marks_at() -> Callable[..., list[Row]]:
    """Builder of mark rows: positions, then columns that they share."""
    return points


Shared = Callable[[str, Callable[[Path], Any]], Any]
Command = Callable[..., "subprocess.CompletedProcess[str]"]
Forked = Callable[..., int]


@pytest.fixture(scope="session")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Shared:
    """
    Keeper of what takes long to make and is only read: made once a run, whoever asks first.

    It takes a name and a maker, which gets an empty folder; what the maker returns is pickled, so
    that all worker processes of the run have it.
    """
    base = tmp_path_factory.getbasetemp()
    base = base.parent if "PYTEST_XDIST_WORKER" in os.environ else base

    def keep(name: str, make: Callable[[Path], Any]) -> Any:  # noqa: ANN401 - whatever it makes
        folder, kept = base / f"shared-{name}", base / f"shared-{name}.pickle"
        try:
            folder.mkdir()
        except FileExistsError:
            return _kept_by_another(kept)
        made: tuple[bool, Any] = (False, None)
        try:
            made = (True, make(folder))
        finally:
            kept.with_suffix(".new").write_bytes(pickle.dumps(made))
            kept.with_suffix(".new").replace(kept)
        return made[1]

    return keep


def _kept_by_another(kept: Path) -> Any:  # noqa: ANN401 - whatever was made
    """What another worker has made or is making."""
    until = time.monotonic() + WAIT_S
    while not kept.exists() and time.monotonic() < until:
        time.sleep(0.1)
    made, found = pickle.loads(kept.read_bytes())  # noqa: S301 - written above
    assert made, f"{kept.stem} could not be made; see the test that tried first"
    return found


def _readme_run(folder: Path) -> Outcome:
    """Outcome of the README's Python, run in a folder where the sample lies."""
    shutil.copytree(ROOT / "sample_gis", folder / "sample_gis")
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    code = re.findall(r"```python\n(.*?)```", readme, flags=re.DOTALL)[0]
    names: dict[str, Any] = {}
    with contextlib.chdir(folder), contextlib.redirect_stdout(io.StringIO()):
        exec(compile(code, "README.md", "exec"), names)  # noqa: S102 - the README's own code
    files = tuple(folder / path for path in names["files"])
    return Outcome(delivery=names["layout"].delivery, files=files)


@pytest.fixture(scope="session")
def sample_run(shared: Shared) -> Outcome:
    """The sample laid out by the README's Python, with all papers of a usual run; only read it."""
    outcome: Outcome = shared("sample", _readme_run)
    return outcome


@pytest.fixture(scope="session")
def command() -> Command:
    """The command line in this process: exit code, standard output and standard error."""

    def call(*words: object) -> "subprocess.CompletedProcess[str]":
        given = [str(word) for word in words]
        out, err = io.StringIO(), io.StringIO()
        with (
            _logging_restored(),
            pytest.MonkeyPatch.context() as patch,
            contextlib.redirect_stdout(out),
            contextlib.redirect_stderr(err),
        ):
            patch.setattr(sys, "argv", ["glademark", *given])
            with pytest.raises(SystemExit) as ended:
                main()
        code = ended.value.code
        assert isinstance(code, int)
        return subprocess.CompletedProcess(given, code, out.getvalue(), err.getvalue())

    return call


@pytest.fixture(scope="session")
def forked() -> Forked:
    """A script run in a copy of this process, which has loaded all that it needs: its exit code."""

    def run(code: str, *words: object) -> int:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", DeprecationWarning)  # other threads wait for messages
            child = os.fork()
        if child == 0:
            ended = 1
            try:
                sys.argv[1:] = map(str, words)
                exec(code, {})  # noqa: S102 - a script of a test
                ended = 0
            finally:
                os._exit(ended)
        return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])

    return run


@pytest.fixture(scope="session")
def forked_command() -> Command:
    """The command line in a copy of this process, with streams, locks and patches of its own."""

    def call(
        *words: object, before: Callable[[], object] = bool
    ) -> "subprocess.CompletedProcess[str]":
        given = [str(word) for word in words]
        with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore", DeprecationWarning)  # as above
                child = os.fork()
            if child == 0:
                _run_and_leave(given, (out.fileno(), err.fileno()), before)
            code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
            said = [file.seek(0) or file.read().decode() for file in (out, err)]
        return subprocess.CompletedProcess(given, code, *said)

    return call


def _run_and_leave(
    words: Sequence[str], streams: tuple[int, int], before: Callable[[], object]
) -> NoReturn:
    """Be the command line, writing into two files, and end this process as it ends."""
    code = 70
    try:
        for number, stream in enumerate(streams, 1):
            os.dup2(stream, number)
        sys.stdout, sys.stderr = (
            os.fdopen(n, "w", encoding="utf-8", closefd=False) for n in (1, 2)
        )
        sys.argv = ["glademark", *words]
        before()
        main()
    except SystemExit as ended:
        code = int(ended.code or 0)
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)


@contextlib.contextmanager
def _logging_restored() -> Iterator[None]:
    """Loggers and the answer to a request to end as they were before."""
    loggers = [logging.getLogger(), logging.getLogger("glademark")]
    before = [(one, list(one.handlers), one.level, one.propagate) for one in loggers]
    asked = signal.getsignal(signal.SIGTERM)
    try:
        yield
    finally:
        for one, handlers, level, propagate in before:
            one.handlers[:], one.propagate = handlers, propagate
            one.setLevel(level)
        signal.signal(signal.SIGTERM, asked)


@pytest.fixture(autouse=True)
def _heard() -> Iterator[None]:
    """What is logged is heard by each test, whatever command another has run in this process."""
    with _logging_restored():
        own = logging.getLogger("glademark")
        own.propagate, own.handlers[:] = True, []
        yield


@pytest.fixture(scope="session")
def desktop_python() -> Path:
    """Python of the distribution's desktop GIS; the test is skipped where there is none."""
    python = Path("/usr/bin/python3")
    asked = [str(python), "-c", "import qgis.core"]
    has_both = python.exists() and shutil.which("qgis") is not None
    if not has_both or subprocess.run(asked, capture_output=True, check=False).returncode:  # noqa: S603 - fixed words
        pytest.skip("needs the packages qgis and python3-qgis")
    return python


def _stacked(frames: Sequence[Any]) -> Any:  # noqa: ANN401 - tables or layers
    """Frames of several stands under each other, numbered 0..n-1 in their order."""
    filled = [frame for frame in frames if len(frame)] or frames[:1]
    table = pd.concat(filled, ignore_index=True)
    table[STAND] = np.repeat(np.arange(len(frames)), [len(frame) for frame in frames])
    return table


def join_surveys(surveys: Sequence[Survey], *, names: Sequence[str]) -> Survey:
    """Surveys of one stand each, of equal columns and CRS, as one; `names` are of the stands."""
    first = surveys[0]
    frames: dict[str, Any] = {
        name: _stacked([getattr(one, name) for one in surveys]) for name in FRAMES
    }
    frames["stand"]["name"] = np.array(names, dtype=object)
    terrain = {i: one.terrain[0] for i, one in enumerate(surveys) if one.terrain}
    elevation = {i: one.elevation[0] for i, one in enumerate(surveys) if one.elevation}
    canopy = {i: one.canopy[0] for i, one in enumerate(surveys) if one.canopy}
    return replace(
        first,
        **frames,
        terrain=terrain or None,
        elevation=elevation or None,
        canopy=canopy or None,
        counts=tuple(replace(c, stand=i) for i, one in enumerate(surveys) for c in one.counts),
        stand_notices=tuple(
            Notice(i, n.text) for i, one in enumerate(surveys) for n in one.stand_notices
        ),
    )
