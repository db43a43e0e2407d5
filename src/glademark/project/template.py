"""A folder to start from: a project file that explains itself, and tables with their headings."""

import json
from collections.abc import Mapping
from importlib.resources import files
from pathlib import Path

from pydantic.json_schema import GenerateJsonSchema

from glademark.errors import InputError, OutputError, tell_changed
from glademark.project.model import Project
from glademark.project.read import PROJECT_FILE

__all__ = ["TEMPLATES", "packaged_files", "schema_text", "template_text", "write_new"]

TEMPLATES = (
    PROJECT_FILE, "marks.csv", "leave_trees.csv", "tally.csv", "cruise.csv", "volume_table.csv",
    "standing.csv", "crop_trees.csv",
)  # fmt: skip
"""Files of a new project that are packaged, in the order in which they are written."""


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
