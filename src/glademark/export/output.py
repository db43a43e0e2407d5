"""
The output folder, written all or nothing.

Everything is first written beside the folder, into one of our own; only when all of it is there and
sound is it moved in, file by file, the summary last. A run that fails leaves what stood there; one
killed while moving is completed by the next. A writer that fails is named; no older file stands in.
"""

from __future__ import annotations

import errno
import glob
import json
import logging
import os
import shutil
import sys
import tempfile
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from glademark.errors import OutputError, PluginError, changed, shown, tell_changed
from glademark.export.geopackage import refuse_unsound, side_files
from glademark.export.manifest import (
    MANIFEST_FILE,
    Missing,
    Replacing,
    changed_by,
    read_manifest,
    wanted,
    write_each,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence

    from glademark.project.model import Project
    from glademark.report.delivery import Deliverable, Delivery

log = logging.getLogger(__name__)

LAST_FILE = "summary.json"
"""Moved into place after all others but the list of them: where it is new, everything is."""

LAYOUT = Replacing()
"""Of a layout into a folder without files of an older version."""

_MARKER = "glademark-unfinished"  # says that an unfinished folder is ours, and of which output
_NEW = "new"
_OLD = "old"
_COMPLETE = "complete.json"  # there from the moment on at which all new files are safe on the disk
_UNDO = "undo.json"  # its name from the moment on at which everything is put back
_Plan = dict[str, list[str]]
"""Names to move in, to remove, and those that stood there before, as in ``complete.json``."""
_NO_PERMISSION = (
    "there is no permission to write. Choose another folder, or close the program that has a file "
    "of it open"
)
_SENTENCES = {
    errno.ENOSPC: "the disk is full. Free some space and run again",
    errno.EDQUOT: "the disk quota is used up. Free some space and run again",
    errno.EFBIG: "a file grew beyond the size allowed here. Choose another folder",
    errno.EROFS: "the disk is read-only. Choose another folder",
    errno.EACCES: _NO_PERMISSION,
    errno.EPERM: _NO_PERMISSION,
    errno.ENOTDIR: "a part of its path is a file, not a folder. Choose another folder",
    errno.ENAMETOOLONG: "its name is too long. Choose a shorter one",
    errno.ELOOP: "its path is a circle of links. Choose another folder",
}


@dataclass(frozen=True, kw_only=True, slots=True)
class Delivered:
    """Files in the order they were moved into place, and what is missing, of which none is left."""

    files: tuple[Path, ...]
    missing: tuple[Missing, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class Part:
    """Deliverables by id, what their writers are given, and their folder in the output, if any."""

    deliverables: Mapping[str, Deliverable]
    given: Delivery | None = None
    folder: str = ""

    def name_of(self, file: str) -> str:
        """Name of a file in the output, with forward slashes."""
        return f"{self.folder}/{file}" if self.folder else file


def deliver(
    delivery: Delivery,
    folder: Path,
    deliverables: Mapping[str, Deliverable],
    *,
    replacing: Replacing = LAYOUT,
    on_each: Callable[[str], None] | None = None,
) -> Delivered:
    """What an output folder was given; no file of what has nothing to say."""
    asked = {name: one for name, one in deliverables.items() if wanted(one, delivery)}
    return deliver_parts(
        delivery.project,
        folder,
        [Part(deliverables=asked, given=delivery)],
        replacing=replacing,
        on_each=on_each,
    )


def deliver_parts(
    project: Project,
    folder: Path,
    parts: Sequence[Part],
    *,
    replacing: Replacing = LAYOUT,
    on_each: Callable[[str], None] | None = None,
) -> Delivered:
    """What an output folder was given; a writer that fails is named and the rest written."""
    names = _file_names(parts)
    missing: list[Missing] = []

    def write(new: Path) -> list[str]:
        refuse_inputs(project, [folder, *(folder / name for name in names)])
        missing.extend(_written(parts, new, on_each))
        gone = {name for one in missing for name in one.files}
        made = [name for name in names if name not in gone]
        _refuse_nothing(made, missing)
        return made

    inputs = (*replacing.inputs, *input_files(project))
    files = replace_output(folder, write, replacing=replace(replacing, inputs=inputs))
    return Delivered(files=files, missing=tuple(missing))


def _written(
    parts: Sequence[Part], folder: Path, on_each: Callable[[str], None] | None
) -> tuple[Missing, ...]:
    """Write all parts; returns what could not be made, under its names in the output."""
    missing: list[Missing] = []
    for part in parts:
        home = folder / part.folder
        home.mkdir(exist_ok=True)
        missing += (
            replace(one, files=tuple(map(part.name_of, one.files)))
            for one in write_each(part.deliverables, part.given, home, on_each)
        )
    return tuple(missing)


def _refuse_nothing(names: Sequence[str], missing: Sequence[Missing]) -> None:
    """Refuse to hand over nothing where something was asked for."""
    if missing and not names:
        msg = f"no file could be made; what stood there is unchanged. {missing[0].reason}"
        raise OutputError(msg)


def replace_output(
    folder: Path, write: Callable[[Path], Sequence[str]], *, replacing: Replacing
) -> tuple[Path, ...]:
    """
    Paths of the new files of a folder, which take the place of all files of its earlier output.

    `write` makes them in an empty folder and names them, with forward slashes, in the order in
    which they are moved. What else of the folder belongs to the output is in `replacing.staying`.
    The folder is locked meanwhile: whoever calls holds no lock on it.
    """
    folder = Path(os.path.abspath(folder))  # noqa: PTH100 - resolve() would follow links
    try:
        with held(folder):
            _finish_earlier(folder)
            read_manifest(folder)  # refuses one of another program before anything is written
            with _unfinished(folder) as place:
                names = write(place / _NEW)
                _replace(place, folder, names, replacing)
    except OutputError:
        raise
    except OSError as error:
        raise OutputError(_plain_sentence(folder, error)) from error
    return tuple(folder / name for name in names)


def _file_names(parts: Sequence[Part]) -> list[str]:
    """Names of all files to come, the summary last."""
    names: list[str] = []
    for part, deliverable in [(one, each) for one in parts for each in one.deliverables.values()]:
        for name in deliverable.files:
            if name.casefold() == MANIFEST_FILE:
                msg = f"deliverable {deliverable.id}: {name} is the list of all files; rename it"
                raise PluginError(msg)
            if Path(name).name != name or name in {"", ".", ".."}:
                msg = f"deliverable {deliverable.id}: {name!r} is no plain file name; expected one"
                raise PluginError(msg)
            if part.name_of(name).casefold() in {known.casefold() for known in names}:
                msg = f"deliverable {deliverable.id}: {name} is written by another one as well"
                raise PluginError(msg)
            names.append(part.name_of(name))
    return sorted(names, key=lambda name: name == LAST_FILE)


def refuse_inputs(project: Project, targets: Sequence[Path]) -> None:
    """Refuse to write where an input file stands."""
    for source in input_files(project):
        for target in targets:
            if target.exists() and source.exists() and target.samefile(source):
                msg = f"{target} is an input of this project. Choose another output folder"
                raise OutputError(msg)


def input_files(project: Project) -> Iterator[Path]:
    """Every file that the project reads."""
    inputs = project.inputs
    for name in type(inputs).model_fields:
        source = getattr(inputs, name)
        for one in source if isinstance(source, tuple) else (source,):
            if one is not None:
                yield one.file
    if project.volume.table is not None:
        yield project.volume.table.file


@contextmanager
def held(folder: Path) -> Iterator[None]:
    """Hold the output folder for this run; one made for it goes again where the run fails."""
    if folder.exists() and not folder.is_dir():
        msg = f"{folder} is a file, not a folder. Choose another output folder"
        raise OutputError(msg)
    made = [path for path in (folder, *folder.parents) if not path.exists()]
    folder.mkdir(parents=True, exist_ok=True)
    try:
        with _locked(folder):
            yield
    except BaseException:
        with suppress(OSError):
            for path in made:
                path.rmdir()
        raise


@contextmanager
def _locked(folder: Path) -> Iterator[None]:
    """Keep other runs out of the folder, where the system can; the lock ends with the process."""
    if sys.platform == "win32":
        yield
        return
    import fcntl  # noqa: PLC0415 - there is none on Windows

    handle = os.open(folder, os.O_RDONLY)
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            msg = f"another run is writing into {folder}. Wait until it has ended and run again"
            raise OutputError(msg) from error
        except OSError as error:  # some network disks have no locks
            if error.errno not in {errno.ENOLCK, errno.ENOTSUP, errno.ENOSYS}:
                raise
        yield
    finally:
        os.close(handle)


@contextmanager
def _unfinished(folder: Path) -> Iterator[Path]:
    """A new folder of our own on the disk of the output; gone at the end, however it ends."""
    place = Path(tempfile.mkdtemp(prefix=_prefix(folder), dir=_home(folder)))
    try:
        (place / _MARKER).write_bytes(os.fsencode(folder.name))
        (place / _NEW).mkdir()
        (place / _OLD).mkdir()
        yield place
    finally:
        if not _is_half_moved(place):
            _clear(place)


def _is_half_moved(place: Path) -> bool:
    """Whether the next run has to move the rest, or to put back the rest."""
    left = any(path.is_file() for path in (place / _NEW).rglob("*"))
    return ((place / _COMPLETE).exists() and left) or (place / _UNDO).exists()


def _clear(place: Path) -> None:
    """Remove an unfinished folder: first what says that work is left in it, last its marker."""
    for note in (_COMPLETE, _UNDO):
        with suppress(OSError):
            (place / note).unlink(missing_ok=True)
    for part in (_NEW, _OLD):
        shutil.rmtree(place / part, ignore_errors=True)
    shutil.rmtree(place, ignore_errors=True)


def _home(folder: Path) -> Path:
    """Where unfinished folders stand: beside the output, or in it where that is another disk."""
    parent = folder.parent
    same_disk = parent.stat().st_dev == folder.stat().st_dev
    return parent if same_disk and os.access(parent, os.W_OK) else folder


def _prefix(folder: Path) -> str:
    """First part of the name of the unfinished folders of an output folder."""
    return f".{folder.name[:60]}-unfinished-"


def _replace(place: Path, folder: Path, names: Sequence[str], replacing: Replacing) -> None:
    """Move all files and their list into place, and those of an earlier output out of it."""
    change = changed_by(place / _NEW, names, folder, replacing)
    (place / _NEW / MANIFEST_FILE).write_text(change.text, encoding="utf-8")
    moved = [*names, MANIFEST_FILE]
    beside = [
        *(side for name in names for side in _beside(folder, name, place / _NEW)),
        *(side for name in change.remove for side in _beside(folder, name, folder)),
    ]
    _move_all(place, folder, moved, change.remove)
    _remove_empty(folder, change.remove)
    if change.remove or beside:
        log.warning("removed from an earlier output: %s", _listed([*change.remove, *beside]))
    if change.changed:
        log.warning(
            "kept, though of an earlier output, since changed after it was written: %s",
            _listed(change.changed),
        )


def _beside(folder: Path, name: str, home: Path) -> list[str]:
    """Names of side files in a folder, where the file in its home is a database."""
    return side_files(folder, name, database=home / name)


def _remove_empty(folder: Path, names: Sequence[str]) -> None:
    """Remove folders within the output that held nothing but files which are gone."""
    for name in names:
        for parent in (folder / name).relative_to(folder).parents:
            if parent != Path():
                with suppress(OSError):
                    (folder / parent).rmdir()


def _listed(names: Iterable[str]) -> str:
    """Names of files in a sentence."""
    return ", ".join(map(shown, names))


def _move_all(place: Path, folder: Path, names: Sequence[str], remove: Sequence[str]) -> None:
    """Move all files into place, or none."""
    for name in names:
        _to_disk(place / _NEW / name)
    kept = _keep_old(place, folder, names)
    plan = {"move": [*names], "remove": [*remove], "kept": sorted(kept)}
    _mark_complete(place, plan)
    before = changed()
    try:
        tell_changed(f"some files of {folder} are new; run again to complete them")
        _carry_out(place, folder, plan)
        for name in names:
            refuse_unsound(folder / name)
        tell_changed(f"all files had been written into {folder}")
    except BaseException:
        (place / _COMPLETE).replace(place / _UNDO)
        _to_disk(place)
        _put_back(place, folder, plan)
        (place / _UNDO).unlink()
        tell_changed(before)
        raise
    _to_disk(folder)


def _carry_out(place: Path, folder: Path, plan: _Plan) -> None:
    """Move what is not moved yet: files no longer made and side files out, new files in."""
    for name in plan["remove"]:
        for one in (*_beside(folder, name, folder), name):
            if (folder / one).exists() and not (place / _OLD / one).exists():
                _move(folder / one, place / _OLD / one)
    for name in plan["move"]:
        if (place / _NEW / name).exists():
            for side in _beside(
                folder, name, place / _NEW
            ):  # it would be played back into the new file
                _move(folder / side, place / _OLD / side)
            _move(place / _NEW / name, folder / name)


def _put_back(place: Path, folder: Path, plan: _Plan) -> None:
    """Undo what was moved and is not put back yet."""
    for name in plan["move"]:
        if (place / _NEW / name).exists():
            continue
        if name not in plan["kept"]:
            (folder / name).unlink(missing_ok=True)
        elif (place / _OLD / name).exists():
            for side in _beside(folder, name, folder):
                (folder / side).unlink()
            _move(place / _OLD / name, folder / name)
    for path in sorted((place / _OLD).rglob("*")):
        name = path.relative_to(place / _OLD).as_posix()
        if path.is_file() and name not in plan["kept"]:
            _move(path, folder / name)


def _move(path: Path, target: Path) -> None:
    """Move a file on its disk, over another if need be."""
    target.parent.mkdir(parents=True, exist_ok=True)
    path.replace(target)


def _mark_complete(place: Path, plan: _Plan) -> None:
    """Say, on the disk, that all new files are whole, and what is to be done."""
    _to_disk(place / _NEW)
    draft = place / f"{_COMPLETE}.draft"
    draft.write_text(json.dumps(plan), encoding="utf-8")
    _to_disk(draft)
    draft.replace(place / _COMPLETE)
    _to_disk(place)


def _keep_old(place: Path, folder: Path, names: Sequence[str]) -> set[str]:
    """Keep what stands in the folder under the names to come; returns those that were there."""
    there = {name for name in names if (folder / name).exists()}
    for name in there:
        if not (folder / name).is_file():
            msg = f"{folder / name} is no file, so it cannot be replaced. Move it away"
            raise OutputError(msg)
        (place / _OLD / name).parent.mkdir(parents=True, exist_ok=True)
        try:
            os.link(folder / name, place / _OLD / name, follow_symlinks=False)
        except (OSError, NotImplementedError):  # a disk or system without hard links
            shutil.copy2(folder / name, place / _OLD / name, follow_symlinks=False)
    return there


def _finish_earlier(folder: Path) -> None:
    """Complete what a killed run had begun to move, and clear away what others left unfinished."""
    for home in {folder.parent, folder}:
        for place in sorted(home.glob(f"{glob.escape(_prefix(folder))}*")):
            if _is_ours(place, folder):
                for note, finish in ((_COMPLETE, _carry_out), (_UNDO, _put_back)):
                    if (place / note).is_file():
                        finish(place, folder, json.loads((place / note).read_bytes()))
                        tell_changed(
                            f"what an earlier run had left half written in {folder} was completed"
                        )
                        _to_disk(folder)
                _clear(place)


def _is_ours(place: Path, folder: Path) -> bool:
    """Whether an unfinished folder carries our marker for this output, or nothing at all yet."""
    if not place.is_dir():
        return False
    if (place / _MARKER).is_file():
        return (place / _MARKER).read_bytes() in {b"", os.fsencode(folder.name)}
    return not any(place.iterdir())


def _to_disk(path: Path) -> None:
    """See that a file or folder is on the disk and not only in memory."""
    if path.is_dir():
        _folder_to_disk(path)
        return
    with path.open("rb+") as file:
        os.fsync(file.fileno())


def _folder_to_disk(folder: Path) -> None:
    """See that the names in a folder are on the disk, where the system can do that."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _plain_sentence(folder: Path, error: OSError) -> str:
    """What went wrong, in words."""
    sentence = _SENTENCES.get(error.errno or 0, f"{error.strerror or error}. Choose another folder")
    return f"{folder} cannot be written: {sentence}; what stood there is unchanged"
