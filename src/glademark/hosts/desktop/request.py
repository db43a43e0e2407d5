"""A project file made of layers and settings that the desktop sends, over one that there is."""

import json
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import tomli_w

from glademark.errors import InputError
from glademark.project.read import project_tables

_LAYERS = "inputs"


def write_project(request: Path, target: Path) -> None:
    """Write the project file that a request asks for."""
    asked = json.loads(request.read_text(encoding="utf-8"))
    base = Path(asked["project"]).resolve() if asked["project"] else None
    tables = _with_full_paths(project_tables(base), base.parent) if base else {}
    table = asked[_LAYERS].pop("volume_table", None)
    tables[_LAYERS] = {**tables.get(_LAYERS, {}), **asked[_LAYERS]}
    if table is not None:
        tables["volume"] = {**tables.get("volume", {}), "table": table}
    for name, settings in asked["settings"].items():
        given = {key: _value(text) for key, text in settings.items()}
        tables[name] = {**tables.get(name, {}), **given}
    tables.setdefault("project", {}).setdefault("name", "Layout")
    missing = [name for name in ("stand", "marks") if name not in tables[_LAYERS]]
    if missing:
        msg = f"{' and '.join(missing)}: no layer is given and no project file names one. Choose it"
        raise InputError(msg)
    target.write_text(tomli_w.dumps(tables), encoding="utf-8")


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
    found[_LAYERS] = {name: full(one) for name, one in tables.get(_LAYERS, {}).items()}
    if "table" in found.get("volume", {}):
        found["volume"] = {**found["volume"], "table": full(found["volume"]["table"])}
    return found
