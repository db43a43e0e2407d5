"""A writer that fails is named, and takes no other file with it."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from glademark.errors import OutputError
from glademark.export.output import Delivered, deliver
from glademark.jobs.layout import installed_deliverables
from glademark.report.delivery import FIELD_PAPERS, Deliverable, Delivery

IDS = ("gpkg", *FIELD_PAPERS, "geojson", "summary")
NAMES = {**{name: f"layout.{name}" for name in IDS}, "summary": "summary.json"}
Write = Callable[[Delivery, Path], None]


def writing(name: str, word: str = "new") -> Deliverable:
    """A deliverable of one file, which holds a word."""

    def write(_: Delivery, folder: Path) -> None:
        (folder / NAMES[name]).write_text(word)

    return Deliverable(id=name, title=f"The {name}", files=(NAMES[name],), write=write)


def crossed(_: Delivery, folder: Path) -> None:
    """Fail as a writer does that meets a crossed outline, half of its work done."""
    (folder / "half").write_text("half")
    msg = "side location\nconflict"
    raise RuntimeError(msg)


def contents(folder: Path) -> dict[str, str]:
    """Every file of a folder but the list of them."""
    return {
        path.name: path.read_text() for path in folder.iterdir() if path.name != "manifest.json"
    }


@pytest.fixture
def folder(tmp_path: Path, delivery: Delivery) -> Path:
    """An output folder with all files of an earlier run, and one of the user's own."""
    folder = tmp_path / "out"
    deliver(delivery, folder, {name: writing(name, "old") for name in IDS})
    (folder / "notes.txt").write_text("old")
    return folder


@pytest.fixture
def delivered(delivery: Delivery, folder: Path) -> Callable[..., Delivered]:
    """A run in which some writers do other things than they should."""

    def run(**wrong: Write) -> Delivered:
        asked = {name: writing(name) for name in IDS}
        for name, write in wrong.items():
            asked[name] = replace(asked[name], write=write)
        return deliver(delivery, folder, asked)

    return run


def test_other_files_are_delivered(delivered: Callable[..., Delivered], folder: Path) -> None:
    """All but the file that failed are new, nothing old or half stands in for it."""
    found = delivered(geojson=crossed)

    told = (
        "missing: layout.geojson. The geojson could not be made "
        "(RuntimeError: side location\\nconflict); -vv shows where."
    )
    assert [str(one) for one in found.missing] == [told]
    rest = set(NAMES.values()) - {"layout.geojson"}
    assert {path.name for path in found.files} == rest
    assert found.files[-1].name == "summary.json"
    assert contents(folder) == {**dict.fromkeys(rest, "new"), "notes.txt": "old"}
    assert [path.name for path in folder.parent.iterdir()] == ["out"]


@pytest.mark.parametrize("failed", FIELD_PAPERS)
def test_field_papers_come_together(
    delivered: Callable[..., Delivered], folder: Path, failed: str
) -> None:
    """Where one field paper fails the crew gets none, and no old one stands beside new layers."""
    found = delivered(**{failed: crossed})

    assert {name for one in found.missing for name in one.files} == {
        NAMES[name] for name in FIELD_PAPERS
    }
    words = f"Field papers are handed over together, and one failed: The {failed}."
    assert sum(one.reason == words for one in found.missing) == len(FIELD_PAPERS) - 1
    assert sorted(contents(folder)) == [
        "layout.geojson", "layout.gpkg", "notes.txt", "summary.json",
    ]  # fmt: skip


def test_field_papers_are_those_of_the_package() -> None:
    """Every id of a field paper is that of a deliverable."""
    assert set(FIELD_PAPERS) <= set(installed_deliverables())


def test_other_files_than_declared(delivered: Callable[..., Delivered], folder: Path) -> None:
    """A writer of other files than it declares is named; it cannot change those of others."""

    def overwrite(_: Delivery, place: Path) -> None:
        (place / NAMES["gpkg"]).write_text("of another")

    found = delivered(geojson=overwrite)

    told = "deliverable geojson wrote layout.gpkg; expected layout.geojson. Mend or remove"
    assert [one.reason for one in found.missing] == [f"{told} the plug-in."]
    assert contents(folder)["layout.gpkg"] == "new"
    assert "layout.geojson" not in contents(folder)


def test_unsure_whether_wanted(delivery: Delivery, folder: Path) -> None:
    """A deliverable that fails to say whether there is anything for it is tried."""

    def unsure(_: Delivery) -> bool:
        raise LookupError

    asked = {name: replace(writing(name), wanted=unsure) for name in IDS}

    assert len(deliver(delivery, folder, asked).files) == len(IDS)


def test_nothing_could_be_made(delivered: Callable[..., Delivered], folder: Path) -> None:
    """Where every writer fails, what stood there is unchanged."""
    before = contents(folder)

    with pytest.raises(OutputError, match=r"no file could be made; .* unchanged\. The gpkg could"):
        delivered(**dict.fromkeys(IDS, crossed))

    assert contents(folder) == before


def test_old_files_come_back(
    delivered: Callable[..., Delivered], folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A run that is broken off while it moves puts back also what it had taken away."""
    before, move = contents(folder), Path.replace

    def broken_off(self: Path, target: Path) -> Path:
        if target.name == "summary.json" and target.parent == folder and self.parent.name == "new":
            raise KeyboardInterrupt
        return move(self, target)

    monkeypatch.setattr(Path, "replace", broken_off)

    with pytest.raises(KeyboardInterrupt):
        delivered(geojson=crossed)

    assert contents(folder) == before
