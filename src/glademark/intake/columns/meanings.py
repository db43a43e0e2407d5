"""Meanings that a column can have, each with the names and units that people write at its head."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

from glademark.units import VOLUME_HEADINGS

LENGTHS: Mapping[str, str] = MappingProxyType(
    {
        spelled: unit
        for unit, spellings in {
            "in": "in inch inches ins",
            "cm": "cm centimetres centimeters",
            "mm": "mm millimetres millimeters",
            "m": "m metre metres meter meters mtr",
            "ft": "ft foot feet",
        }.items()
        for spelled in spellings.split()
    }
)
"""Spellings of units of length in a header."""

_LONG = {spelled: unit for spelled, unit in LENGTHS.items() if unit in {"m", "ft"}}
_METRES = {spelled: unit for spelled, unit in LENGTHS.items() if unit == "m"}
_DEGREES = dict.fromkeys(("deg", "degrees", "dd", "wgs84"), "deg")
_SHARES = {
    "pct": "pct", "percent": "pct", "perc": "pct", "share": "share", "fraction": "share",
}  # fmt: skip
_PER_AREA = {
    "m2ha": "m2/ha", "m2perha": "m2/ha", "ft2ac": "ft2/acre", "ft2acre": "ft2/acre",
    "ft2perac": "ft2/acre", "ft2peracre": "ft2/acre", "sqftac": "ft2/acre",
}  # fmt: skip


LONGEST_HEADER = 200
"""A longer one is not taken apart in search of its unit, which takes the square of its words."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Meaning:
    """What a column can mean, and the names by which it is known."""

    name: str  # in this program and in the project file's ``[marks] columns``
    headers: Mapping[str, int]
    """Names folded to lower case and digits, each with its rank: 0 is the plainest."""
    before_unit: Mapping[str, int]
    """The same and further names that count only where a unit follows."""
    bare_units: frozenset[str]  # units that are a name by themselves
    units: Mapping[str, str]
    """Spellings of units that may follow a name, each with its standard form."""
    strict: bool  # whether two columns of this meaning make a difference to results

    def claim(self, words: Sequence[str]) -> tuple[int, str] | None:
        """
        How well a header fits, and the unit that it says.

        Examples
        --------
        >>> DBH.claim(["dbh", "in"]), DBH.claim(["dbhin"]), DBH.claim(["height"])
        ((0, 'in'), (0, 'in'), None)
        """
        whole = "".join(words)
        if whole in self.headers:
            return self.headers[whole], ""
        if whole in self.bare_units:
            return len(self.before_unit), self.units[whole]
        for size in range(1, len(words) if len(whole) <= LONGEST_HEADER else 1):
            start, end = "".join(words[:-size]), "".join(words[-size:])
            if start in self.before_unit and end in self.units:
                return self.before_unit[start], self.units[end]
        return self._run_together(whole) if len(words) == 1 else None

    def _run_together(self, whole: str) -> tuple[int, str] | None:
        """Name and unit without a sign between them, where only one reading is possible."""
        readings = {
            (rank, self.units[whole.removeprefix(start)])
            for start, rank in self.before_unit.items()
            if whole.startswith(start) and whole.removeprefix(start) in self.units
        }
        return readings.pop() if len({unit for _, unit in readings}) == 1 else None


def _meaning(
    name: str,
    headers: str,
    *,
    units: Mapping[str, str] | None = None,
    with_unit: str = "",
    bare_units: str = "",
    strict: bool = False,
) -> Meaning:
    """Meaning known by headers alone or with a unit, by some only with one, by some units alone."""
    ranks = {header: rank for rank, header in enumerate(headers.split())}
    further = {header: len(ranks) for header in with_unit.split()}
    return Meaning(
        name=name,
        headers=MappingProxyType(ranks),
        before_unit=MappingProxyType({**ranks, **further}),
        bare_units=frozenset(bare_units.split()),
        units=MappingProxyType(dict(units or {})),
        strict=strict,
    )


_GROUP_HEADERS = (
    "group groupid groupno groupnumber groupname grp grpid grpno"
    " opening openingid openingno openingnumber"
)
_SPECIES_HEADERS = (
    "species spp sp spec speciescode sppcode spcode spcd treespecies speciesname sppname commonname"
)

