"""
Columns recognised by their meaning: the names and units that people write at the head of a column.
"""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from types import MappingProxyType

from glademark.errors import FileError
from glademark.intake.wording import quoted, shown

LENGTHS: Mapping[str, str] = MappingProxyType(
    {
        "in": "in", "inch": "in", "inches": "in", "ins": "in",
        "cm": "cm", "centimetres": "cm", "centimeters": "cm",
        "mm": "mm", "millimetres": "mm", "millimeters": "mm",
        "m": "m", "metre": "m", "metres": "m", "meter": "m", "meters": "m", "mtr": "m",
        "ft": "ft", "foot": "ft", "feet": "ft",
    }
)  # fmt: skip
"""Spellings of units of length in a header."""

_LONG = MappingProxyType({key: unit for key, unit in LENGTHS.items() if unit in {"m", "ft"}})
_METRES = MappingProxyType({key: unit for key, unit in LENGTHS.items() if unit == "m"})
_DEGREES = MappingProxyType(dict.fromkeys(("deg", "degrees", "dd", "wgs84"), "deg"))
_VOLUMES = MappingProxyType(
    {
        "bf": "board foot", "bdft": "board foot", "boardfeet": "board foot", "boardfoot": "board foot",
        "mbf": "MBF", "m3": "m3", "cum": "m3", "cbm": "m3", "ft3": "ft3", "cuft": "ft3", "cf": "ft3",
        "cord": "cord", "cords": "cord", "cd": "cord", "greentons": "green ton", "greenton": "green ton",
    }
)  # fmt: skip
_SHARES = MappingProxyType(
    {"pct": "pct", "percent": "pct", "perc": "pct", "share": "share", "fraction": "share"}
)
_PER_AREA = MappingProxyType(
    {"m2ha": "m2/ha", "m2perha": "m2/ha", "ft2ac": "ft2/acre", "ft2acre": "ft2/acre",
     "ft2perac": "ft2/acre", "ft2peracre": "ft2/acre", "sqftac": "ft2/acre"}
)  # fmt: skip
_UNITS_MAX = 3


@dataclass(frozen=True, kw_only=True, slots=True)
class Meaning:
    """
    What a column can mean, and the names by which it is known.

    Attributes
    ----------
    name
        In this program and in the project file's ``[marks] columns``.
    headers
        Names folded to small letters and digits, the plainest first.
    units
        Spellings of units that may follow the name, each with its standard form.
    with_unit
        Further names that count only where a unit follows.
    bare_units
        Units that are a name by themselves.
    strict
        Whether two columns of this meaning make a difference to results.
    """

    name: str
    headers: tuple[str, ...]
    units: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    with_unit: tuple[str, ...] = ()
    bare_units: tuple[str, ...] = ()
    strict: bool = False

    def spellings(self) -> Mapping[str, tuple[int, str]]:
        """
        Every folded header of this meaning.

        Returns
        -------
        spellings
            Each with its rank (0 is the plainest) and its unit.
        """
        found: dict[str, tuple[int, str]] = {}
        for rank, header in enumerate(self.headers):
            found.setdefault(header, (rank, ""))
            for spelled, unit in self.units.items():
                found.setdefault(header + spelled, (rank, unit))
        for header in self.with_unit:
            for spelled, unit in self.units.items():
                found.setdefault(header + spelled, (len(self.headers), unit))
        for spelled in self.bare_units:
            found.setdefault(spelled, (len(self.headers) + 1, self.units[spelled]))
        return found


def _words(text: str) -> tuple[str, ...]:
    return tuple(text.split())


