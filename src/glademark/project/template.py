"""A folder to start from: a project file that explains itself, and tables with their headings."""

import json
from importlib.resources import files
from pathlib import Path

from pydantic.json_schema import GenerateJsonSchema

from glademark.errors import InputError, OutputError, tell_changed
from glademark.project.model import Project
from glademark.project.read import PROJECT_FILE

__all__ = ["TEMPLATES", "new_project", "schema_text", "template_text", "write_project_file"]

TEMPLATES = (
    PROJECT_FILE, "marks.csv", "leave_trees.csv", "tally.csv", "cruise.csv", "volume_table.csv",
)  # fmt: skip
"""Files of a new project, in the order in which they are written."""


def new_project(folder: Path) -> tuple[Path, ...]:
    """
    Files of a new project, written into a folder.

    Parameters
    ----------
    folder
        Made where it does not exist. Files that are there already stay as they are.

    Returns
    -------
    written
        The new files: the project file, and those tables that were not there.

    Raises
    ------
    InputError
        If the folder has a project file already, or is no folder.
    OutputError
        If a file cannot be written.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     [path.name for path in new_project(Path(folder) / "stand 3")]
    ['harvest.toml', 'marks.csv', 'leave_trees.csv', 'tally.csv', 'cruise.csv', 'volume_table.csv']
    """
    packaged = files("glademark.project") / "templates"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        made = [
            folder / name
            for name in TEMPLATES
            if _written(folder / name, (packaged / name).read_bytes())
        ]
    except FileExistsError:
        msg = f"{folder}: this is a file; expected the name of a folder. Choose another name."
        raise InputError(msg) from None
    except OSError as error:
        msg = f"{folder}: a file cannot be written ({error.strerror}). Choose another folder."
        raise OutputError(msg) from error
    return tuple(made)


def template_text() -> str:
    """
    Project file of a new project.

    Returns
    -------
    text
        TOML that explains itself.
    """
    packaged = files("glademark.project") / "templates" / PROJECT_FILE
    return packaged.read_text(encoding="utf-8")


def schema_text() -> str:
    """JSON schema (draft 2020-12) of a project file, from the model that reads it."""
    schema = {"$schema": GenerateJsonSchema.schema_dialect, **Project.model_json_schema()}
    return json.dumps(schema, indent=2, ensure_ascii=False) + "\n"


def write_project_file(folder: Path, text: str) -> Path:
    """
    Path of a new project file in a folder.

    Parameters
    ----------
    folder
        Made where it does not exist.
    text
        What the file is to hold.

    Returns
    -------
    path
        Of the new file.

    Raises
    ------
    InputError
        If the folder has a project file already, or is no folder.
    OutputError
        If the file cannot be written.
    """
    path = folder / PROJECT_FILE
    try:
        folder.mkdir(parents=True, exist_ok=True)
        _written(path, text.encode("utf-8", "replace"))
    except FileExistsError:
        msg = f"{folder}: this is a file; expected the name of a folder. Choose another name."
        raise InputError(msg) from None
    except OSError as error:
        msg = f"{folder}: a file cannot be written ({error.strerror}). Choose another folder."
        raise OutputError(msg) from error
    return path


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
