"""A job on each stand of a project: one that is refused does not stop the others."""

from collections.abc import Callable, Mapping
from typing import TypeVar
from urllib.parse import quote

from glademark.contracts.survey import Survey
from glademark.errors import InputError, grouped_faults
from glademark.intake.read import SurveysByStand
from glademark.wording import listed

_T = TypeVar("_T")


def folder_of(stand: str) -> str:
    """Folder of the files of a stand in an output; none where there is one stand."""
    return f"stand {quote(stand, safe=' ')}" if stand else ""


def on_each_stand(
    many: SurveysByStand, work: Callable[[str, Survey], _T]
) -> tuple[dict[str, _T], dict[str, str]]:
    """Results by the name of the stand, and why others have none; `InputError` if all have none."""
    faults: dict[str, tuple[str, ...]] = dict(many.refused)
    results: dict[str, _T] = {}
    for name, survey in many.surveys.items():
        try:
            results[name] = work(name, survey)
        except InputError as error:
            if not name:
                raise
            faults[name] = error.faults
    refused = {name: " ".join(grouped_faults(reasons)) for name, reasons in faults.items()}
    if not results:
        raise all_refused(refused)
    return results, refused


def all_refused(refused: Mapping[str, str]) -> InputError:
    """Each reason once, with the stands that it holds for."""
    by_reason: dict[str, list[str]] = {}
    for name, reason in refused.items():
        by_reason.setdefault(reason, []).append(name)
    return InputError(*(f"stand {listed(names)}: {why}" for why, names in by_reason.items()))