_ID_HEADERS = (
    "treeid tree treeno treenumber treenum treetag tag tagno tagnumber tagid tagnum markid markno"
    " id no nr number num pointid point ident name waypoint label"
)
ID = _meaning("id", _ID_HEADERS)
MARKER = _meaning(
    "marker",
    "marker crew by markedby markername observer recorder user operator painter collector receiver",
)
_COUNT_HEADERS = (
    "count treecount trees ntrees numtrees nooftrees numberoftrees stems qty quantity n"
)
COUNT = _meaning("count", _COUNT_HEADERS, strict=True)
KIND = _meaning("kind", "kind markkind kindofmark", strict=True)
TYPE = _meaning("type", "marktype treetype pointtype type featuretype feature")
DBH = _meaning(
    "dbh",
    "dbh dbhob diameterbreastheight diameteratbreastheight breastheightdiameter d130 diameter"
    " diameters diam dia d dsh stumpdiameter stumpdiam diameterstump",
    units=LENGTHS,
    strict=True,
)
DBH_UNIT = _meaning("dbh_unit", "dbhunit dbhunits diameterunit diamunit unit units uom")
SPECIES = _meaning("species", _SPECIES_HEADERS)
PRODUCT = _meaning("product", "product prod products productcode prodcode assortment")
PAINT = _meaning(
    "paint", "paint paintcolour paintcolor colour color markcolour markcolor paintcode"
)
GROUP = _meaning("group", _GROUP_HEADERS)
HEIGHT = _meaning(
    "height", "height totalheight treeheight ht totalht treeht tht h", units=_LONG, strict=True
)
LOGS = _meaning(
    "logs",
    "logs nlogs numlogs numberoflogs log logcount logs16ft 16ftlogs merchlogs merchantablelogs"
    " heightlogs logheight",
    strict=True,
)
CROWN_RADIUS = _meaning(
    "crown_radius", "crownradius crownrad crownradi crradius crad", units=_LONG, strict=True
)
CROWN_WIDTH = _meaning(
    "crown_width",
    "crownwidth crownwid crwidth crownspread crowndiameter crowndiam crowndia",
    units=_LONG,
    strict=True,
)
VOLUME = _meaning(
    "volume",
    "volume vol treevolume treevol volumegross grossvolume grossvol volgross",
    units=VOLUME_HEADINGS,
    bare_units="bf bdft boardfeet mbf m3 ft3 cuft cords cord",
    strict=True,
)
VOLUME_UNIT = _meaning("volume_unit", "volumeunit volumeunits volunit volunits")
DEFECT = _meaning(
    "defect", "defect defects def", units=_SHARES, with_unit="cull cullvolume rot", strict=True
)
CULL = _meaning("cull", "cull iscull cullflag culltree")
GRADE = _meaning("grade", "grade treegrade loggrade buttloggrade buttgrade")
CONDITION = _meaning("condition", "condition treecondition cond health")
LIVE_CROWN_RATIO = _meaning(
    "live_crown_ratio", "livecrownratio lcr crownratio livecrown", units=_SHARES, strict=True
)
RETENTION = _meaning("retention", "retention retentionkind retentiontype retainedfor")
REASON = _meaning("reason", "reason reasons cutreason reasoncut reasonforcutting")
MUST_GO = _meaning("must_go", "mustgo mustcut musttake hastogo", strict=True)
POSITION_ERROR = _meaning(
    "position_error",
    "positionerror positione poserror horizontalaccuracy horizaccuracy haccuracy hacc accuracy"
    " horizontalerror horizprec horzprec hrms rmse rms epe gpserror gpsaccuracy gnssaccuracy"
    " estaccuracy error",
    units=_LONG,
)
TIME = _meaning(
    "time",
    "time datetime timestamp markedat markedon recordedat createdat creationdate utc gpstime",
)
DATE = _meaning("date", "date markdate datemarked day surveydate")
ORDER = _meaning("order", "order pointorder seq sequence seqno vertex vertexno pointno")
RADIUS = _meaning(
    "radius", "radius groupradius openingradius centreradius centerradius", units=_LONG, strict=True
)
LON = _meaning("lon", "lon long longitude lng gpslon gpslongitude", units=_DEGREES, strict=True)
LAT = _meaning("lat", "lat latitude gpslat gpslatitude", units=_DEGREES, strict=True)
X = _meaning(
    "x",
    "x xcoord xcoordinate pointx coordx easting east eastings utme utmx utmeasting",
    units=_METRES,
    strict=True,
)
Y = _meaning(
    "y",
    "y ycoord ycoordinate pointy coordy northing north northings utmn utmy utmnorthing",
    units=_METRES,
    strict=True,
)
UTM_ZONE = _meaning("utm_zone", "utmzone zoneutm gridzone utmgridzone utmzoneno")
_POSITION = (LON, LAT, X, Y, UTM_ZONE)
MARKS = (
    ID, MARKER, COUNT, KIND, TYPE, DBH, DBH_UNIT, SPECIES, PRODUCT, PAINT, GROUP, HEIGHT,
    LOGS, CROWN_RADIUS, CROWN_WIDTH, VOLUME, VOLUME_UNIT, DEFECT, CULL, POSITION_ERROR, TIME, DATE,
    ORDER, RADIUS, MUST_GO, REASON, *_POSITION,
)  # fmt: skip
"""Meanings in a file of marks."""

