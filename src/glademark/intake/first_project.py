"""A folder to start from: empty templates, or a project file filled in from the user's files."""

import json
import os
import re
from collections.abc import Iterator, Mapping, Sequence
from importlib.resources import files
from io import BytesIO
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyogrio
from pydantic.json_schema import GenerateJsonSchema

from glademark.contracts.survey import FileSeen, LayerSeen
from glademark.errors import InputError, OutputError, counted, quoted, shown, tell_changed
from glademark.intake.columns.kinds import likely_inputs
from glademark.intake.columns.reference import INPUTS, InputReference
from glademark.intake.crs import WGS84
from glademark.intake.inspect import inspect_files
from glademark.project.model import Inputs, Project
from glademark.project.read import PROJECT_FILE

TEMPLATES = (
    PROJECT_FILE, "marks.csv", "leave_trees.csv", "tally.csv", "cruise.csv", "volume_table.csv",
    "standing.csv", "crop_trees.csv",
)  # fmt: skip
"""Files of a new project that are packaged, in the order in which they are written."""

CRS_TO_FILL = "EPSG:…"
"""Stands where a coordinate system has to be stated: no program takes it for one."""

_Placed = tuple[FileSeen, LayerSeen]

_SHAPES = {
    "stand": "MultiPolygon",
    "corridors": "MultiLineString",
    "openings": "MultiPolygon",
    "exclusions": "MultiPolygon",
    "setbacks": "Unknown",
    "water": "Unknown",
    "landings": "MultiPolygon",
    "hazards": "Unknown",
    "regeneration": "MultiPolygon",
    "failing_patches": "MultiPolygon",
    "marked_ground": "MultiPolygon",
}
"""Geometry of the layers of a new project; "Unknown" takes lines and polygons."""

_PRIORITIES = frozenset({"risk", "priority", "score", "hazard"})
"""Names of columns by which standing trees may be failing."""


def packaged_files() -> dict[str, bytes]:
    """Content of the project file and the tables of a new project, by name."""
    folder = files("glademark.project") / "templates"
    return {name: (folder / name).read_bytes() for name in TEMPLATES}


def template_text() -> str:
    """Project file of a new project: TOML that explains itself."""
    packaged = files("glademark.project") / "templates" / PROJECT_FILE
    return packaged.read_text(encoding="utf-8")


def schema_text(limits: Mapping[str, str]) -> str:
    """JSON schema (draft 2020-12) of a project file; `limits` are titles of limits by key."""
    schema = {"$schema": GenerateJsonSchema.schema_dialect, **Project.model_json_schema()}
    table = schema["properties"]["limits"]
    one = table["additionalProperties"]
    table["properties"] = {name: {**one, "description": limits[name]} for name in sorted(limits)}
    table["additionalProperties"] = False
    return json.dumps(schema, indent=2, ensure_ascii=False) + "\n"


