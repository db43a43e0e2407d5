"""What a mark is: its kind, what its paint says, and codes that the project names itself."""

import re
from collections.abc import Mapping, Sequence
from types import MappingProxyType

import numpy as np
import numpy.typing as npt
import pandas as pd

from glademark.contracts.survey import KINDS
from glademark.errors import counted, listed, shown
from glademark.intake.columns import meanings
from glademark.intake.columns.fields import Fields, each_word, translated, words
from glademark.intake.columns.meanings import Meaning
from glademark.project.model import MarkSettings

_WORDS = {
    "cut": ("cut", "cut tree", "take", "remove", "removal", "harvest", "marked", "fell"),
    "leave": (
        "leave", "leave tree", "keep", "keep tree", "retain", "retention", "reserve",
        "reserve tree", "wildlife tree", "legacy tree", "seed tree",
    ),
    "group_boundary": (
        "group boundary", "group edge", "edge", "perimeter", "group perimeter", "opening boundary",
        "opening edge",
    ),
    "group_centre": (
        "group centre", "group center", "centre", "center", "opening centre", "opening center",
        "centre tree", "center tree",
    ),
    "line_tree": ("line tree", "line", "property line tree"),
    "danger": ("danger", "danger tree", "hazard", "hazard tree", "dangerous"),
    "unconfirmed": ("unconfirmed", "unconfirmed tree", "not confirmed"),
}  # fmt: skip
_KIND_OF: Mapping[str, str] = {word: kind for kind, words in _WORDS.items() for word in words}
_WEAK_SHARE = 0.5


def kinds(
    fields: Fields, settings: MarkSettings
) -> tuple[dict[str, pd.Series], pd.Series, pd.Series]:
    """
    Kind and paint of each record, why a record cannot be used, and whether `type` says its kind.

    Columns are `kind` (one of `KINDS`), `paint` (case-folded) and `paint_meaning` (``corridor``,
    ``cut`` or nothing). A kind of its own outranks the paint; in a file with a column of paint,
    a record without listed paint is what `settings.without_paint` says.
    """
    key = {colour.strip().casefold(): meaning for colour, meaning in settings.paint.items()}
    colours = each_word(fields.cells("paint"), str.casefold)
    meaning = translated(colours, key)
    own, unknown, said_by = _own_kinds(fields)
    unsaid = settings.without_paint if fields.has("paint") else "cut"
    columns = {
        "kind": own.where(own != "", meaning.replace({"corridor": "cut", "": unsaid})),
        "paint": colours,
        "paint_meaning": meaning.where(meaning.isin(["corridor", "cut"]), ""),
    }
    reason = pd.Series("", index=colours.index, dtype="str")
    for name in said_by[unknown].unique():
        bad = unknown & (said_by == name)
        cells = fields.cells(name)[bad].map(shown)
        reason[bad] = (
            'kind is "' + cells + f'"; expected one of {", ".join(KINDS)}; correct the cell'
        )
    if not key:
        _refuse_unexplained(fields, colours, (own == "") & (reason == "") & (colours != ""))
    if fields.has("paint"):
        open_still = (meaning == "") & (reason == "")
        _note_without_paint(fields, colours, open_still & (own == ""), settings.without_paint)
        _note_outranked(fields, colours, open_still & (own != "") & (colours != ""))
    elif key:
        _note_no_paint_column(fields, own == "")
    return columns, reason, said_by == "type"


def _own_kinds(fields: Fields) -> tuple[pd.Series, pd.Series, pd.Series]:
    """Kinds, which are unknown words, and the meaning of the column that says them, by stand."""
    index, stand = fields.reading.index, fields.reading.stand
    own = pd.Series("", index=index, dtype="str")
    said_by = own.copy()
    unknown: pd.Series = pd.Series(np.zeros(len(index), dtype=bool), index=index)
    for name, weak in (("kind", False), ("type", True)):
        if not fields.has(name):
            continue
        words = _plain(fields.cells(name))
        known = translated(words, _KIND_OF)
        here = (said_by == "") & _says_kinds(words, known, stand, weak=weak)
        own, said_by = own.where(~here, known), said_by.where(~here, name)
        unknown = unknown | (here & (words != "") & (known == ""))
    return own, unknown, said_by


def _says_kinds(
    words: pd.Series, known: pd.Series, stand: npt.NDArray[np.intp], *, weak: bool
) -> npt.NDArray[np.bool_]:
    """Whether a column says kinds in a stand: some, and one of a vague name mostly kinds."""
    filled = np.bincount(stand, weights=words != "")
    kinds_said = np.bincount(stand, weights=known != "")
    says = (filled > 0) & (kinds_said >= _WEAK_SHARE * filled if weak else True)
    return np.asarray(says[stand], dtype=bool)


def _plain(cells: pd.Series) -> pd.Series:
    """Words in lower case with single spaces."""
    return each_word(cells, lambda word: re.sub(r"[\s_-]+", " ", word.casefold()).strip())


