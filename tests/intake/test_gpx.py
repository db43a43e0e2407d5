"""GPX files: waypoints with what was typed into their notes, tracks as lines."""

from collections.abc import Callable

import pytest
from pyproj import Transformer

from glademark.contracts.survey import Survey
from glademark.errors import InputError

Read = Callable[..., Survey]
TO_DEGREES = Transformer.from_crs(32616, 4326, always_xy=True)


def position(x: float, y: float) -> str:
    """Attributes of a point by its place in the stand [m]."""
    lon, lat = TO_DEGREES.transform(500_000 + x, 5_000_000 + y)
    return f'lat="{lat:.9f}" lon="{lon:.9f}"'


def document(*elements: str, version: str = "1/1", root: str = "gpx") -> str:
    """A GPX document."""
    space = f'xmlns="http://www.topografix.com/GPX/{version}"'
    return f'<?xml version="1.0"?><{root} {space} xmlns:f="urn:f">{"".join(elements)}</{root}>'


def waypoint(inner: str, x: float = 50, y: float = 50) -> str:
    """A waypoint in the stand."""
    return f"<wpt {position(x, y)}>{inner}</wpt>"


def track(*points: tuple[float, float], name: str = "A") -> str:
    """A track of one segment."""
    inner = "".join(f"<trkpt {position(*point)}/>" for point in points)
    return f"<trk><name>{name}</name><trkseg>{inner}</trkseg></trk>"


@pytest.mark.parametrize("version", ["1/0", "1/1"])
@pytest.mark.parametrize(
    "inner",
    [
        "<name>7</name><desc>dbh=14.2 in; spp=RM; paint=pink</desc>",
        "<name>7</name><cmt>DBH (in): 14.2, species: RM, colour: pink</cmt>",
        "<name>7</name><cmt>RM|14.2 in|spp: RM|paint: pink</cmt>",
        "<name>7</name><desc>DBH 14.2 in\nspp = RM\npaint = pink</desc>",
        (
            "<name>7</name><extensions><f:mark><f:dbh_in>14.2</f:dbh_in><f:spp>RM</f:spp>"
            "<f:paint>pink</f:paint></f:mark></extensions>"
        ),
    ],
)
def test_what_was_typed_into_a_waypoint_is_read(
    survey: Read, text: Callable[..., str], version: str, inner: str
) -> None:
    """Name, comment, description and extensions may each hold the tree."""
    marks = survey(text("m.gpx", document(waypoint(inner), version=version))).marks

    assert marks[["tree_id", "dbh", "dbh_unit", "species", "paint"]].iloc[0].tolist() == [
        "7", 14.2, "in", "RM", "pink",
    ]  # fmt: skip
    assert marks.geometry.iloc[0].distance(marks.geometry.iloc[0].__class__(500050, 5000050)) < 1e-3


def test_a_waypoint_without_a_position_is_rejected(survey: Read, text: Callable[..., str]) -> None:
    """It is counted, where other readers drop it in silence."""
    lost = '<wpt lon="-87.0"><name>8</name><desc>dbh=12in</desc></wpt>'
    result = survey(text("m.gpx", document(waypoint("<desc>dbh=12in</desc>"), lost)))

    assert [(c.read, c.used, c.rejected) for c in result.counts if c.input == "marks"] == [
        (2, 1, 1)
    ]
    assert result.rejected["reason"].item().startswith("it has no position")


def test_notes_that_say_nothing_stay_as_they_are(survey: Read, text: Callable[..., str]) -> None:
    """Free text is kept, not interpreted."""
    marks = survey(
        text("m.gpx", document(waypoint("<cmt>near the old wall, take: yes</cmt>")))
    ).marks

    assert marks["cmt"].item() == "near the old wall, take: yes"


def test_tracks_and_routes_are_corridors(survey: Read, text: Callable[..., str]) -> None:
    """A walked centre line is a corridor; waypoints in the same file are not."""
    route = f"<rte><name>B</name><rtept {position(0, 90)}/><rtept {position(200, 90)}/></rte>"
    single = f"<trk><name>C</name><trkseg><trkpt {position(5, 5)}/></trkseg></trk>"
    content = document(waypoint(""), track((20, 0), (20, 200)), route, single)
    result = survey(inputs={"corridors": text("c.gpx", content)})

    assert result.corridors["corridor"].tolist() == ["A", "B"]
    assert result.corridors.length.tolist() == pytest.approx([200, 200], abs=1e-3)
    assert result.rejected["reason"].tolist() == [
        "it has no position; measure it again or leave it out"
    ]


def test_a_walked_track_that_comes_back_is_an_opening(
    survey: Read, text: Callable[..., str]
) -> None:
    """Its ends meet within the position error, and that is told."""
    walk = track((50, 50), (90, 50), (90, 90), (50, 90), (51, 51), name="3")
    result = survey(inputs={"openings": text("w.gpx", document(walk))})

    assert result.walked["group"].tolist() == ["3"]
    assert result.walked.area.item() == pytest.approx(1580, abs=0.5)
    assert any("1 closed line read as the area inside" in notice for notice in result.notices)


@pytest.mark.parametrize(
    ("content", "what"),
    [
        (document(), "there are no waypoints in it"),
        (document()[:-8], "the document is damaged"),
        (
            '<!DOCTYPE gpx [<!ENTITY a "b">]>' + document(waypoint("")).split("?>")[1],
            "declares entities or a document type",
        ),
        (document(waypoint(f"<desc>{'x' * (2**20 + 1)}</desc>")), "more than 1 MiB of text"),
    ],
)
def test_an_unsafe_or_empty_document_is_refused(
    survey: Read, text: Callable[..., str], content: str, what: str
) -> None:
    """Nothing that a document points to is followed."""
    with pytest.raises(InputError, match=rf"m\.gpx: .*{what}"):
        survey(text("m.gpx", content))


def test_no_tracks_is_a_refusal_where_lines_are_asked(
    survey: Read, text: Callable[..., str]
) -> None:
    """Waypoints along a corridor are no corridor."""
    with pytest.raises(InputError, match="no tracks and no routes"):
        survey(inputs={"corridors": text("c.gpx", document(waypoint("")))})


def test_a_track_runs_where_it_was_walked(survey: Read, text: Callable[..., str]) -> None:
    """Latitude is north and longitude east in tracks as well: from (20, 30) to (20, 130)."""
    points = "".join(f"<trkpt {position(20, y)}/>" for y in (30, 80, 130))
    name = text("lane.gpx", document(f"<trk><trkseg>{points}</trkseg></trk>"))

    corridors = survey(inputs={"corridors": name}).corridors

    west, south, east, north = corridors.total_bounds
    assert [west, south, east, north] == pytest.approx(
        [500_020, 5_000_030, 500_020, 5_000_130], abs=0.01
    )
