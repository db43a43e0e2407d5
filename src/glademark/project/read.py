"""
From the bytes of a project file to a checked `Project`, or to every fault in it at once.

Each fault says the file, the key as it stands in it, what is wrong, what was expected, what to do.

No other file is opened here: whether the field files exist, and what is in them, intake will say.
Species are known by the project's own names, those of its volume table, then the package's.
"""

import codecs
import math
import os
import re
import stat
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from difflib import get_close_matches
from pathlib import Path
from types import MappingProxyType
from typing import Any, get_args

import pandas as pd
from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from glademark.errors import InputError, ProjectError
from glademark.forestry import (
    UNKNOWN_SPECIES,
    OwnSpecies,
    SpeciesNames,
    find_species,
    nearest_species,
)
from glademark.forestry.volume_table import species_in
from glademark.project.model import (
    Inputs,
    LimitSetting,
    Project,
    Source,
    SpeciesSettings,
    VolumeSettings,
)

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

_SHOWN = 80  # characters of a value

_NEAR = 0.6  # likeness of a misspelt key

_UNITS = ("_m2_ha", "m2/ha"), ("_m2", "m2"), ("_m3", "m3"), ("_cm", "cm"), ("_m", "m")

_EXPECTED: Mapping[str, str] = MappingProxyType(
    {
        "string_type": "text in quotes",
        "path_type": "a path in quotes",
        "bool_type": "true or false",
        "bool_parsing": "true or false",
        "int_type": "a whole number",
        "int_parsing": "a whole number",
        "int_from_float": "a whole number",
        "float_type": "a number",
        "float_parsing": "a number",
        "finite_number": "a finite number",
        "mapping_type": "a table",
        "dict_type": "a table",
        "model_type": "a table",
        "too_short": "at least one file",
    }
)

_BOUNDS: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "greater_than": ("gt", "more than"),
        "greater_than_equal": ("ge", "at least"),
        "less_than": ("lt", "less than"),
        "less_than_equal": ("le", "at most"),
        "too_long": ("max_length", "a number of entries of at most"),
    }
)

_OF_FIELD: Mapping[tuple[type[BaseModel], str], str] = MappingProxyType(
    {
        (VolumeSettings, "size_classes"): "a rising list of numbers, or a width such as '2 in'",
    }
)

_LIMIT_EXAMPLES = MappingProxyType(
    {"share": "10 %", "slope": "30 %", "grade": "30 %", "area": "0.5 acre", "": "40 ft"}
)
"""Text of a limit by a word in its name."""

_SOURCE = "a path in quotes, or {file = '…', layer = '…', crs = '…'}"


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


def fault_sentences(
    error: ValidationError, asked: Mapping[str, Any], *, path: Path
) -> tuple[str, ...]:
    """One plain sentence for each fault."""
    sentences = (
        f"{path}{_key(fault, asked)}: {_sentence(fault, asked)}"
        for fault in error.errors(include_url=False)
    )
    return tuple(dict.fromkeys(sentences))


def key_in_words(key: str, *, is_table: bool) -> str:
    """
    Table and key, the way they stand in the file.

    Returns
    -------
    words
        Such as ``[marks.paint] pink``.

    Examples
    --------
    >>> key_in_words("marks.paint.pink", is_table=False)
    '[marks.paint] pink'
    >>> key_in_words("marks.paint", is_table=True)
    '[marks.paint]'
    """
    table, _, name = (key, "", "") if is_table else key.rpartition(".")
    return f"[{table}] {name}".strip() if table else name


def _written(fault: ErrorDetails, asked: Mapping[str, Any]) -> tuple[list[int | str], Any]:
    """Steps of the place that stand in the file, and what stands there."""
    found: Any = asked
    steps: list[int | str] = []
    for step in fault["loc"]:
        if isinstance(step, int) and not isinstance(found, list):
            continue  # the only item of a list that was written without brackets
        inside = isinstance(found, Mapping) and step in found
        listed = isinstance(found, list) and isinstance(step, int) and step < len(found)
        if not (inside or listed):
            break
        found = found[step]
        steps.append(step)
    return steps, found


def _key(fault: ErrorDetails, asked: Mapping[str, Any]) -> str:
    """Key as a user writes it, counted from one in lists."""
    steps, found = _written(fault, asked)
    in_table = fault["type"] in {"missing", "extra_forbidden"}
    if in_table:
        steps = steps[: len(fault["loc"]) - 1]
    words = [f"[{step + 1}]" if isinstance(step, int) else f".{step}" for step in steps]
    key = "".join(words).removeprefix(".")
    return f", {key_in_words(key, is_table=in_table or isinstance(found, Mapping))}" if key else ""


def _sentence(fault: ErrorDetails, asked: Mapping[str, Any]) -> str:
    """What is wrong, what was expected, what to do."""
    kind, name = fault["type"], str(fault["loc"][-1] if fault["loc"] else "")
    if kind == "missing":
        return f"{_named(fault)} is missing; it has no default. Add it."
    if kind == "extra_forbidden":
        known = list(_fields(_part_at(fault["loc"][:-1])))
        return f"{name!r} is unknown; {_nearest(name, known)}"
    if kind == "value_error":
        return f"{_own_words(fault)}. Correct the value."
    _, value = _written(fault, asked)
    return f"{_shown(value)} does not fit; expected {_expected(fault)}. Correct the value."


