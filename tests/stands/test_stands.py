"""Many stands in one run."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pyogrio
import pytest
from rich.console import Console

from glademark.errors import InputError
from glademark.jobs.layout import lay_out
from glademark.jobs.stands import StandsOutcome, lay_out_stands
from glademark.report.terminal.layout import print_stands

if TYPE_CHECKING:
    from pathlib import Path

    from tests.stands.conftest import Ownership

NAMES = ["North 1", "North 2", "7"]


@pytest.mark.parametrize("name", NAMES)
def test_a_stand_among_many_is_what_it_is_alone(
    name: str, ownership: Ownership, together: tuple[Path, StandsOutcome], tmp_path: Path
) -> None:
    """
    A stand gives the same tables whether it is laid out alone or among its neighbours.

    Its group reaches to the edge that it shares with the next stand, whose group has the same name.
    """
    project = ownership.of(name).write(tmp_path / "in")
    alone = lay_out(project, out=tmp_path / "out", only=("checks", "openings", "volume_by_zone"))

    assert alone.files
    for table in ("checks", "openings", "volume_by_zone"):
        one = pd.read_csv(tmp_path / "out" / f"{table}.csv")
        many = pd.read_csv(together[0] / f"{table}.csv", dtype={"stand_id": "str"})
        mine = many[many["stand_id"] == name].drop(columns="stand_id").reset_index(drop=True)
        pd.testing.assert_frame_equal(mine, one, check_dtype=False, rtol=1e-9)


def test_strings_of_pyarrow_change_no_byte(
    together: tuple[Path, StandsOutcome], tmp_path: Path
) -> None:
    """Text held by pyarrow, as in a process of its own, gives the files of text held by Python."""
    pytest.importorskip("pyarrow")
    out, project = together[0], together[0].parent / "in" / "harvest.toml"

    with pd.option_context("mode.string_storage", "pyarrow"):
        lay_out_stands(project, out=tmp_path)

    assert {path.name for path in tmp_path.iterdir()} == {path.name for path in out.iterdir()}
    for path in (path for path in out.rglob("*") if path.is_file()):
        assert (tmp_path / path.relative_to(out)).read_bytes() == path.read_bytes(), path.name


def test_every_layer_names_the_stand_first(together: tuple[Path, StandsOutcome]) -> None:
    """The first column of every layer and table is the stand."""
    names = [name for name, _ in pyogrio.list_layers(together[0] / "layout.gpkg")]

    assert {"stand", "corridors", "openings", "zones", "marks", "stands", "checks"} <= set(names)
    for name in set(names) - {"layer_styles"}:
        assert pyogrio.read_info(together[0] / "layout.gpkg", layer=name)["fields"][0] == "stand_id"


def test_the_table_of_stands_adds_up(together: tuple[Path, StandsOutcome]) -> None:
    """Four hectares each: 200 m by 200 m; corridors 4 m by 200 m, 2 % of the stand."""
    stands = pd.read_csv(together[0] / "stands.csv", dtype={"stand_id": "str"})

    assert stands["stand_id"].tolist() == NAMES
    assert stands["area_m2"].to_numpy() == pytest.approx(40_000.0)
    assert stands["corridor_m2"].to_numpy() == pytest.approx(800.0)
    assert stands["trees"].tolist() == [60, 60, 60]


def test_the_summary_has_every_stand(together: tuple[Path, StandsOutcome]) -> None:
    """The summary holds the figures of each stand, and the inputs once."""
    summary = json.loads((together[0] / "summary.json").read_text(encoding="utf-8"))

    assert list(summary["stands"]) == NAMES
    assert [one["read"] for one in summary["provenance"]["inputs"]] == [3, 3, 180]


def test_a_stand_that_fails_does_not_stop_the_others(ownership: Ownership, tmp_path: Path) -> None:
    """A stand whose trees all lie far away is refused by name; the others are laid out."""
    marks = ownership.marks.copy()
    marks.loc[marks["stand_id"] == "7", "x"] += 50_000
    broken = replace(ownership, marks=marks)

    outcome = lay_out_stands(broken.write(tmp_path / "in", column="stand_id"), out=tmp_path / "out")

    assert list(outcome.summary["stands"]) == ["North 1", "North 2"]
    assert list(outcome.summary["refused"]) == ["7"]
    stands = pd.read_csv(tmp_path / "out" / "stands.csv").set_index("stand_id")
    assert stands["outcome"].to_dict()["7"] == "refused"


def test_a_stand_needs_no_record_in_every_file(ownership: Ownership, tmp_path: Path) -> None:
    """Of stands of which one has a landing and another no corridor, all are laid out."""
    lines = ownership.corridors
    some = replace(ownership, corridors=lines[lines["stand_id"] != "North 2"])
    project = some.write(tmp_path / "in", column="stand_id")
    home = ownership.stand[ownership.stand["stand_id"] == "7"]
    corner = home.geometry.iloc[0].centroid.buffer(5)
    landing = home.set_geometry([corner]).assign(name="L")[["stand_id", "name", "geometry"]]
    landing.to_file(tmp_path / "in" / "landings.gpkg")
    text = project.read_text(encoding="utf-8")
    given = text.replace("[corridors]", 'landings = "landings.gpkg"\n\n[corridors]', 1)
    project.write_text(given, encoding="utf-8")

    outcome = lay_out_stands(project, out=tmp_path / "out")

    stands = outcome.summary["stands"]
    assert list(stands) == NAMES
    assert stands["North 2"]["corridors"]["share"] == 0
    assert any("No corridors" in notice for notice in stands["North 2"]["notices"])
    assert stands["7"]["zones"]["landing"]["area_m2"] > 0
    assert stands["North 1"]["zones"]["landing"]["area_m2"] == 0


def test_records_of_no_stand_are_rejected(ownership: Ownership, tmp_path: Path) -> None:
    """A mark that names no stand, or one without a boundary, is rejected with the reason."""
    marks = ownership.marks.copy()
    marks.loc[[0, 100], "stand_id"] = ["", "North 9"]
    strays = replace(ownership, marks=marks)

    lay_out_stands(strays.write(tmp_path / "in", column="stand_id"), out=tmp_path / "out")

    aside = pd.read_csv(tmp_path / "out" / "rejected.csv")
    assert aside["record"].tolist() == [2, 102]
    assert aside["reason"].tolist() == [
        "it does not name its stand",
        "no stand is called 'North 9'",
    ]


def test_inputs_without_the_column_are_refused(ownership: Ownership, tmp_path: Path) -> None:
    """Where stands are told apart, every mark and corridor must say whose it is."""
    bare = replace(
        ownership,
        corridors=ownership.corridors.drop(columns="stand_id"),
        marks=ownership.marks.drop(columns="stand_id"),
    )

    with pytest.raises(InputError, match=r"(?s)corridors.gpkg: no column.*marks.csv: no column"):
        lay_out_stands(bare.write(tmp_path / "in", column="stand_id"), out=tmp_path / "out")


def test_no_stand_at_all_is_a_refusal(ownership: Ownership, tmp_path: Path) -> None:
    """Where every stand is refused, the run is, with each reason."""
    away = ownership.marks.assign(x=ownership.marks["x"] + 90_000)
    broken = replace(ownership, marks=away)

    with pytest.raises(InputError, match=r"stand North 1, North 2, 7: .* outside the stand"):
        lay_out_stands(broken.write(tmp_path / "in", column="stand_id"), out=tmp_path / "out")


def test_unconfirmed_trees_are_told_by_stand(ownership: Ownership, tmp_path: Path) -> None:
    """Five trees of the group of one stand have no paint: that stand alone has a second figure."""
    marks = ownership.marks.copy()
    rows = marks.index[marks["stand_id"] == "7"][:5]
    marks.loc[rows, "paint"] = ""
    project = replace(ownership, marks=marks).write(tmp_path / "in", column="stand_id")
    lay_out_stands(project, out=tmp_path / "out", only=("openings", "stands"))

    stands = pd.read_csv(tmp_path / "out" / "stands.csv", dtype={"stand_id": "str"})
    openings = pd.read_csv(tmp_path / "out" / "openings.csv", dtype={"stand_id": "str"})
    tagged = openings[openings["opening"] == 1].set_index("stand_id")
    beside = tagged["area_with_unconfirmed_m2"]

    assert stands["unconfirmed"].tolist() == [0, 0, 5]
    assert beside.isna().tolist() == [True, True, False]
    assert beside["7"] > tagged["area_m2"]["7"]


def _with_volumes(ownership: Ownership, folder: Path) -> Path:
    """
    Project of two stands with recorded volumes and a paper tally.

    0.5 m3 of each sawlog, of the first sawlog of the second stand nothing; nothing of pulpwood.
    """
    names = NAMES[:2]
    marks = ownership.marks[ownership.marks["stand_id"].isin(names)].copy()
    sawlog = marks["product"] == "sawlog"
    first = marks.index[sawlog & (marks["stand_id"] == names[1])][0]
    marks["volume"], marks["unit"] = np.where(sawlog, 0.5, np.nan), np.where(sawlog, "m3", "")
    marks.loc[first, ["volume", "unit"]] = [np.nan, ""]
    of_two = {key: frame[frame["stand_id"].isin(names)] for key, frame in vars(ownership).items()}
    project = replace(ownership, **{**of_two, "marks": marks}).write(folder, column="stand_id")
    tally = "stand_id,zone,product,dbh_cm,count,volume,unit\nNorth 1,matrix,sawlog,30,7,3.5,m3\n"
    (folder / "tally.csv").write_text(tally, encoding="utf-8")
    text = project.read_text(encoding="utf-8").replace("[inputs]", '[inputs]\ntally = "tally.csv"')
    products = "[volume.products]\nsawlog = {unit = 'm3'}\npulpwood = {unit = 'cord'}\n"
    project.write_text(text + products, encoding="utf-8")
    return project


def test_volume_by_product_of_each_stand_and_of_all(ownership: Ownership, tmp_path: Path) -> None:
    """Terminal, table and summary show the volume of each stand and of all, paper tally too."""
    project = _with_volumes(ownership, tmp_path / "in")
    outcome = lay_out_stands(project, out=tmp_path / "out", only=["stands", "summary"])
    stands = pd.read_csv(tmp_path / "out" / "stands.csv", dtype={"stand_id": "str"})
    marks = ownership.marks[ownership.marks["product"] == "sawlog"]
    sawlogs = [int((marks["stand_id"] == name).sum()) for name in NAMES[:2]]
    nets = [sawlogs[0] * 0.5 + 3.5, (sawlogs[1] - 1) * 0.5]
    screen = io.StringIO()
    rows = [stand.row for stand in outcome.stands]
    print_stands(rows, Console(file=screen, width=120), heading=outcome.project.heading, files=())
    said = " ".join(screen.getvalue().split())
    every = outcome.summary["volume"]["by_product"]

    assert stands["trees"].tolist() == [67, 60]
    assert stands["trees_without"].tolist() == [60 - sawlogs[0], 60 - sawlogs[1] + 1]
    assert stands["volume"].tolist() == [
        f"pulpwood not computed; sawlog {nets[0]:.1f} m3",
        f"pulpwood not computed; sawlog at least {nets[1]:.1f} m3",
    ]
    assert every["sawlog"]["net"] == pytest.approx(sum(nets))
    assert every["sawlog"]["trees"] == sum(sawlogs) + 7
    assert (every["sawlog"]["trees_without"], every["pulpwood"]["net"]) == (1, None)
    assert f"all stands not computed at least {sum(nets):.1f}" in said
    assert f"sawlog: 1 of {sum(sawlogs) + 7} trees without a volume" in said


def test_the_edition_that_is_replaced_is_named(ownership: Ownership, tmp_path: Path) -> None:
    """Another width of corridors makes another edition of all stands, which names the first."""
    project = ownership.write(tmp_path / "in", column="stand_id")
    text = project.read_text(encoding="utf-8")
    said = []
    for width in ("4 m", "5 m", "5 m"):
        project.write_text(text.replace('width = "4 m"', f'width = "{width}"'), encoding="utf-8")
        lay_out_stands(project, out=tmp_path / "out", only=["summary"])
        summary = json.loads((tmp_path / "out" / "summary.json").read_text("utf-8"))
        said.append(summary["provenance"])

    assert "replaces" not in said[0]
    assert said[1]["edition"] != said[0]["edition"]
    assert said[1]["replaces"] == said[2]["replaces"] == said[0]["edition"]
