"""
The output folder, written all or nothing.

Everything is first written beside the folder, into an unfinished one of our own; only when all of
it is there and sound is it moved in, file by file, the summary last. A failed or interrupted run
leaves what stood there byte for byte. A run that was killed while moving is completed by the next.
"""

from __future__ import annotations

import errno
import json
import os
import shutil
import sys
import tempfile
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from glademark.errors import OutputError, PluginError, changed, tell_changed

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from glademark.project.model import Project
    from glademark.report.delivery import Deliverable, Delivery

LAST_FILE = "summary.json"
"""Moved into place after all others: where it is new, everything is."""

_MARKER = "glademark-unfinished"  # says that an unfinished folder is ours, and of which output
_NEW = "new"
_OLD = "old"
_COMPLETE = "complete.json"  # there from the moment on at which all new files are safe on the disk
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


def deliver(
    delivery: Delivery,
    folder: Path,
    deliverables: Mapping[str, Deliverable],
    *,
    on_each: Callable[[str], None] | None = None,
) -> tuple[Path, ...]:
    """
    Paths of the files written into an output folder, which now holds all of them.

    Parameters
    ----------
    delivery
        What is handed over.
    folder
        Made where it is missing; other files in it stay as they are.
    deliverables
        By their ids, written in this order; those with nothing to say are left out.
    on_each
        Called with the title of each before it is written.

    Returns
    -------
    files
        In the order in which they were moved into place.

    Raises
    ------
    OutputError
        If the folder cannot be written, another run is writing into it, or a file would take the
        place of an input. What stood there is untouched.
    PluginError
        If a deliverable does not write exactly the files that it declares. As above.
    """
    wanted = {
        name: one
        for name, one in deliverables.items()
        if one.wanted is None or one.wanted(delivery)
    }
    return deliver_files(delivery.project, folder, wanted, given=delivery, on_each=on_each)


def deliver_files(
    project: Project,
    folder: Path,
    deliverables: Mapping[str, Deliverable],
    *,
    given: Delivery | None = None,
    on_each: Callable[[str], None] | None = None,
) -> tuple[Path, ...]:
    """
    Paths of the files written into an output folder, whatever they hold.

    Parameters
    ----------
    project
        Names the input files, whose place none of the files may take.
    folder
        Made where it is missing; other files in it stay as they are.
    deliverables
        By their ids, written in this order.
    given
        What each of them is called with; None where it has brought all that it needs.
    on_each
        Called with the title of each before it is written.

    Returns
    -------
    files
        In the order in which they were moved into place.

    Raises
    ------
    OutputError
        If the folder cannot be written, another run is writing into it, or a file would take the
        place of an input. What stood there is untouched.
    PluginError
        If a deliverable does not write exactly the files that it declares. As above.
    """
    names = _file_names(deliverables)
    folder = Path(os.path.abspath(folder))  # noqa: PTH100 - resolve() would follow links
    try:
        refuse_inputs(project, [folder, *(folder / name for name in names)])
        with held(folder):
            _finish_earlier(folder)
            with _unfinished(folder) as place:
                for deliverable in deliverables.values():
                    if on_each is not None:
                        on_each(deliverable.title)
                    _write(deliverable, given, place / _NEW)
                _move_all(place, folder, names)
    except OutputError:
        raise
    except OSError as error:
        raise OutputError(_plain_sentence(folder, error)) from error
    return tuple(folder / name for name in names)


def _file_names(deliverables: Mapping[str, Deliverable]) -> list[str]:
    """Names of all files to come, the summary last."""
    names: list[str] = []
    for deliverable in deliverables.values():
        for name in deliverable.files:
            if Path(name).name != name or name in {"", ".", ".."}:
                msg = f"deliverable {deliverable.id}: {name!r} is no plain file name; expected one"
                raise PluginError(msg)
            if name.casefold() in {known.casefold() for known in names}:
                msg = f"deliverable {deliverable.id}: {name} is written by another one as well"
                raise PluginError(msg)
            names.append(name)
    return sorted(names, key=lambda name: name == LAST_FILE)