ID = Meaning(
    name="id",
    headers=_words(
        "treeid tree treeno treenumber treenum treetag tag tagno tagnumber tagid tagnum markid markno id no nr"
        " number num pointid point ident name waypoint label"
    ),
)
MARKER = Meaning(
    name="marker",
    headers=_words(
        "marker crew by markedby markername observer recorder user operator painter collector receiver"
    ),
)
COUNT = Meaning(
    name="count",
    headers=_words(
        "count treecount trees ntrees numtrees nooftrees numberoftrees stems qty quantity n"
    ),
    strict=True,
)
KIND = Meaning(name="kind", headers=("kind", "markkind", "kindofmark"), strict=True)
TYPE = Meaning(name="type", headers=_words("marktype treetype pointtype type featuretype feature"))
DBH = Meaning(
    name="dbh",
    headers=_words(
        "dbh dbhob diameterbreastheight diameteratbreastheight breastheightdiameter d130 diameter diameters diam dia d"
        " dsh stumpdiameter stumpdiam diameterstump"
    ),
    units=LENGTHS,
    strict=True,
)
DBH_UNIT = Meaning(
    name="dbh_unit", headers=_words("dbhunit dbhunits diameterunit diamunit unit units uom")
)
SPECIES = Meaning(
    name="species",
    headers=_words(
        "species spp sp spec speciescode sppcode spcode spcd treespecies speciesname sppname commonname"
    ),
)
PRODUCT = Meaning(
    name="product", headers=_words("product prod products productcode prodcode assortment")
)
PAINT = Meaning(
    name="paint",
    headers=_words("paint paintcolour paintcolor colour color markcolour markcolor paintcode"),
)
GROUP = Meaning(
    name="group",
    headers=_words(
        "group groupid groupno groupnumber groupname grp grpid grpno opening openingid openingno openingnumber"
    ),
)
HEIGHT = Meaning(
    name="height",
    headers=_words("height totalheight treeheight ht totalht treeht tht h"),
    units=_LONG,
    strict=True,
)
CROWN_RADIUS = Meaning(
    name="crown_radius",
    headers=_words("crownradius crownrad crownradi crradius crad"),
    units=_LONG,
    strict=True,
)
CROWN_WIDTH = Meaning(
    name="crown_width",
    headers=_words("crownwidth crownwid crwidth crownspread crowndiameter crowndiam crowndia"),
    units=_LONG,
    strict=True,
)
VOLUME = Meaning(
    name="volume",
    headers=_words("volume vol treevolume treevol volumegross grossvolume grossvol volgross"),
    units=_VOLUMES,
    bare_units=_words("bf bdft boardfeet mbf m3 ft3 cuft cords cord"),
    strict=True,
)
VOLUME_UNIT = Meaning(name="volume_unit", headers=_words("volumeunit volumeunits volunit volunits"))
DEFECT = Meaning(
    name="defect",
    headers=_words("defect defects def"),
    units=_SHARES,
    with_unit=("cull", "cullvolume", "rot"),
    strict=True,
)
CULL = Meaning(name="cull", headers=_words("cull iscull cullflag culltree"))
POSITION_ERROR = Meaning(
    name="position_error",
    headers=_words(
        "positionerror positione poserror horizontalaccuracy horizaccuracy haccuracy hacc accuracy horizontalerror"
        " horizprec horzprec hrms rmse rms epe gpserror gpsaccuracy gnssaccuracy estaccuracy error"
    ),
    units=_LONG,
)
TIME = Meaning(
    name="time",
    headers=_words(
        "time datetime timestamp markedat markedon recordedat createdat creationdate utc gpstime"
    ),
)
DATE = Meaning(name="date", headers=_words("date markdate datemarked day surveydate"))
ORDER = Meaning(
    name="order", headers=_words("order pointorder seq sequence seqno vertex vertexno pointno")
)
RADIUS = Meaning(
    name="radius",
    headers=_words("radius groupradius openingradius centreradius centerradius"),
    units=_LONG,
    strict=True,
)
LON = Meaning(
    name="lon",
    headers=_words("lon long longitude lng gpslon gpslongitude"),
    units=_DEGREES,
    strict=True,
)
LAT = Meaning(
    name="lat", headers=_words("lat latitude gpslat gpslatitude"), units=_DEGREES, strict=True
)
X = Meaning(
    name="x",
    headers=_words("x xcoord xcoordinate pointx coordx easting east eastings utme utmx utmeasting"),
    units=_METRES,
    strict=True,
)
Y = Meaning(
    name="y",
    headers=_words(
        "y ycoord ycoordinate pointy coordy northing north northings utmn utmy utmnorthing"
    ),
    units=_METRES,
    strict=True,
)
POSITION = (LON, LAT, X, Y)
MARKS = (
    ID, MARKER, COUNT, KIND, TYPE, DBH, DBH_UNIT, SPECIES, PRODUCT, PAINT, GROUP, HEIGHT, CROWN_RADIUS,
    CROWN_WIDTH, VOLUME, VOLUME_UNIT, DEFECT, CULL, POSITION_ERROR, TIME, DATE, ORDER, RADIUS, *POSITION,
)  # fmt: skip
"""Meanings of a marks file."""