def _named(fault: ErrorDetails) -> str:
    """A missing table in brackets, a missing key in quotes."""
    loc = fault["loc"]
    return f"the table [{loc[0]}]" if len(loc) == 1 else f"{str(loc[-1])!r}"


def _nearest(name: str, known: Sequence[str]) -> str:
    """Nearest known name, or all of them."""
    near = get_close_matches(name.casefold(), known, n=1, cutoff=_NEAR)
    if near:
        return f"the nearest known key is {near[0]!r}. Correct it or take it out."
    return f"expected one of {', '.join(known)}. Correct it or take it out."


def _own_words(fault: ErrorDetails) -> str:
    """The model's own sentence, without its last full stop."""
    return str(fault.get("ctx", {}).get("error", fault["msg"])).removesuffix(".")


def _expected(fault: ErrorDetails) -> str:
    """What the field takes."""
    kind, context = fault["type"], fault.get("ctx", {})
    part, field = _owner(fault["loc"])
    if (part, field) == (LimitSetting, "value"):
        name = str(fault["loc"][1])
        example = next(text for word, text in _LIMIT_EXAMPLES.items() if word in name)
        return f"text with its unit, as in {example!r}, or one such text a product"
    if (part, field) in _OF_FIELD:
        return _OF_FIELD[part, field]
    if kind == "literal_error":
        return str(context["expected"])
    if kind in _BOUNDS:
        bound, words = _BOUNDS[kind]
        return f"{words} {context[bound]:g}{_unit(field)}"
    if kind == "model_type" and part is Source:
        return _SOURCE
    return _EXPECTED.get(kind, fault["msg"])


def _unit(field: str) -> str:
    """Unit that a field's name ends with."""
    return next((f" {unit}" for suffix, unit in _UNITS if field.endswith(suffix)), "")


def _shown(value: object) -> str:
    """The value as it was written, cut to a readable length."""
    text = repr(value)
    return text if len(text) <= _SHOWN else f"{text[: _SHOWN - 1]}…"


def _fields(part: type[BaseModel]) -> dict[str, tuple[str, FieldInfo]]:
    """Fields of a part under their keys in the file."""
    return {field.alias or name: (name, field) for name, field in part.model_fields.items()}


def _parts_in(annotation: object) -> Iterator[type[BaseModel]]:
    """Parts that a field holds, by itself, in a list or under names."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for inner in get_args(annotation):
        yield from _parts_in(inner)


def _part_at(steps: Sequence[int | str]) -> type[BaseModel]:
    """Part of the model that a place leads to; list positions and free names lead nowhere."""
    part: type[BaseModel] = Project
    for step in steps:
        _, field = _fields(part).get(str(step), ("", None))
        part = next(_parts_in(field.annotation), part) if field else part
    return part


def _owner(loc: Sequence[int | str]) -> tuple[type[BaseModel], str]:
    """Last part and field that a place names."""
    for end in range(len(loc), 0, -1):
        part = _part_at(loc[: end - 1])
        if str(loc[end - 1]) in _fields(part):
            inner = next(_parts_in(_fields(part)[str(loc[end - 1])][1].annotation), None)
            return (inner or part, _fields(part)[str(loc[end - 1])][0])
    return Project, ""


def project_species(project: Project, table: pd.DataFrame | None) -> SpeciesNames:
    """Names of species by the tables ``[species.KEY]``, then by the rows of the volume table."""
    faults: list[str] = []
    stated = list(_stated(project.species, faults))
    if faults:
        raise InputError(*faults)
    own = SpeciesNames.of(stated)
    if table is None:
        return own
    rows = [{str(name): cell for name, cell in row.items()} for row in table.to_dict("records")]
    named = species_in(rows, species=own, products=project.volume.products)
    local = [name for name in named if not own.known([name])[0]]
    return SpeciesNames.of([*stated, *((name, OwnSpecies(name=name)) for name in local)])


def _stated(
    settings: Mapping[str, SpeciesSettings], faults: list[str]
) -> Iterator[tuple[str, OwnSpecies]]:
    """Each table of the project file under its key; faults are noted."""
    for key, one in settings.items():
        code = int(find_species([one.name])[0])
        crown = _code(one.crown, f"[species.{key}] crown", faults) if one.crown else code
        volume = (
            _code(one.volume_as, f"[species.{key}] volume_as", faults) if one.volume_as else code
        )
        yield key, OwnSpecies(name=one.name, group=one.group, crown=crown, volume=volume)


def _code(name: str, where: str, faults: list[str]) -> int:
    """FIA code of a species whose equations are to be taken."""
    code = int(find_species([name])[0])
    if code == UNKNOWN_SPECIES:
        near = nearest_species(name)
        mend = (
            f"Did you mean {' or '.join(near)}?" if near else "Use a FIA code or a PLANTS symbol."
        )
        faults.append(f"{where}: no equations are known for {name!r}. {mend}")
    return code
