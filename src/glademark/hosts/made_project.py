"""
A project file made of inputs and settings that a program gives, over one that there is.

The command line reads it on the desktop's way, which loads no job but the one asked for.
"""

import json
import os
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import tomli_w

from glademark.errors import InputError
from glademark.project.read import project_tables

_INPUTS = "inputs"
_TABLE = "volume_table"  # the only file that is named outside [inputs]


def write_project(request: Path, target: Path) -> None:
    """Write the project file that a request of the desktop asks for; its settings are text."""
    asked = json.loads(request.read_text(encoding="utf-8"))
    settings = {
        table: {key: _value(text) for key, text in one.items()}
        for table, one in asked["settings"].items()
    }
    base = Path(asked["project"]) if asked["project"] else None
    write_tables(base, target, inputs=asked[_INPUTS], settings=settings, needed=("stand", "marks"))


def write_tables(
    base: Path | None,
    target: Path,
    *,
    inputs: Mapping[str, Any],
    settings: Mapping[str, Any],
    needed: Sequence[str] = ("stand",),
) -> None:
    """Write a project file: inputs and settings over those of `base`, where there is one."""
    tables = _with_full_paths(project_tables(base), base.resolve().parent) if base else {}
    given = dict(inputs)
    table = given.pop(_TABLE, None)
    for name, stated in settings.items():
        merged = isinstance(stated, Mapping) and isinstance(tables.get(name, {}), Mapping)
        tables[name] = {**tables.get(name, {}), **stated} if merged else stated
    tables[_INPUTS] = {**tables.get(_INPUTS, {}), **given}
    if table is not None:
        tables["volume"] = {**tables.get("volume", {}), "table": table}
    tables.setdefault("project", {}).setdefault("name", "Layout")
    for name in needed:
        if name not in tables[_INPUTS]:
            msg = f"{name}: no layer is given and no project file names one. Choose it"
            raise InputError(msg)
    target.write_text(tomli_w.dumps(_plain(tables)), encoding="utf-8")


def _plain(value: Any) -> Any:  # noqa: ANN401 - whatever TOML holds
    """Paths as text, tuples as lists, and nothing that is None, which TOML has no word for."""
    if isinstance(value, Mapping):
        return {str(key): _plain(one) for key, one in value.items() if one is not None}
    if isinstance(value, list | tuple):
        return [_plain(one) for one in value]
    return os.fspath(value) if isinstance(value, os.PathLike) else value


def _value(text: str) -> Any:  # noqa: ANN401 - whatever TOML holds
    """A number, yes or no, or a list where the text is one in TOML; else the text."""
    try:
        return tomllib.loads(f"value = {text}")["value"]
    except tomllib.TOMLDecodeError:
        return text


def _with_full_paths(tables: Mapping[str, Any], folder: Path) -> dict[str, Any]:
    """The tables of a project file with files that are found from anywhere."""

    def full(source: Any) -> Any:  # noqa: ANN401 - a path, a table with one, or a list of them
        if isinstance(source, str):
            return str(folder / source)
        if isinstance(source, list):
            return [full(one) for one in source]
        return {**source, "file": str(folder / source["file"])}

    found = dict(tables)
    found[_INPUTS] = {name: full(one) for name, one in tables.get(_INPUTS, {}).items()}
    if "table" in found.get("volume", {}):
        found["volume"] = {**found["volume"], "table": full(found["volume"]["table"])}
    return found
