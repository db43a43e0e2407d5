"""Which input a layer looks like: by its shapes, its columns, and the words of its name."""

from collections.abc import Mapping, Sequence
from types import MappingProxyType

from glademark.intake.columns import meanings
from glademark.intake.columns.match import words
from glademark.intake.columns.meanings import Meaning

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
        "leave_trees": meanings.LEAVE_TREES,
        "marked_ground": meanings.AREAS,
        "cruise": meanings.CRUISE,
        "volume_table": meanings.VOLUME_TABLE,
        "terrain": (),
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
    "leave_trees": (
        "leave retain retained retention legacy wildlife seed habitat veteran snag den reserve"
    ),
    "marked_ground": "marked ground covered progress done",
    "cruise": "cruise plot plots sample samples inventory",
    "volume_table": "volume table volumes rates",
    "terrain": "terrain dem elevation lidar heights",
}
_WORDS = {name: frozenset(text.split()) for name, text in _NAMES.items()}
_PLOT = frozenset({"plot", "plots", "plotid", "plotno", "plotnumber"})
_FITTING: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "points": ("leave_trees", "cruise", "marks"),
        "lines": ("corridors", "stand", "water", "openings"),
        "areas": (
            "stand", "openings", "exclusions", "setbacks", "water", "landings", "marked_ground",
        ),
        "table": ("cruise", "leave_trees", "tally", "volume_table", "marks"),
        "raster": ("terrain",),
    }
)  # fmt: skip


def likely_input(
    shape: str, names: Sequence[str], headers: Sequence[str], *, records: int
) -> tuple[str, str]:
    """
    Input for which a layer looks, and what that was taken from.

    Parameters
    ----------
    shape
        ``points``, ``lines``, ``areas``, ``table`` or ``raster``.
    names
        Of the layer and the file, the nearer first.
    headers
        Its columns.
    records
        How many there are.

    Returns
    -------
    input_and_reason
        Both empty where it looks like none.

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
    shared = {key: len(said & _WORDS[key]) for key in fitting}
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
