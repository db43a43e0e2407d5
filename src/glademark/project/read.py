"""
From the bytes of a project file to a checked `Project`, or to every fault in it at once.

No other file is opened here: whether the field files exist, and what is in them, intake will say.
"""

import codecs
import math
import os
import re
import stat
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from glademark.errors import ProjectError
from glademark.project.faults import fault_sentences, key_in_words
from glademark.project.model import Inputs, Project

PROJECT_FILE = "harvest.toml"
"""Usual name of a project file."""

MAX_BYTES = 1_048_576
"""A project file is some pages of text; beyond this it is something else."""

VALUES_MAX = 10_000
"""Most keys and entries of lists in a project file: many times what the largest need."""

DEPTH_MAX = 16
"""Deepest nesting of tables and lists."""

_MARKS = (  # longest first: the mark of UTF-32 starts with that of UTF-16
    (codecs.BOM_UTF32_LE, "UTF-32"),
    (codecs.BOM_UTF32_BE, "UTF-32"),
    (codecs.BOM_UTF16_LE, "UTF-16"),
    (codecs.BOM_UTF16_BE, "UTF-16"),
)
_PLACE = re.compile(r"\s*\(at (?:line (\d+), column (\d+)|end of document)\)$")
_PATH_KEY = re.compile(r"(inputs\.(?!.*\.(layer|crs)$)|(volume|target_structure)\.table(\.file)?$)")
_CONTROL = re.compile(r"[\x00-\x1f\x7f]")
_DOTS_MAX = 1000
_TOO_DEEP = "lists or tables are nested too deep"
_SLASHES = "For a path, use single quotes or forward slashes."


def read_project(path: Path, *, marked: bool = True) -> Project:
    r"""
    Project file, read and checked; of a stand that is not `marked` yet, it need not name marks.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder) / "harvest.toml"
    ...     size = path.write_text(
    ...         "project = {name = 'Stand 3'} \n"
    ...         "inputs = {stand = 'stand.gpkg', marks = 'marks.csv'} \n"
    ...         "corridors = {width = '10 ft'} \n"
    ...     )
    ...     read_project(path).corridors.width_m
    3.048
    """
    asked = project_tables(path)
    faults = list(_value_faults(asked, path))
    inputs = asked.get("inputs")
    bare = not marked and isinstance(inputs, dict) and "marks" not in inputs
    if bare:
        asked["inputs"] = {**(inputs or {}), "marks": "none"}
    try:
        project = Project.model_validate(asked)
    except ValidationError as error:
        faults += fault_sentences(error, asked, path=path)
        raise ProjectError(*faults) from None
    if faults:
        raise ProjectError(*faults)
    if bare:
        none = project.inputs.model_copy(update={"marks": ()})
        project = project.model_copy(update={"inputs": none})
    return _located(project, path.resolve().parent)


def project_tables(path: Path) -> dict[str, Any]:
    """Tables of a project file as they stand in it, not yet checked."""
    return _parsed(_text(_bytes(path), path), path)


def _bytes(path: Path) -> bytes:
    """Content of a regular file of bounded size."""
    try:
        status = path.stat()
        fault = _unfit(path, status)
        content = b"" if fault else path.read_bytes()
    except FileNotFoundError:
        fault = (
            f"{path}: there is no such file; expected a project file. "
            "Check the name, or start one with 'glademark new FOLDER'."
        )
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        fault = f"{path}: the file cannot be read ({reason}). Check its name and permissions."
    if fault:
        raise ProjectError(fault)
    return content


def _unfit(path: Path, status: os.stat_result) -> str:
    """Sentence about something that is no file of a few pages; empty for one that is."""
    if stat.S_ISDIR(status.st_mode):
        return _is_folder(path)
    if not stat.S_ISREG(status.st_mode):
        return f"{path}: this is a pipe or device; expected a project file. Save it to disk."
    if status.st_size > MAX_BYTES:
        size = f"{status.st_size:,} bytes"
        return f"{path}: {size}; expected a project file of at most {MAX_BYTES:,} bytes."
    return ""


def _is_folder(path: Path) -> str:
    """Sentence about a folder, with the project file in it where there is one."""
    inside = path / PROJECT_FILE
    advice = f"Did you mean {inside}?" if inside.is_file() else "Name the file in it."
    return f"{path}: this is a folder; expected a project file. {advice}"


