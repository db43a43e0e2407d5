"""Plug-ins: what is installed, and what is said of one that does not fit."""

import tomllib
from importlib.metadata import EntryPoint, entry_points
from pathlib import Path

import pytest

from glademark.errors import InputError, PluginError
from glademark.jobs.layout import (
    DELIVERABLES,
    LIMITS,
    chosen,
    installed_deliverables,
    installed_limits,
    load,
)
from glademark.judge.limits import Limit
from glademark.report.delivery import Deliverable

GROUP = "glademark.limits"
ROOT = Path(__file__).parents[1]


def point(name: str, value: str) -> EntryPoint:
    """Entry point that no package registers."""
    return EntryPoint(name=name, value=value, group=GROUP)


@pytest.mark.parametrize("group", [LIMITS, DELIVERABLES])
def test_everything_that_the_package_registers_is_installed(group: str) -> None:
    """What ships in the package registers as any other package's plug-ins do."""
    declared = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    expected = declared["project"]["entry-points"][group]
    found = {p.name: p.value for p in entry_points(group=group)}

    assert expected.items() <= found.items()


def test_ids_of_plug_ins_are_the_names_they_register_under() -> None:
    """A limit or writer is asked for under the name that it registers."""
    limits, writers = installed_limits(), installed_deliverables()

    assert {p.name for p in entry_points(group=LIMITS)} == set(limits)
    assert {p.name for p in entry_points(group=DELIVERABLES)} == set(writers)
    assert all(isinstance(limit, Limit) for limit in limits.values())
    assert all(isinstance(writer, Deliverable) for writer in writers.values())
    assert list(limits) == sorted(limits)


def test_no_two_writers_write_the_same_file() -> None:
    """Each file of the output has one writer."""
    files = [name for writer in installed_deliverables().values() for name in writer.files]

    assert len(set(files)) == len(files)


@pytest.mark.parametrize(
    ("value", "message"),
    [
        ("glademark.no_such_module:LIMIT", r"plug-in new of an unknown package does not load: No "),
        ("glademark.judge.openings:NOTHING", r"plug-in new of an unknown package does not load"),
        ("glademark.judge.openings:np", r"plug-in new of an unknown package is no Limit\. Update"),
    ],
)
def test_a_plug_in_that_does_not_fit_is_named(value: str, message: str) -> None:
    """A plug-in that is missing or of another kind is named, with what to do."""
    with pytest.raises(PluginError, match=message):
        load([point("new", value)], kind=Limit)


def test_two_plug_ins_with_one_id_are_refused() -> None:
    """Which of two limits of one name holds would be chance."""
    name = "opening_area_max"
    twice = [point(name, "glademark.judge.openings:AREA_MAX")] * 2

    with pytest.raises(PluginError, match=rf"plug-in {name} .*: the id is taken"):
        load(twice, kind=Limit)


def test_a_plug_in_registers_under_its_id() -> None:
    """A limit that registers under another name would not be found under the one that it says."""
    with pytest.raises(PluginError, match=r"plug-in one .*: its id is not 'one'\. Name them alike"):
        load([point("one", "glademark.judge.openings:AREA_MAX")], kind=Limit)


def test_what_is_loaded_cannot_be_changed() -> None:
    """A registry is read only."""
    limits = load([point("opening_area_max", "glademark.judge.openings:AREA_MAX")], kind=Limit)

    assert list(limits) == ["opening_area_max"]
    with pytest.raises(TypeError, match="does not support item assignment"):
        limits["another"] = limits["opening_area_max"]  # type: ignore[index]  # what is tried


def test_only_what_is_asked_for_is_loaded() -> None:
    """Writers that are not asked for are not even loaded: a command starts sooner."""
    assert set(installed_deliverables(["checks", "summary"])) == {"checks", "summary"}


def test_chosen_deliverables_always_hold_the_summary() -> None:
    """Whatever is asked for, the summary is made; the pack only where it is asked for."""
    every = installed_deliverables()

    assert set(chosen(every, ["checks"])) == {"checks", "summary"}
    assert chosen(every, []) == {name: one for name, one in every.items() if name != "pack"}
    assert set(chosen(every, ["pack"])) == {"pack", "summary"}


def test_deliverables_are_known_by_their_plain_names_too() -> None:
    """The GeoPackage and all tables can be asked for in words."""
    every = installed_deliverables()

    assert set(chosen(every, ["geopackage"])) == {"gpkg", "summary"}
    assert {"volume_by_zone", "checks", "openings", "extraction"} < set(chosen(every, ["tables"]))


def test_an_unknown_deliverable_is_refused() -> None:
    """Who asks for something that is not there hears what is."""
    with pytest.raises(
        InputError, match=r"no deliverable is called poster; expected some of .*gpkg"
    ):
        chosen(installed_deliverables(), ["checks", "poster"])
