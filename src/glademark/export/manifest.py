"""
Writers run one by one; what they made, ``manifest.json``; what an earlier output says; the pack.

A writer that fails is named, and takes no other file with it. The list says which files of a folder
an output made; the next run touches no others, and keeps the numbers of its openings. The pack for
the contractor holds no price, nothing of the cruise and nothing of the allowance: what goes in is
made from a delivery without them.
"""

from __future__ import annotations

import hashlib
import json
import logging
import os
import shutil
import sqlite3
import tempfile
import zipfile
from contextlib import closing
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path, PurePosixPath, PureWindowsPath
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import pandas as pd

from glademark import __version__
from glademark.errors import OutputError, PluginError, shown
from glademark.process import registered
from glademark.project.model import AllowanceSettings
from glademark.report.delivery import FIELD_PAPERS, ONLY_MARKED, Deliverable, Delivery, add_file
from glademark.report.wording import (
    approval_words,
    cautions,
    edition_words,
    is_proposed,
    newest_day,
    say,
    unpainted_rules,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Mapping, Sequence

    from glademark.contracts.survey import InputCount

MANIFEST_FILE = "manifest.json"
"""Moved into place after all files that it lists."""

_PROGRAM = "glademark"

log = logging.getLogger(__name__)

_DRAFT = "draft"

PACK_FILE = "layout_pack.zip"

CAUTIONS_FILE = "cautions.txt"

CONTENTS_FILE = "contents.txt"

CONTENTS = ("map", "field_guide", "stump_check", "extraction", "gpx", "kml", "geojson")
"""Ids of the deliverables in the pack; one that is not installed is left out."""

STOCK_LIMITS = ("removal_share_max", "removal_basal_area_share_max", "residual_basal_area_min")
"""Limits that speak of the standing stock."""

SUMMARY_MAX = 64 * 2**20
"""A summary is some pages of text; beyond this it is something else [bytes]."""

_QUERY = """
    SELECT marker, tree_id, opening FROM marks
    WHERE typeof(opening) = 'integer' AND typeof(marker) = 'text' AND tree_id <> ''
"""


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
    """What a new output does to the files of an earlier one in its folder."""

    job: str = "layout"  # a job replaces its own files and leaves those of others
    made_from: Path | None = None
    """GeoPackage that the files are made from again: others made from it, or with it, stay."""
    inputs: Collection[Path] = ()  # files and folders that are read, and so never removed
    staying: Mapping[str, Listed] = field(default_factory=dict)
    """Files in the folder that belong to the new output as they are."""


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


@dataclass(frozen=True, kw_only=True, slots=True)
class Missing:
    """Files of a deliverable that could not be made, and why, in one sentence."""

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


def make_pack(
    delivery: Delivery, folder: Path, *, deliverables: Mapping[str, Deliverable] | None = None
) -> Path:
    """Write the pack for the contractor."""
    known = _registered() if deliverables is None else deliverables
    crew = without_stock(delivery)
    path = folder / PACK_FILE
    with (
        tempfile.TemporaryDirectory(prefix="pack-", dir=folder) as place,
        zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive,
    ):
        day = newest_day(delivery)
        add_file(archive, CAUTIONS_FILE, cautions_text(delivery).encode("utf-8", "replace"), day)
        found = [known[name] for name in CONTENTS if name in known and wanted(known[name], crew)]
        add_file(archive, CONTENTS_FILE, contents_text(delivery, found).encode(), day)
        for deliverable in found:
            deliverable.write(crew, Path(place))
            for name in deliverable.files:
                add_file(archive, name, (Path(place) / name).read_bytes(), day)
    return path


def contents_text(delivery: Delivery, deliverables: Sequence[Deliverable]) -> str:
    """What is in the pack, file by file."""
    files = [(name, one.title) for one in deliverables for name in one.files]
    lines = [
        f"{shown(delivery.project.heading.name)}. {edition_words(delivery)}.",
        *filter(None, [approval_words(delivery)]),
        f"{CAUTIONS_FILE}: read before work begins",
        *(f"{name}: {title}" for name, title in files),
    ]
    return "\n".join(lines) + "\n"


def without_stock(delivery: Delivery) -> Delivery:
    """A delivery in which nothing tells of the standing stock."""
    layout = delivery.layout
    limits = {*STOCK_LIMITS, "target"}
    kept = {name: limit for name, limit in delivery.project.limits.items() if name not in limits}
    return Delivery(
        project=delivery.project.model_copy(
            update={"allowance": AllowanceSettings(), "limits": kept}
        ),
        survey=replace(
            delivery.survey,
            plots=delivery.survey.plots.iloc[:0],
            plot_trees=delivery.survey.plot_trees.iloc[:0],
            stand_notices=(),
        ),
        layout=replace(
            layout,
            cruise_plots=layout.cruise_plots.iloc[:0],
            allowance=layout.allowance.iloc[:0],
            stock_by_class=layout.stock_by_class.iloc[:0],
            by_stand={
                stand: replace(results, residual={}, notices=())
                for stand, results in layout.by_stand.items()
            },
        ),
        checks=_checks_without(delivery.checks, limits),
        summary={**delivery.summary, "allowance": {}, "notices": []},
    )


def _checks_without(checks: pd.DataFrame, limits: Collection[str]) -> pd.DataFrame:
    """Checks without some limits; of those exceeded the verdict stays, and no figure."""
    hidden = checks["limit"].isin(limits)
    kept = checks[~hidden | (checks["verdict"] == "exceeded")].reset_index(drop=True)
    bare = kept["limit"].isin(limits)
    figures = {name: kept[name].mask(bare) for name in ("measured", "limit_value", "margin")}
    return kept.assign(**figures, reason=kept["reason"].mask(bare, ""))


def cautions_text(delivery: Delivery) -> str:
    """What has to be read before work begins."""
    project = delivery.project
    lines = [
        f"Layout of {shown(delivery.project.heading.name)}. {edition_words(delivery)}.",
        *filter(None, [approval_words(delivery)]),
        *cautions(),
        say("two-tree-lengths"),
        say("line-trees"),
        *(say(f"unpainted-{where}", rule=what) for where, what in unpainted_rules(project)),
        say("stop-in-short"),
    ]
    return "\n\n".join(lines) + "\n"


def _registered() -> dict[str, Deliverable]:
    """What goes into the pack, found as every deliverable is."""
    points = registered("glademark.deliverables")
    return {point.name: point.load() for point in points if point.name in CONTENTS}


def _write_pack(delivery: Delivery, folder: Path) -> None:
    """Write ``layout_pack.zip``."""
    make_pack(delivery, folder)


PACK = Deliverable(
    id="pack",
    title="Pack for the contractor",
    files=(PACK_FILE,),
    write=_write_pack,
    on_request=True,
)
"""One archive, made only where it is asked for."""


def earlier_numbers(folder: Path, *, marks: pd.DataFrame) -> Mapping[int, int]:
    """Opening number that the layout in a folder gave each mark."""
    try:
        rows = _rows(folder / "layout.gpkg")
    except (sqlite3.Error, OSError, ValueError):
        return MappingProxyType({})
    if not rows:
        return MappingProxyType({})
    earlier = pd.DataFrame(rows, columns=["marker", "tree_id", "opening"])
    earlier = earlier.drop_duplicates(["marker", "tree_id"], keep=False)
    now = marks[["marker", "tree_id"]].reset_index(names="index")
    now = now.drop_duplicates(["marker", "tree_id"], keep=False)
    both = now.merge(earlier, on=["marker", "tree_id"])
    return MappingProxyType(
        {int(i): int(n) for i, n in zip(both["index"], both["opening"], strict=True)}
    )


def _rows(path: Path) -> list[tuple[str, str, int]]:
    """Marks of an earlier layout that had an opening; none where there is no file."""
    if not path.is_file():
        return []
    uri = f"{path.resolve().as_uri()}?mode=ro&immutable=1"
    with closing(sqlite3.connect(uri, uri=True)) as connection:
        return connection.execute(_QUERY).fetchall()


def changed_inputs(folder: Path, counts: Sequence[InputCount]) -> tuple[str, ...]:
    """Which inputs differ from those of the earlier output in a folder."""
    before = _earlier_digests(folder / "summary.json")
    if before is None:
        return ()
    now = {(count.input, count.file): count.sha256 for count in counts}
    told = {
        **{key: "changed" for key in now if key in before and now[key] != before[key]},
        **{key: "new" for key in now if key not in before},
        **{key: "no longer an input" for key in before if key not in now},
    }
    return tuple(
        f"{shown(file)} ({shown(name)}) is {what} since the last output in this folder."
        if what != "changed"
        else f"{shown(file)} ({shown(name)}) has changed since the last output in this folder."
        for (name, file), what in told.items()
    )


def replaced_edition(folder: Path, edition: str) -> str:
    """Edition that one replaces in a folder, also after it was made again; empty where none."""
    before = _earlier_provenance(folder / "summary.json") or {}
    earlier = str(before.get("edition") or "")
    return earlier if earlier != edition else str(before.get("replaces") or "")


def _earlier_digests(path: Path) -> dict[tuple[str, str], str] | None:
    """Digest by input and file, None where there is no summary that can be read."""
    try:
        inputs = (_earlier_provenance(path) or {})["inputs"]
        return {(str(one["input"]), str(one["file"])): str(one["sha256"]) for one in inputs}
    except (LookupError, TypeError):
        return None


def _earlier_provenance(path: Path) -> Mapping[str, Any] | None:
    """What a summary says of where it comes from, None where none can be read."""
    try:
        if not path.is_file() or path.stat().st_size > SUMMARY_MAX:
            return None
        found = json.loads(path.read_bytes())["provenance"]
    except (OSError, ValueError, LookupError, TypeError, RecursionError):
        return None
    return found if isinstance(found, dict) else None