def _text(content: bytes, path: Path) -> str:
    """Text of the file; any encoding but UTF-8 is refused by name."""
    plain = content.removeprefix(codecs.BOM_UTF8)
    named = next((name for mark, name in _MARKS if plain.startswith(mark)), "")
    if not named and b"\0" in plain:
        named = "UTF-16 without a byte order mark, or no text at all"
    try:
        text = "" if named else plain.decode()
    except UnicodeDecodeError as error:
        line = plain.count(b"\n", 0, error.start) + 1
        named = f"not UTF-8 (line {line}), probably Windows-1252"
    if named:
        msg = f"{path}: the text is {named}; expected UTF-8. Save the file as UTF-8."
        raise ProjectError(msg)
    return text


def _parsed(text: str, path: Path) -> dict[str, Any]:
    """Tables of the file; a fault of the language is told with its place."""
    try:
        if any(line.count(".") > _DOTS_MAX for line in text.splitlines()):
            raise RecursionError  # noqa: TRY301 - the parser would take minutes for a key of so many parts
        asked = tomllib.loads(text)
        fault = _excess(asked)
    except RecursionError:
        fault = _TOO_DEEP
    except ValueError as error:  # faults of TOML, and numbers with too many digits
        raise ProjectError(_language_fault(str(error), path)) from None
    if fault:
        msg = f"{path}: {fault}; expected a project file."
        raise ProjectError(msg)
    return asked


def _excess(asked: dict[str, Any]) -> str:
    """What is beyond all measure in the tables of a file, level by level; or nothing."""
    level: list[Any] = [asked]
    number = 0
    for _ in range(DEPTH_MAX):
        inner = [one.values() if isinstance(one, dict) else one for one in level]
        values = [value for one in inner for value in one]
        number += len(values)
        if number > VALUES_MAX:
            return f"there are more than {VALUES_MAX:,} keys and values"
        level = [value for value in values if isinstance(value, dict | list)]
    return _TOO_DEEP if level else ""


def _language_fault(message: str, path: Path) -> str:
    """One sentence from the parser's own, which ends with the place."""
    place = _PLACE.search(message)
    what = message[: place.start()] if place else message
    where = f"line {place[1]}, column {place[2]}" if place and place[1] else "at the end"
    if "integer string conversion" in what:
        what = "A number has too many digits"
    escape = any(word in what for word in ("Unescaped", "hex value", "Escaped"))
    advice = f"A backslash starts an escape. {_SLASHES}" if escape else "Correct the line."
    return f"{path}, {where}: the file is not valid TOML: {what[:1].lower()}{what[1:]}. {advice}"


def _leaves(value: object, key: str = "") -> Iterator[tuple[str, object]]:
    """Every single value of the file under its key."""
    if isinstance(value, Mapping):
        for name, below in value.items():
            yield from _leaves(below, f"{key}.{name}" if key else str(name))
    elif isinstance(value, list):
        for place, below in enumerate(value, start=1):
            yield from _leaves(below, f"{key}[{place}]")
    else:
        yield key, value


def _value_faults(asked: Mapping[str, object], path: Path) -> Iterator[str]:
    """One sentence for each number that is not finite and each path that cannot be meant."""
    for key, value in _leaves(asked):
        where = f"{path}, {key_in_words(key, is_table=False)}"
        if isinstance(value, float) and not math.isfinite(value):
            yield f"{where}: {value} is no finite number; expected one. Correct the value."
        if not (isinstance(value, str) and _PATH_KEY.match(key)):
            continue
        if _CONTROL.search(value):
            yield (
                f"{where}: the path {value!r} holds a line break, a tab or the like; "
                f"in double quotes a backslash starts an escape. {_SLASHES}"
            )
        elif value.strip() in {"", "."}:
            yield f"{where}: the path is empty; expected a file. Name one or take it out."


def _located(project: Project, folder: Path) -> Project:
    """The same project with its paths taken from the project file's folder."""

    def found(source: Any) -> Any:  # noqa: ANN401 - a Source, several of them, or None
        if isinstance(source, tuple):
            return tuple(found(one) for one in source)
        return source and source.model_copy(update={"file": folder / source.file})

    inputs = {name: found(getattr(project.inputs, name)) for name in Inputs.model_fields}
    volume = project.volume.model_copy(update={"table": found(project.volume.table)})
    target = project.target_structure
    if target is not None:
        target = target.model_copy(update={"table": found(target.table)})
    return project.model_copy(
        update={
            "inputs": project.inputs.model_copy(update=inputs),
            "volume": volume,
            "target_structure": target,
        }
    )