CROP_TREES = (ID, DBH, DBH_UNIT, SPECIES, HEIGHT, CROWN_RADIUS, CROWN_WIDTH, *_POSITION)
"""Meanings in a file of crop trees."""

LEAVE_TREES = (*CROP_TREES, RETENTION)
"""Meanings in a file of leave trees."""

STANDING = (
    *CROP_TREES, COUNT, PRODUCT, GRADE, CONDITION, LIVE_CROWN_RATIO, LOGS, VOLUME, VOLUME_UNIT,
    DEFECT, CULL,
)  # fmt: skip
"""Meanings in a list or map of all standing trees."""

TALLY = (
    _meaning("zone", "zone area place location where"),
    GROUP,
    SPECIES,
    PRODUCT,
    _meaning(
        "dbh",
        "dbh diameter diameters diam dia d dbhclass sizeclass diameterclass class size",
        units=LENGTHS,
        strict=True,
    ),
    DBH_UNIT,
    COUNT,
    VOLUME,
    VOLUME_UNIT,
    LOGS,
    DEFECT,
    CULL,
    REASON,
)
"""Meanings in a paper tally."""

VOLUME_TABLE = (
    SPECIES,
    PRODUCT,
    *(meaning for meaning in TALLY if meaning.name == "dbh"),
    VOLUME,
    _meaning("volume_unit", "volumeunit volumeunits volunit volunits unit units"),
)
"""Meanings in a volume table."""

_WIDTH = _meaning("width", "width wid corridorwidth fullwidth", units=_LONG, strict=True)
TARGET = (
    _meaning("size_class", "sizeclass class dbhclass diameterclass dbh"),
    _meaning(
        "trees",
        "trees",
        units={"perha": "ha", "ha": "ha", "perac": "acre", "ac": "acre", "peracre": "acre"},
        strict=True,
    ),
)
"""Meanings in a table of the target structure."""

CORRIDORS = (
    _meaning(
        "name",
        "corridor corridorname corridorid corridorno name trail trailname title label id no number",
    ),
    _WIDTH,
    _meaning("state", "state status condition type kind"),
)
"""Meanings in a layer of corridors."""

_AREA_NAME = _meaning("name", "name title label stream water landing id no number")
AREAS = (_AREA_NAME,)
"""Meanings in a layer of exclusions, landings, marked ground or the stand."""

FAILING_PATCHES = (_AREA_NAME, _meaning("priority", "priority risk urgency", strict=True))
"""Meanings in a layer of walked patches of failing trees."""

WALKED = (_meaning("group", f"{_GROUP_HEADERS} name label id no number"),)
"""Meanings in a layer of walked openings."""

_SIDE = _meaning("side", "side sides bank banks")
SETBACKS = (
    _AREA_NAME,
    _meaning("rule", "rule rules restriction", strict=True),
    _meaning(
        "minimum",
        "minimum min minimumba residual residualba residualbasalarea basalarea ba",
        units=_PER_AREA,
        strict=True,
    ),
    _meaning("distance", "distance dist width setback buffer", units=_LONG, strict=True),
    _SIDE,
)
"""Meanings in a layer of setbacks."""

HAZARDS = (
    _AREA_NAME,
    _meaning("keep_away", "keepaway distance dist clearance radius", units=_LONG, strict=True),
)
"""Meanings in a layer of hazards."""

WATER = (_AREA_NAME, _WIDTH, _SIDE)
"""Meanings in a layer of water."""