LEAVE_TREES = (ID, DBH, DBH_UNIT, SPECIES, HEIGHT, CROWN_RADIUS, CROWN_WIDTH, *POSITION)

ZONE = Meaning(name="zone", headers=_words("zone area place location where"))
CLASS_DBH = Meaning(
    name="dbh",
    headers=_words("dbh diameter diameters diam dia d dbhclass sizeclass diameterclass class size"),
    units=LENGTHS,
    strict=True,
)
TALLY = (
    ZONE, SPECIES, PRODUCT, CLASS_DBH, DBH_UNIT, COUNT, VOLUME, VOLUME_UNIT, DEFECT, CULL,
)  # fmt: skip
"""Meanings of a paper tally."""

NAME = Meaning(
    name="name",
    headers=_words(
        "corridor corridorname corridorid corridorno name trail trailname title label id no number"
    ),
)
WIDTH = Meaning(
    name="width", headers=_words("width wid corridorwidth fullwidth"), units=_LONG, strict=True
)
STATE = Meaning(name="state", headers=_words("state status condition type kind"))
CORRIDORS = (NAME, WIDTH, STATE)

AREA_NAME = Meaning(
    name="name", headers=_words("name title label stream water landing id no number")
)
WALKED_GROUP = Meaning(
    name="group", headers=(*GROUP.headers, "name", "label", "id", "no", "number")
)
RULE = Meaning(name="rule", headers=_words("rule rules restriction"), strict=True)
MINIMUM = Meaning(
    name="minimum",
    headers=_words("minimum min minimumba residual residualba residualbasalarea basalarea ba"),
    units=_PER_AREA,
    strict=True,
)
DISTANCE = Meaning(
    name="distance", headers=_words("distance dist width setback buffer"), units=_LONG, strict=True
)
AREAS = (AREA_NAME,)
WALKED = (WALKED_GROUP,)
SETBACKS = (AREA_NAME, RULE, MINIMUM, DISTANCE)
WATER = (AREA_NAME, WIDTH)


@dataclass(frozen=True, kw_only=True, slots=True)
class Found:
    """
    Which column holds what.

    Attributes
    ----------
    header
        By meaning: the column as it is called in the file.
    unit
        By meaning: the unit that its header says, or nothing.
    notices
        What was left aside.
    """

    header: Mapping[str, str]
    unit: Mapping[str, str]
    notices: tuple[str, ...] = ()


def folded(header: str) -> str:
    """
    A header reduced to its small letters and digits.

    Parameters
    ----------
    header
        As written.

    Returns
    -------
    folded
        Inch and foot marks, per cent signs and raised digits as letters and digits.

    Examples
    --------
    >>> folded('DBH (in)'), folded("Tree No."), folded('Cull %'), folded('Vol m³')
    ('dbhin', 'treeno', 'cullpct', 'volm3')
    """
    plain = header.casefold().strip()
    for sign, word in (('"', "in"), ("%", "pct"), ("²", "2"), ("³", "3")):
        plain = plain.replace(sign, word)
    return re.sub(r"[\W_]+", "", plain)