def write_new(folder: Path, contents: Mapping[str, bytes]) -> tuple[Path, ...]:
    """Files written into a folder, made where it is not there; only a project file must be new."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        made = [folder / name for name, text in contents.items() if _written(folder / name, text)]
    except FileExistsError:
        msg = f"{folder}: this is a file; expected the name of a folder. Choose another name."
        raise InputError(msg) from None
    except OSError as error:
        msg = f"{folder}: a file cannot be written ({error.strerror}). Choose another folder."
        raise OutputError(msg) from error
    return tuple(made)


def _written(path: Path, content: bytes) -> bool:
    """Whether the file is new; one that exists is not touched."""
    try:
        tell_changed(f"{path.parent} may hold some files of the new project: remove them first")
        with path.open("xb") as file:
            file.write(content)
    except FileExistsError:
        if path.name != PROJECT_FILE:
            return False
        msg = f"{path}: this project file exists and was left as it is. Choose another folder."
        raise InputError(msg) from None
    return True


def new_project(folder: Path) -> tuple[Path, ...]:
    """
    Files of a new project, written into a folder: the project file, empty tables and layers.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     names = [path.name for path in new_project(Path(folder) / "stand 3")]
    >>> names[:3], names[-1]
    (['harvest.toml', 'marks.csv', 'leave_trees.csv'], 'marked_ground.gpkg')
    """
    layers = {f"{one.key}.gpkg": _empty_layer(one) for one in INPUTS if one.key in _SHAPES}
    return write_new(folder, {**packaged_files(), **layers})


def _empty_layer(one: InputReference) -> bytes:
    """A GeoPackage with one layer that has the columns of an input and no row."""
    columns = {
        name: pd.Series(dtype="float64" if value.isdecimal() else "str")
        for name, value in one.example.items()
    }
    frame = gpd.GeoDataFrame(columns, geometry=gpd.GeoSeries(crs=WGS84))
    content = BytesIO()
    pyogrio.write_dataframe(
        frame, content, driver="GPKG", layer=one.key, geometry_type=_SHAPES[one.key]
    )
    return content.getvalue()


def new_project_from(folder: Path, files: Sequence[Path]) -> tuple[Path, ...]:
    """Project file in a folder, filled in from field files."""
    seen = inspect_files(files)
    if not any(file.layers for file in seen):
        raise InputError(*(problem for file in seen for problem in file.problems))
    text = project_text(seen, folder).encode("utf-8", "replace")
    return write_new(folder, {PROJECT_FILE: text})


def project_text(files: Sequence[FileSeen], folder: Path) -> str:
    """Text of a project file in which everything stands that the files say of themselves."""
    home = Path(os.path.abspath(folder))  # noqa: PTH100 - resolve() would follow links
    text = template_text()
    text = _set(text, "name", json.dumps(home.name, ensure_ascii=False))
    every = [(file, layer) for file in files for layer in file.layers]
    for key in (*Inputs.model_fields, "table"):
        name = "volume_table" if key == "table" else key
        text = _with_input(text, key, [pair for pair in every if pair[1].input == name], home)
    for file, layer in every:
        if not layer.input and layer.records:
            text = _with_question(text, _value(file, layer, home), layer)
    if any(layer.input == "volume_table" for _, layer in every):
        text = _set_open(text, "[volume]")
    marks = [layer for _, layer in every if layer.input == "marks"]
    text = _with_units(_set_open(text, "[marks]"), marks)
    units = {column.unit for _, layer in every for column in layer.columns}
    if "cm" in units and units.isdisjoint({"in", "ft"}):
        text = _set(text, "units", '"metric"')
    text = _with_names(text, marks)
    text = _with_paints(text, marks)
    text = _with_species(text, [layer for _, layer in every])
    trees = [layer for _, layer in every if layer.input in {"standing", "canopy_height"}]
    text = _with_proposals(text, trees, has_marks=bool(marks))
    if any(layer.input == "water" and layer.shape == "lines" for _, layer in every):
        before, table, after = text.partition("\n#[water]\n")
        after = _with_remark(after, "width", "FILL IN: the water is given as lines")
        text = before + table.replace("#", "") + after
    return "\n".join([*_remarks(files), "", text])


def _remarks(files: Sequence[FileSeen]) -> Iterator[str]:
    """What was seen in each file, as comments at the head."""
    yield "# Filled in from these files; every line with FILL IN needs your word."
    for file in files:
        yield f"# {file.file}: {file.format or 'refused'}"
        yield from (f"#   {_one_line(problem)}" for problem in file.problems)
        for layer in file.layers:
            name = f" '{shown(layer.name)}'" if layer.name else ""
            what = f"read as {layer.input} ({layer.why})" if layer.input else "not used: FILL IN"
            records = counted(layer.records, "record")
            yield f"#   {layer.shape or 'layer'}{name}, {records}: {what}"
            yield from (f"#     ! {_one_line(problem)}" for problem in layer.problems)
            yield from _columns_told(layer)


def _one_line(text: str) -> str:
    """A sentence fit for a comment."""
    return "".join(letter if letter.isprintable() else " " for letter in text)


def _columns_told(layer: LayerSeen) -> Iterator[str]:
    """How the columns of a layer are read, as comments."""
    for column in layer.columns:
        if column.meaning:
            unit = f" [{column.unit}]" if column.unit else ""
            yield f"#     {quoted([column.header])} is read as {column.meaning}{unit}"
    kept = [column.header for column in layer.columns if not column.meaning]
    if kept:
        yield f"#     kept as they are: {quoted(kept[:20])}"


def _with_input(text: str, key: str, found: Sequence[_Placed], home: Path) -> str:
    """The line of one input."""
    if not found:
        return _with_remark(text, key, "FILL IN: it was not among the files") if key in {
            "stand", "marks",
        } else text  # fmt: skip
    if key == "stand":  # single areas may be anything: one whose name says it goes first
        found = sorted(found, key=lambda pair: not _is_named(pair))
    values = [_value(file, layer, home) for file, layer in found]
    if key == "stand" and len(found) > 1 and not _is_named(found[0]):
        return _with_remark(text, key, f"FILL IN: one of {' and '.join(values)}")
    if key == "marks" and len(values) > 1:
        return _set(text, key, "[\n    " + ",\n    ".join(values) + ",\n]")
    text = _set(text, key, values[0])
    if any(layer.crs_needed for _, layer in found[:1]):
        text = _with_remark(text, key, "FILL IN: its coordinate system is not said in the file")
    for value in values[1:]:
        text = _with_remark(text, key, f"looks like it as well: {value}")
    return text


def _is_named(pair: _Placed) -> bool:
    """Whether a layer was told by its name."""
    return pair[1].why.endswith("the name")


def _value(file: FileSeen, layer: LayerSeen, home: Path) -> str:
    """Path, or table with the layer and a place for the coordinate system."""
    several = sum(other.input != "" for other in file.layers if other.name) > 1
    named = bool(layer.name) and (several or len(file.layers) > 1)
    path = json.dumps(_path(Path(file.path), home), ensure_ascii=False)
    if not named and not layer.crs_needed:
        return path
    parts = [f"file = {path}"]
    parts += [f"layer = {json.dumps(layer.name, ensure_ascii=False)}"] if named else []
    parts += [f'crs = "{CRS_TO_FILL}"'] if layer.crs_needed else []
    return "{" + ", ".join(parts) + "}"


def _path(path: Path, home: Path) -> str:
    """Path as it is written: from the project's folder where both are on one disk."""
    try:
        return Path(os.path.relpath(path, home)).as_posix()
    except ValueError:  # another drive
        return path.as_posix()