def refuse_inputs(project: Project, targets: Sequence[Path]) -> None:
    """Refuse to write where an input file stands."""
    for source in input_files(project):
        for target in targets:
            if target.exists() and source.exists() and target.samefile(source):
                msg = (
                    f"{target} is an input of this project and would be overwritten. "
                    "Choose another output folder"
                )
                raise OutputError(msg)


def input_files(project: Project) -> Iterator[Path]:
    """
    Every file that the project reads.

    Parameters
    ----------
    project
        The project.

    Yields
    ------
    path
        Of one file.
    """
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
    """Whether some files are in place and others not, so that the next run has to move the rest."""
    return (place / _COMPLETE).exists() and any((place / _NEW).iterdir())


def _clear(place: Path) -> None:
    """Remove an unfinished folder, its marker at the end."""
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


def _write(deliverable: Deliverable, given: Any, place: Path) -> None:  # noqa: ANN401 - as it wants
    """Write one deliverable and see that it made what it declares."""
    before = {path.name for path in place.iterdir()}
    deliverable.write(given, place)
    made = {path.name for path in place.iterdir()} - before
    if made != set(deliverable.files):
        msg = (
            f"deliverable {deliverable.id} wrote {', '.join(sorted(made)) or 'nothing'}; "
            f"expected {', '.join(deliverable.files)}. Mend or remove the plug-in"
        )
        raise PluginError(msg)


def _move_all(place: Path, folder: Path, names: Sequence[str]) -> None:
    """Move all files into place, or none."""
    for name in names:
        _to_disk(place / _NEW / name)
    kept = _keep_old(place, folder, names)
    _mark_complete(place, names)
    before = changed()
    try:
        tell_changed(f"some files of {folder} are new; run again to complete them")
        for name in names:
            (place / _NEW / name).replace(folder / name)
        tell_changed(f"all files had been written into {folder}")
    except BaseException:
        _put_back(place, folder, names, kept)
        tell_changed(before)
        raise
    _to_disk(folder)


def _mark_complete(place: Path, names: Sequence[str]) -> None:
    """Say, on the disk, that all new files are whole."""
    _to_disk(place / _NEW)
    draft = place / f"{_COMPLETE}.draft"
    draft.write_text(json.dumps(list(names)), encoding="utf-8")
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
        try:
            os.link(folder / name, place / _OLD / name, follow_symlinks=False)
        except (OSError, NotImplementedError):  # a disk or system without hard links
            shutil.copy2(folder / name, place / _OLD / name, follow_symlinks=False)
    return there


def _put_back(place: Path, folder: Path, names: Sequence[str], kept: set[str]) -> None:
    """Undo what was moved."""
    for name in names:
        if (place / _NEW / name).exists():
            continue
        if name in kept:
            (place / _OLD / name).replace(folder / name)
        else:
            (folder / name).unlink(missing_ok=True)
    (place / _COMPLETE).unlink(missing_ok=True)


def _finish_earlier(folder: Path) -> None:
    """Complete what a killed run had begun to move, and clear away what others left unfinished."""
    for home in {folder.parent, folder}:
        for place in sorted(home.glob(f"{_escaped(_prefix(folder))}*")):
            if _is_ours(place, folder):
                _move_rest(place, folder)
                _clear(place)


def _move_rest(place: Path, folder: Path) -> None:
    """Move what a killed run had not moved yet, if it had begun to."""
    if (place / _COMPLETE).is_file():
        for name in json.loads((place / _COMPLETE).read_text(encoding="utf-8")):
            if (place / _NEW / name).exists():
                (place / _NEW / name).replace(folder / name)
                tell_changed(f"what an earlier run had left half written in {folder} was completed")
        _to_disk(folder)


def _is_ours(place: Path, folder: Path) -> bool:
    """Whether an unfinished folder carries our marker for this output, or nothing at all yet."""
    if not place.is_dir():
        return False
    if (place / _MARKER).is_file():
        return (place / _MARKER).read_bytes() in {b"", os.fsencode(folder.name)}
    return not any(place.iterdir())


def _escaped(name: str) -> str:
    """A name in which a pattern finds no meaning."""
    return "".join(f"[{letter}]" if letter in "*?[" else letter for letter in name)


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
