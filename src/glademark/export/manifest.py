"""
Writers run one by one, and the list of what they made, ``manifest.json``.

A writer that fails is named, and takes no other file with it. The list says which files of a folder
an output made; the next run touches no others.
"""

from __future__ import annotations

import hashlib
import json
import logging
import os
import shutil
from dataclasses import asdict, dataclass, field
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import TYPE_CHECKING, Any

from glademark import __version__
from glademark.errors import OutputError, PluginError, shown
from glademark.report.delivery import FIELD_PAPERS, ONLY_MARKED
from glademark.report.verdicts import is_proposed

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Mapping, Sequence
    from pathlib import Path

    from glademark.report.delivery import Deliverable, Delivery

MANIFEST_FILE = "manifest.json"
"""Moved into place after all files that it lists."""

_PROGRAM = "glademark"


@dataclass(frozen=True, kw_only=True, slots=True)
class Listed:
    """Size and digest of a file as it was written."""

    size: int
    sha256: str

    @classmethod
    def of(cls, path: Path) -> Listed:
        """Size and digest of a file as it is now."""
        with path.open("rb") as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
            return cls(size=file.tell(), sha256=digest)


@dataclass(frozen=True, kw_only=True, slots=True)
class Output:
    """Files of one job."""

    files: Mapping[str, Listed] = field(default_factory=dict)
    made_from: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Replacing:
    """
    What a new output does to the files of an earlier one in its folder.

    Attributes
    ----------
    job
        Whose files they are: a job replaces its own and leaves those of others.
    made_from
        GeoPackage that the files are made from again: others that were made from it, or with it,
        are of the same output and stay.
    inputs
        Files and folders that are read, and so never removed.
    staying
        Files in the folder that belong to the new output as they are.
    """

    job: str = "layout"
    made_from: Path | None = None
    inputs: Collection[Path] = ()
    staying: Mapping[str, Listed] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True, slots=True)
class Change:
    """What becomes of the files of an earlier output, and the list of the new one."""

    remove: tuple[str, ...]
    changed: tuple[str, ...]
    text: str


def changed_by(new: Path, names: Sequence[str], folder: Path, replacing: Replacing) -> Change:
    """What new files do to an output folder: what is no longer made goes, unless changed since."""
    outputs = read_manifest(folder)
    earlier = outputs.get(replacing.job, Output())
    digest = Listed.of(replacing.made_from).sha256 if replacing.made_from else ""
    same = digest in {earlier.made_from, *(one.sha256 for one in earlier.files.values())}
    staying: dict[str, Listed] = dict(replacing.staying)
    if digest and same:
        staying |= earlier.files
    staying = {name: one for name, one in staying.items() if (folder / name).is_file()}
    files = staying | {name: Listed.of(new / name) for name in names}
    inputs = {path.resolve() for path in replacing.inputs}
    gone = [
        name
        for name in earlier.files
        if name not in files
        and os.path.lexists(folder / name)
        and not _is_input(folder / name, inputs)
    ]
    remove = tuple(name for name in gone if _is_unchanged(folder, name, earlier.files[name]))
    others = {
        job: Output(files=_without(one.files, files), made_from=one.made_from)
        for job, one in outputs.items()
    }
    return Change(
        remove=remove,
        changed=tuple(name for name in gone if name not in remove),
        text=_text({**others, replacing.job: Output(files=files, made_from=digest)}),
    )


def read_manifest(folder: Path) -> Mapping[str, Output]:
    """Outputs that a folder holds, by their job; none where there is no manifest."""
    path = folder / MANIFEST_FILE
    if not os.path.lexists(path):
        return {}
    try:
        found = json.loads(path.read_bytes())
        outputs = {str(job): _output(one) for job, one in found["outputs"].items()}
    except (OSError, ValueError, LookupError, TypeError, AttributeError, RecursionError) as error:
        raise OutputError(_not_ours(path)) from error
    if found.get("program") != _PROGRAM:
        raise OutputError(_not_ours(path))
    return outputs


def is_inside(name: str) -> bool:
    """Whether a name with forward slashes stays inside the folder that it starts at, anywhere."""
    path = PurePosixPath(name)
    plain = str(path) == name and ".." not in path.parts and not path.is_absolute()
    return plain and name not in {"", "."} and "\\" not in name and not PureWindowsPath(name).drive


def _output(found: Mapping[str, Any]) -> Output:
    """One output of a manifest; a name that leads out of the folder makes it none of ours."""
    files = {
        name: Listed(size=int(one["size"]), sha256=str(one["sha256"]))
        for name, one in found["files"].items()
    }
    if not all(map(is_inside, files)):
        raise ValueError
    return Output(files=files, made_from=str(found["made_from"]))