def _with_units(text: str, marks: Sequence[LayerSeen]) -> str:
    """Unit of the diameters, asked for where the columns do not say it."""
    if any(layer.dbh_unit_needed for layer in marks):
        return _with_remark(text, "dbh_unit", "FILL IN: the diameters do not say their unit")
    return text


def _with_question(text: str, value: str, layer: LayerSeen) -> str:
    """A file that nobody but the user can tell, asked about where it would stand."""
    headers = [column.header for column in layer.columns]
    inputs = likely_inputs(layer.shape, headers)
    where = {"points": "marks", "lines": "corridors", "areas": "stand"}.get(layer.shape, inputs[0])
    question = f"FILL IN: which input is {value}? It may be {' or '.join(inputs)}, or none"
    return _with_remark(text, "table" if where == "volume_table" else where, question)


def _with_names(text: str, marks: Sequence[LayerSeen]) -> str:
    """What the names of marks seem to hold, read so until the user says otherwise."""
    patterns = list(dict.fromkeys(layer.name_pattern for layer in marks if layer.name_pattern))
    if not patterns:
        return text
    text = _set(text, "name_pattern", json.dumps(patterns[0], ensure_ascii=False))
    remark = "FILL IN: the names look like this; correct it where they do not"
    if len(patterns) > 1:
        remark += f", and others like {' and '.join(patterns[1:])}"
    return _with_remark(text, "name_pattern", remark)


def _with_paints(text: str, marks: Sequence[LayerSeen]) -> str:
    """Paints that occur, their meaning left to fill in."""
    counts: dict[str, int] = {}
    for layer in marks:
        for paint, number in layer.paints:
            counts[paint] = counts.get(paint, 0) + number
    if not counts:
        return text
    lines = [
        f'#{_key(paint)} = "FILL IN"   # {counted(number, "record")}'
        for paint, number in counts.items()
    ]
    start = text.index("#[marks.paint]\n")
    end = text.index("\n\n", start)
    head, remark = text[start:end].splitlines()[:2]
    block = "\n".join([head.removeprefix("#"), remark, *lines])
    return text[:start] + block + text[end:]


def _with_proposals(text: str, trees: Sequence[LayerSeen], *, has_marks: bool) -> str:
    """What `propose` needs switched on where the standing trees are known: marks are not."""
    if not trees:
        return text
    if not has_marks:
        asked = '# FILL IN: it was not among the files.\nmarks = "marks.csv"\n'
        later = '# glademark propose needs none; layout does.\n#marks = "marks.csv"\n'
        text = text.replace(asked, later, 1)
    text = _set_open(text, "[propose]")
    columns = [column for layer in trees for column in layer.columns]
    numbers = [one.header for one in columns if one.header.casefold() in _PRIORITIES]
    if numbers:
        return _set(text, "priority_column", json.dumps(numbers[0], ensure_ascii=False))
    if any(column.meaning == "condition" for column in columns):
        text = _with_remark(text, "when", "FILL IN: which trees fail; here those called dead")
        text = _set_open(text, "[[propose.priority]]")
        return _set(_set(text, "when", '{condition = "dead"}'), "priority", "5")
    return _with_remark(text, "priority_column", "FILL IN: which standing trees fail")


def _with_species(text: str, layers: Sequence[LayerSeen]) -> str:
    """Species that are not known, each to be given the equations of another."""
    counts: dict[str, int] = {}
    for layer in layers:
        for name, number in layer.unknown_species:
            counts[name] = counts.get(name, 0) + number
    asked = [
        f"#[species.{_key(name)}]   # FILL IN: not known, {counted(number, 'record')}"
        for name, number in counts.items()
    ]
    return text.replace("\n#[species.bu]\n", "\n".join(["", *asked, "#[species.bu]", ""]), 1)


def _key(name: str) -> str:
    """A name as a key of TOML, on one line."""
    return json.dumps(shown(name), ensure_ascii=False)


def _set(text: str, key: str, value: str) -> str:
    """The first line of a key, switched on, with another value."""
    line = re.compile(rf"^#?{key} = .*$", re.MULTILINE)
    return line.sub(lambda _: f"{key} = {value}", text, count=1)


def _set_open(text: str, table: str) -> str:
    """The line of a table, switched on."""
    return text.replace(f"\n#{table}\n", f"\n{table}\n", 1)


def _with_remark(text: str, key: str, remark: str) -> str:
    """A comment above the first line of a key."""
    line = re.compile(rf"^(?=#?{key} = )", re.MULTILINE)
    return line.sub(lambda _: f"# {remark}.\n", text, count=1)