_PLOT_AREAS = {
    "ac": "acre", "acre": "acre", "acres": "acre", "ha": "ha", "m2": "m2", "sqm": "m2",
    "ft2": "ft2", "sqft": "ft2",
}  # fmt: skip
CRUISE = (
    _meaning("plot", "plot plotid plotno plotnumber point pointid pointno station"),
    _meaning("stratum", "stratum strata stand type"),
    _meaning("weight", "weight plotweight sharein inshare"),
    _meaning("baf", "baf basalareafactor factor", units=_PER_AREA, strict=True),
    _meaning("plot_area", "plotarea plotsize area", units=_PLOT_AREAS, strict=True),
    _meaning("plot_radius", "plotradius", units=_LONG, strict=True),
    _meaning("times", "times walkthroughtimes countedtimes"),
    _meaning("walkthrough", "walkthrough countedtwice twice double"),
    DBH,
    DBH_UNIT,
    SPECIES,
    PRODUCT,
    _meaning("count", f"{_COUNT_HEADERS} tally treesin intrees", strict=True),
    HEIGHT,
    LOGS,
    VOLUME,
    VOLUME_UNIT,
    DEFECT,
    CULL,
    CROWN_RADIUS,
    CROWN_WIDTH,
    LIVE_CROWN_RATIO,
    _meaning("is_marked", "ismarked marked markedtocut tobecut"),
    *_POSITION,
)
"""Meanings in a cruise: trees on sample plots."""

STUMPS = (
    _meaning("id", f"stumpid stumpno stumpnumber {_ID_HEADERS}"),
    COUNT,
    _meaning(
        "stump_diameter",
        "stumpdiameter stumpdiam diameterstump diameteratstump dsh stumpd stumpdia",
        units=LENGTHS,
        strict=True,
    ),
    _meaning(
        "breast_diameter",
        "dbh dbhob diameterbreastheight diameteratbreastheight breastheightdiameter d130",
        units=LENGTHS,
        strict=True,
    ),
    _meaning("diameter", "diameter diameters diam dia d", units=LENGTHS, strict=True),
    DBH_UNIT,
    SPECIES,
    PRODUCT,
    _meaning("stump_height", "stumpheight stumpht heightofstump", units=LENGTHS),
    _meaning(
        "low_mark",
        "lowmark lowpaint stumpmark stumppaint buttmark buttpaint markonstump paintonstump"
        " paintedstump",
    ),
    POSITION_ERROR,
    TIME,
    DATE,
    *_POSITION,
)
"""Meanings in a file of stumps."""

DRIVEN = (_meaning("name", "name machine vehicle title label track id no number"),)
"""Meanings in a file of driven lines."""

SAMPLED = (
    _meaning("name", "name plot strip plotid stripid unit title label id no number"),
    _WIDTH,
    _meaning("plot_area", "plotarea plotsize area", units=_PLOT_AREAS, strict=True),
    _meaning("plot_radius", "plotradius radius", units=_LONG, strict=True),
    *_POSITION,
)
"""Meanings in a file of places that were walked: plots or strips."""

_WOUND_AREAS = {
    spelled: unit
    for unit, spellings in {
        "cm2": "cm2 sqcm cmsq", "in2": "in2 sqin insq", "ft2": "ft2 sqft", "m2": "m2 sqm",
    }.items()
    for spelled in spellings.split()
}  # fmt: skip
DAMAGE = (
    _meaning("plot", "plot plotid plotno plotnumber point pointid pointno station"),
    ID,
    SPECIES,
    DBH,
    COUNT,
    _meaning("damaged", "damaged damage damagedtrees treesdamaged isdamaged injured"),
    _meaning(
        "wound_area", "woundarea woundsize wound scararea scarsize", units=_WOUND_AREAS, strict=True
    ),
    _meaning("wound_height", "woundheight woundht heightofwound scarheight", units=LENGTHS),
    _meaning("cause", "cause damagecause causeofdamage agent"),
    _meaning("root", "root roots rootdamage rootwound"),
    _meaning("crown", "crown crowndamage crownbroken brokentop topbroken"),
    _meaning("rut_depth", "rutdepth depthofrut", units=LENGTHS, strict=True),
    _meaning("rut_length", "rutlength lengthofrut", units=LENGTHS, strict=True),
    _meaning("regeneration", "regeneration regen seedlings saplings"),
    _meaning("bent", "bent bentregeneration bentregen regenbent bentseedlings bentsaplings"),
    _meaning(
        "corridor_distance",
        "corridordistance distancetocorridor corridordist traildistance distancetotrail",
        units=LENGTHS,
        strict=True,
    ),
    *_POSITION,
)
"""Meanings in a record of damage to what is left."""