def _refuse_unexplained(fields: Fields, colours: pd.Series, bad: pd.Series) -> None:
    """Refuse paint that decides which trees are cut where no colour has a meaning."""
    if not bad.any():
        return
    counts = colours[bad].value_counts()
    found = listed(f"{colour} ({number:,})" for colour, number in counts.items())
    fields.refuse(
        bad,
        f"{fields.reading.file.name}: trees are painted {found}, and the project file does not say "
        "what any paint means. Say it for each colour under [marks.paint]: corridor, cut, leave, "
        "group_boundary, group_centre, line_tree or danger.",
    )


def _note_without_paint(
    fields: Fields, colours: pd.Series, bad: pd.Series, without_paint: str
) -> None:
    """Say which records have no listed paint, and what becomes of them."""
    name, blank = fields.reading.file.name, colours == ""
    for stand, places in fields.reading.split(bad):
        parts = []
        without = int(blank.iloc[places].sum())
        if without:
            parts.append(f"{counted(without, 'mark')} without paint")
        if without < len(places):
            names = listed(colours.iloc[places][~blank.iloc[places]].unique())
            number = counted(len(places) - without, "mark")
            parts.append(f"{number} with paint that [marks.paint] does not list ({names})")
        what = (
            "unconfirmed, so not counted as cut until [marks.paint], a kind, or [marks] "
            "without_paint says so"
            if without_paint == "unconfirmed"
            else "counted as cut, as [marks] without_paint says; their zone is where they stand"
        )
        trees = listed(fields.reading.called(places))
        fields.log.notice(f"{name}: {' and '.join(parts)}: {what}: {trees}.", stand=stand)


def _note_no_paint_column(fields: Fields, bad: pd.Series) -> None:
    """Say so where a file has no paint though the project file explains colours."""
    for stand, places in fields.reading.split(bad):
        fields.log.notice(
            f"{fields.reading.file.name}: {counted(len(places), 'mark')} counted as cut, since "
            "the file has no column of paint, though [marks.paint] lists colours. If a column is "
            "called otherwise, say so in [marks] columns.",
            stand=stand,
        )


def _note_outranked(fields: Fields, colours: pd.Series, unlisted: pd.Series) -> None:
    """Say which paint is not listed where a kind says what the mark is."""
    for stand, places in fields.reading.split(unlisted):
        names = listed(colours.iloc[places].unique())
        fields.log.notice(
            f"{fields.reading.file.name}: {counted(len(places), 'mark')} with a kind, and paint "
            f"that [marks.paint] does not list ({names}): their zone is where they stand.",
            stand=stand,
        )


MEANINGS: Mapping[str, tuple[Meaning, ...]] = MappingProxyType(
    {
        "stand": meanings.AREAS,
        "corridors": meanings.CORRIDORS,
        "marks": meanings.MARKS,
        "tally": meanings.TALLY,
        "openings": meanings.WALKED,
        "exclusions": meanings.AREAS,
        "setbacks": meanings.SETBACKS,
        "water": meanings.WATER,
        "landings": meanings.AREAS,
        "hazards": meanings.HAZARDS,
        "leave_trees": meanings.LEAVE_TREES,
        "standing": meanings.STANDING,
        "crop_trees": meanings.CROP_TREES,
        "regeneration": meanings.AREAS,
        "failing_patches": meanings.FAILING_PATCHES,
        "marked_ground": meanings.AREAS,
        "cruise": meanings.CRUISE,
        "volume_table": meanings.VOLUME_TABLE,
        "terrain": (),
        "canopy_height": (),
    }
)
"""Columns to expect in each input; the volume table has its own key in ``[volume]``."""

_NAMES = {
    "stand": "stand boundary unit block compartment tract perimeter",
    "corridors": (
        "corridor corridors trail trails skid skidtrail forwarder lines rack racks lane lanes track"
        " tracks"
    ),
    "marks": "mark marks marked marking paint painted",
    "tally": "tally tallies",
    "openings": "opening openings group groups gap gaps walked edge edges",
    "exclusions": "exclusion exclusions exclude keep keepout out reserve nocut buffer protected",
    "setbacks": "setback setbacks strip strips rmz smz",
    "water": "water stream streams creek creeks brook river lake pond hydro",
    "landings": "landing landings yard deck",
    "hazards": "hazard hazards powerline powerlines shaft shafts",
    "leave_trees": (
        "leave retain retained retention legacy wildlife seed habitat veteran snag den reserve"
    ),
    "marked_ground": "marked ground covered progress done",
    "standing": "standing stemmap stem inventory",
    "crop_trees": "crop future",
    "regeneration": "regeneration regen seedlings saplings",
    "failing_patches": "failing patch patches declining",
    "cruise": "cruise plot plots sample samples inventory",
    "volume_table": "volume table volumes rates",
    "terrain": "terrain dem elevation lidar heights",
    "canopy_height": "canopy chm",
}
_LAYER_WORDS = {name: frozenset(text.split()) for name, text in _NAMES.items()}
_PLOT = frozenset({"plot", "plots", "plotid", "plotno", "plotnumber"})
_FITTING: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "points": ("leave_trees", "cruise", "marks", "standing", "crop_trees"),
        "lines": ("corridors", "stand", "water", "openings"),
        "areas": (
            "stand", "openings", "exclusions", "setbacks", "water", "landings", "hazards",
            "marked_ground", "regeneration", "failing_patches",
        ),
        "table": (
            "cruise", "leave_trees", "tally", "volume_table", "marks", "standing", "crop_trees",
        ),
        "raster": ("canopy_height", "terrain"),
    }
)  # fmt: skip


