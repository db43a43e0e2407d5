"""Writers run one by one: one that fails is named, and takes no other file with it."""

from __future__ import annotations

import logging
import shutil
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from glademark.errors import PluginError
from glademark.report.delivery import FIELD_PAPERS, ONLY_MARKED
from glademark.report.verdicts import is_proposed
from glademark.wording import shown

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

    from glademark.report.delivery import Deliverable, Delivery

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