def _not_ours(path: Path) -> str:
    """Why nothing is written beside a manifest that cannot be understood."""
    return (
        f"{path} is no list of files that this program wrote, and would be overwritten. "
        "Move it away, or choose another output folder"
    )


def _text(outputs: Mapping[str, Output]) -> str:
    """A manifest as the text of its file: no date, so that equal input gives equal bytes."""
    listed = {job: asdict(one) for job, one in outputs.items() if one.files}
    found = {"program": _PROGRAM, "version": __version__, "outputs": listed}
    return json.dumps(found, indent=1, sort_keys=True) + "\n"


def _without(files: Mapping[str, Listed], taken: Collection[str]) -> dict[str, Listed]:
    """Files of another job, less those that this one writes over."""
    return {name: one for name, one in files.items() if name not in taken}


def _is_input(path: Path, inputs: Collection[Path]) -> bool:
    """Whether a file is read by the run, itself or in a folder."""
    real = path.resolve()
    return real in inputs or any(folder in inputs for folder in real.parents)


def _is_unchanged(folder: Path, name: str, listed: Listed) -> bool:
    """Whether a file is the plain one that was written."""
    path = folder / name
    if path.is_symlink() or not path.is_file():
        return False
    if not path.parent.resolve().is_relative_to(folder.resolve()):
        return False  # a folder on the way has become a link
    return path.stat().st_size == listed.size and Listed.of(path) == listed


log = logging.getLogger(__name__)

_DRAFT = "draft"


@dataclass(frozen=True, kw_only=True, slots=True)
class Missing:
    """
    A deliverable that could not be made.

    Attributes
    ----------
    files
        Names of the files that are missing.
    reason
        Why, in one sentence.
    """

    files: tuple[str, ...]
    reason: str

    def __str__(self) -> str:
        """One line that names the files first."""
        return f"missing: {', '.join(self.files)}. {self.reason}"


def wanted(deliverable: Deliverable, delivery: Delivery) -> bool:
    """Whether a delivery has anything for a deliverable; where it cannot say, it is tried."""
    if deliverable.id in ONLY_MARKED and is_proposed(delivery):
        return False
    try:
        return deliverable.wanted is None or deliverable.wanted(delivery)
    except Exception as fault:  # a plug-in may fail in any way
        log.debug("deliverable %s cannot say whether it is wanted", deliverable.id, exc_info=fault)
        return True


def write_each(
    deliverables: Mapping[str, Deliverable],
    given: Any,  # noqa: ANN401 - as the writers want it
    folder: Path,
    on_each: Callable[[str], None] | None,
) -> tuple[Missing, ...]:
    """
    Write deliverables into a folder of files yet to be handed over; returns those that failed.

    A disk that is full or not to be written stops all of them. Field papers come together.
    """
    missing: dict[str, Missing] = {}
    for name, one in deliverables.items():
        if on_each is not None:
            on_each(one.title)
        try:
            _write(one, given, folder)
        except OSError:
            raise
        except Exception as fault:  # a plug-in may fail in any way
            log.debug("deliverable %s failed", one.id, exc_info=fault)
            missing[name] = Missing(files=one.files, reason=_sentence(one, fault))
    together = [name for name in deliverables if name in FIELD_PAPERS]
    failed = [deliverables[name].title for name in together if name in missing]
    for name in (name for name in together if failed and name not in missing):
        one = deliverables[name]
        for file in one.files:
            (folder / file).unlink()
        reason = f"Field papers are handed over together, and one failed: {', '.join(failed)}."
        missing[name] = Missing(files=one.files, reason=reason)
    return tuple(missing.values())


def _write(deliverable: Deliverable, given: Any, folder: Path) -> None:  # noqa: ANN401 - as above
    """Write one deliverable, see that it made what it declares, and put that into the folder."""
    draft = folder.parent / _DRAFT
    draft.mkdir()
    try:
        deliverable.write(given, draft)
        made = {path.name for path in draft.iterdir()}
        if made != set(deliverable.files):
            msg = (
                f"deliverable {deliverable.id} wrote {', '.join(sorted(made)) or 'nothing'}; "
                f"expected {', '.join(deliverable.files)}. Mend or remove the plug-in"
            )
            raise PluginError(msg)
        for name in deliverable.files:
            (draft / name).rename(folder / name)
    finally:
        shutil.rmtree(draft, ignore_errors=True)


def _sentence(deliverable: Deliverable, fault: Exception) -> str:
    """What went wrong, in words."""
    if isinstance(fault, PluginError):
        return f"{shown(fault, longest=400)}."
    said = shown(f"{type(fault).__name__}: {fault}", longest=300)
    return f"{deliverable.title} could not be made ({said}); -vv shows where."