def recognise(
    headers: Sequence[str],
    meanings: Iterable[Meaning],
    *,
    stated: Mapping[str, str] | None = None,
    where: str,
) -> Found:
    """
    Which column holds what, by its header.

    Parameters
    ----------
    headers
        Columns of the file.
    meanings
        What is looked for.
    stated
        Meaning to header, from the project file: wins over recognition.
    where
        The file, for messages.

    Returns
    -------
    found
        Only meanings that have a column.

    Raises
    ------
    FileError
        If two headers are the same but for case and signs, a stated header is not there, or two
        columns have equal claim to one meaning.
    """
    _refuse_twins(headers, where)
    found: dict[str, str] = {}
    units: dict[str, str] = {}
    notices: list[str] = []
    stated = stated or {}
    taken = set()
    for meaning in meanings:
        if meaning.name in stated:
            header = _stated_header(meaning, stated[meaning.name], headers, where)
            found[meaning.name], units[meaning.name] = header, _trailing_unit(meaning, header)
            taken.add(header)
    for meaning in meanings:
        claims = [] if meaning.name in found else _claims(meaning, headers, taken)
        if not claims:
            continue
        _refuse_tie(meaning, claims, where)
        _, units[meaning.name], found[meaning.name] = claims[0]
        if meaning.strict and len(claims) > 1:
            others = quoted([header for *_, header in claims[1:]])
            notices.append(
                f"{where}: '{shown(claims[0][2])}' is read as {meaning.name}; {others} is kept as it stands."
            )
    return Found(header=found, unit=units, notices=tuple(notices))


def _claims(
    meaning: Meaning, headers: Sequence[str], taken: set[str]
) -> list[tuple[int, str, str]]:
    """Rank, unit and header of each column that may have this meaning, best first."""
    spellings = _spellings(meaning.name, meaning.headers)
    claims = [
        (*spellings[folded(header)], header)
        for header in headers
        if header not in taken and folded(header) in spellings
    ]
    return sorted(claims, key=lambda claim: claim[0])


_EVERY = (*MARKS, *LEAVE_TREES, *TALLY, *CORRIDORS, WALKED_GROUP, *SETBACKS, *WATER)


@cache
def _spellings(name: str, headers: tuple[str, ...]) -> Mapping[str, tuple[int, str]]:
    """Folded headers of a declared meaning, worked out once."""
    meaning = next(one for one in _EVERY if (one.name, one.headers) == (name, headers))
    return MappingProxyType(dict(meaning.spellings()))


def is_known(header: str, meanings: Iterable[Meaning]) -> bool:
    """
    Whether a header names one of these meanings.

    Parameters
    ----------
    header
        As written.
    meanings
        What is looked for.

    Returns
    -------
    known
        True if any of them has this name.
    """
    plain = folded(header)
    return any(plain in _spellings(meaning.name, meaning.headers) for meaning in meanings)


def _refuse_twins(headers: Sequence[str], where: str) -> None:
    """Two columns with one name cannot be told apart."""
    seen: dict[str, str] = {}
    for header in headers:
        key = header.strip().casefold()
        if key in seen:
            msg = (
                f"{where}: two columns are called {quoted([seen[key], header])}. "
                "Rename or remove one of them."
            )
            raise FileError(msg)
        seen[key] = header


def _refuse_tie(meaning: Meaning, claims: Sequence[tuple[int, str, str]], where: str) -> None:
    """Two columns of one meaning, one as plain as the other."""
    tied = [header for rank, _, header in claims if rank == claims[0][0]]
    if meaning.strict and len(tied) > 1:
        msg = (
            f"{where}: {quoted(tied)} could each be the {meaning.name}. "
            f"Say which under [marks] columns, or remove one of them."
        )
        raise FileError(msg)


def _stated_header(meaning: Meaning, wanted: str, headers: Sequence[str], where: str) -> str:
    """The file's column that the project file names."""
    for header in headers:
        if header == wanted or header.strip().casefold() == wanted.strip().casefold():
            return header
    msg = (
        f"{where}: there is no column '{shown(wanted)}', which the project file names for "
        f"{meaning.name}; the columns are {quoted(headers)}. Correct the name."
    )
    raise FileError(msg)


def _trailing_unit(meaning: Meaning, header: str) -> str:
    """Unit at the end of a header that the project file names: binding all the same."""
    known = _spellings(meaning.name, meaning.headers).get(folded(header))
    if known is not None:
        return known[1]
    words = [folded(word) for word in re.split(r"[\s_()\[\].,/-]+", header) if folded(word)]
    for size in range(min(_UNITS_MAX, len(words)), 0, -1):
        unit = meaning.units.get("".join(words[-size:]))
        if unit:
            return unit
    return ""
