"""``glademark desktop``: the plug-in written into a profile of the desktop, or as an archive."""

import json
import os
import shutil
import sys
import tempfile
import zipfile
from collections.abc import Iterator, Mapping
from importlib.metadata import distribution
from importlib.resources import files
from pathlib import Path
from typing import Any

from glademark import __version__
from glademark.errors import InputError, OutputError, tell_changed
from glademark.intake.first_project import schema_text
from glademark.jobs.layout import installed_limits

FOLDER = "glademark_desktop"
"""Of the plug-in, in a profile and in an archive."""

_TABLE_FILE = "volume_table"
"""Table and key of a file that is no input in the project file, and is given as a layer."""

_PLAIN = (".py", ".txt", ".svg")
_HEADING = "[PythonPlugins]"
_SETTINGS_HEAD = '"""Inputs of a project file, and settings: parameter, table, key, meaning."""\n\n'
_OLDEST = (1980, 1, 1, 0, 0, 0)  # equal input must give equal bytes


def plugin_files() -> dict[str, bytes]:
    """Content of every file of the plug-in by its name, but the path of the interpreter."""
    packaged = files("glademark.hosts.desktop") / "plugin"
    found = {one.name: one.read_bytes() for one in packaged.iterdir() if one.name.endswith(_PLAIN)}
    found["metadata.txt"] = found["metadata.txt"].replace(b"{version}", __version__.encode())
    found["settings.py"] = (_SETTINGS_HEAD + _settings_text()).encode()
    found["LICENSE"] = (distribution("glademark").read_text("licenses/LICENSE") or "").encode()
    return dict(sorted(found.items()))


def _settings_text() -> str:
    """Inputs and settings as Python constants."""
    titles = {name: limit.title for name, limit in installed_limits().items()}
    schema = json.loads(schema_text(titles))
    rows = "".join(f"    {row!r},\n" for row in _settings(schema))
    inputs = sorted(_resolved(schema["properties"]["inputs"], schema)["properties"])
    return f"INPUTS = {tuple(inputs)!r}\n\nSETTINGS = (\n{rows})\n"


def _settings(schema: Mapping[str, Any]) -> Iterator[tuple[str, str, str, str]]:
    """Parameter, table, key and meaning of each setting of the schema."""
    for table, described in schema["properties"].items():
        keys = _resolved(described, schema).get("properties", {})
        for key, one in keys.items():
            if table == "inputs" or f"{table}_{key}" == _TABLE_FILE:
                continue
            meaning = one.get("description") or key.replace("_", " ")
            words = f"[{table}] {key}: {meaning}" if meaning != key else f"[{table}] {key}"
            yield f"{table}_{key}".upper(), table, key, words


def _resolved(described: Mapping[str, Any], schema: Mapping[str, Any]) -> Mapping[str, Any]:
    """A part of the schema, its reference followed."""
    while "$ref" in described:
        described = schema["$defs"][described["$ref"].rpartition("/")[2]]
    several = [one for one in described.get("anyOf", []) if one.get("type") != "null"]
    return _resolved(several[0], schema) if several else described


def profile_folder(profile: str, profiles_path: Path | None) -> Path:
    """Folder of a profile of the desktop; by default where the system keeps the desktop's own."""
    if profiles_path is None:
        home = {
            "win32": Path(os.environ.get("APPDATA", "")),
            "darwin": Path.home() / "Library/Application Support",
        }.get(sys.platform, Path.home() / ".local/share")
        profiles_path = home / "QGIS/QGIS3"
    if Path(profile).name != profile or profile in {"", ".", ".."}:
        msg = f"{profile!r} is no name of a profile; expected one such as 'default'"
        raise InputError(msg)
    return profiles_path / "profiles" / profile


def install(profile: Path) -> Path:
    """Folder of the plug-in, written new into a profile and enabled there."""
    target = _own_folder(profile)
    contents = {**plugin_files(), "interpreter.txt": (sys.executable + "\n").encode()}
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=".glademark-", dir=target.parent) as draft:
            new, old = Path(draft) / "new", Path(draft) / "old"
            new.mkdir()
            for name, content in contents.items():
                (new / name).write_bytes(content)
            tell_changed(f"{target} may be half written; run again")
            if target.exists():
                target.rename(old)
            new.rename(target)
        _enable(profile, is_on=True)
    except OSError as error:
        raise OutputError(_cannot(target, error)) from error
    return target


def remove(profile: Path) -> Path:
    """Folder of the plug-in, taken out of a profile; `InputError` if it is not there."""
    target = _own_folder(profile)
    if not target.exists():
        msg = f"{target}: the plug-in is not there. Name its profile with --profile"
        raise InputError(msg)
    try:
        shutil.rmtree(target)
        _enable(profile, is_on=False)
    except OSError as error:
        raise OutputError(_cannot(target, error)) from error
    return target


def write_archive(path: Path) -> Path:
    """The plug-in as an archive for a repository of plug-ins; equal versions give equal bytes."""
    if path.exists() and not zipfile.is_zipfile(path):
        msg = f"{path} is no archive and would be overwritten. Choose another name"
        raise OutputError(msg)
    draft = path.with_name(f".{path.name}.draft")
    try:
        with zipfile.ZipFile(draft, "w", zipfile.ZIP_DEFLATED) as archive:
            for name, content in plugin_files().items():
                entry = zipfile.ZipInfo(f"{FOLDER}/{name}", _OLDEST)
                entry.compress_type, entry.external_attr = zipfile.ZIP_DEFLATED, 0o644 << 16
                archive.writestr(entry, content)
        draft.replace(path)
    except OSError as error:
        raise OutputError(_cannot(path, error)) from error
    return path


def _own_folder(profile: Path) -> Path:
    """Where the plug-in stands in a profile; a folder of that name that is another's is refused."""
    target = profile / "python/plugins" / FOLDER
    metadata = target / "metadata.txt"
    if target.exists() and not (
        metadata.is_file() and b"name=Glademark\n" in metadata.read_bytes().replace(b"\r", b"")
    ):
        msg = f"{target} holds something else and is left as it is. Move it away"
        raise OutputError(msg)
    return target


def _enable(profile: Path, *, is_on: bool) -> None:
    """Say in the profile's settings whether the plug-in is loaded; all other lines stay."""
    path = profile / "QGIS/QGIS3.ini"
    lines = path.read_text(encoding="utf-8").splitlines() if path.is_file() else []
    if not lines and not is_on:
        return
    lines = [line for line in lines if line.partition("=")[0].strip() != FOLDER]
    if is_on:
        if _HEADING not in lines:
            lines += ["", _HEADING] if lines else [_HEADING]
        lines.insert(lines.index(_HEADING) + 1, f"{FOLDER}=true")
    path.parent.mkdir(parents=True, exist_ok=True)
    draft = path.with_suffix(".draft")
    draft.write_text("\n".join(lines) + "\n", encoding="utf-8")
    draft.replace(path)


def _cannot(path: Path, error: OSError) -> str:
    """Why something could not be written."""
    return f"{path} cannot be written ({error.strerror or error}). Choose another place"