def likely_input(
    shape: str, names: Sequence[str], headers: Sequence[str], *, records: int
) -> tuple[str, str]:
    """
    Input for which a layer looks, and what that was taken from.

    Examples
    --------
    >>> likely_input("lines", ["skid trails"], [], records=3)
    ('corridors', 'lines, and the name')
    >>> likely_input("areas", ["layer 1"], [], records=5)
    ('', '')
    """
    positioned = shape == "points" or _has_position(headers)
    by_columns = _by_columns(headers, positioned=positioned)
    said = next((found for name in names if (found := _by_name(name, _FITTING[shape]))), "")
    if shape in {"table", "points"}:
        if said == "leave_trees":  # a colour makes no tree to cut of one that is called so
            return said, f"{shape}, and the name"
        if by_columns:
            return by_columns, "the columns"
        if said == "marks" and not _is_of_trees(headers):
            said = ""
    if said:
        return said, f"{shape}, and the name"
    plain = {
        "raster": ("terrain", "a raster"),
        "lines": ("corridors", "several lines") if records > 1 else ("", ""),
        "areas": ("stand", "a single area") if records == 1 else ("", ""),
    }
    return plain.get(shape, ("", ""))


def likely_inputs(shape: str, headers: Sequence[str]) -> tuple[str, ...]:
    """Inputs that a layer may be which looks like none in particular."""
    if shape != "table":
        return _FITTING[shape]
    return _FITTING["points"] if _has_position(headers) else ("tally", "cruise", "volume_table")


def _by_name(name: str, fitting: Sequence[str]) -> str:
    """The input that has most words in common with a name."""
    said = set(words(name))
    shared = {key: len(said & _LAYER_WORDS[key]) for key in fitting}
    best = max(shared, key=lambda key: shared[key])
    return best if shared[best] else ""


def _by_columns(headers: Sequence[str], *, positioned: bool) -> str:
    """The input that only such columns can be."""
    cruise = _known(headers, meanings.CRUISE)
    named = any(_PLOT & set(words(head)) for head in headers)
    if "plot" in cruise and (named or cruise & {"baf", "plot_area", "plot_radius"}):
        return "cruise"
    tally = _known(headers, meanings.TALLY)
    if positioned or _has_position(headers):
        return "marks" if _known(headers, meanings.MARKS) & {"paint", "kind"} else ""
    if {"zone", "count"} <= tally or {"group", "count"} <= tally:
        return "tally"
    return "volume_table" if {"dbh", "volume"} <= tally else ""


def _is_of_trees(headers: Sequence[str]) -> bool:
    """Whether some column says what tree a record is."""
    return bool(_known(headers, meanings.MARKS) & {"dbh", "species", "product", "count"})


def _known(headers: Sequence[str], wanted: Sequence[Meaning]) -> set[str]:
    """Meanings that some header names."""
    return {one.name for one in wanted for head in headers if one.claim(words(head)) is not None}


def _has_position(headers: Sequence[str]) -> bool:
    """Whether there is a pair of coordinates."""
    known = _known(headers, meanings.MARKS)
    return {"lon", "lat"} <= known or {"x", "y"} <= known


SEPARATOR = "+"
"""Stands between several codes of one tree; the first is the main one."""


def named_codes(fields: Fields, name: str, known: Mapping[str, str]) -> pd.Series:
    """Codes of each record in the project's spelling; unlisted ones are kept and noticed."""
    spelt = {key.strip().casefold(): key.strip() for key in known}

    def _plain(cell: str) -> str:
        codes = (" ".join(code.split()) for code in cell.split(SEPARATOR))
        return SEPARATOR.join(spelt.get(one.casefold(), one) for one in codes if one)

    codes = each_word(fields.cells(name), _plain)
    if not known:
        return codes
    listed_codes = set(spelt.values())
    unlisted = {
        cell: [one for one in cell.split(SEPARATOR) if one and one not in listed_codes]
        for cell in codes.unique()
    }
    for stand, places in fields.reading.split(codes.map(unlisted).astype(bool)):
        found = {code for cell in codes.iloc[places].unique() for code in unlisted[cell]}
        fields.log.notice(
            f"{fields.reading.file.name}: {counted(len(places), 'record')} with a {name} that "
            f"[{_TABLE[name]}] does not list ({listed(sorted(found))}): kept as written.",
            stand=stand,
        )
    return codes


_TABLE = {"reason": "reasons", "retention": "retention"}
