"""What an earlier output in the same folder says of its inputs."""

import json
from pathlib import Path

import pytest

from glademark.contracts.survey import InputCount
from glademark.export.manifest import changed_inputs


def count(name: str, file: str, sha256: str) -> InputCount:
    """One input."""
    return InputCount(input=name, file=file, sha256=sha256, read=1, used=1, rejected=0)


def earlier(folder: Path, *inputs: tuple[str, str, str]) -> None:
    """Write the summary of an earlier output."""
    rows = [dict(zip(("input", "file", "sha256"), one, strict=True)) for one in inputs]
    text = json.dumps({"provenance": {"inputs": rows}})
    (folder / "summary.json").write_text(text, encoding="utf-8")


def test_changed_new_and_gone_inputs_are_told(tmp_path: Path) -> None:
    """Who lays out again learns on which files the difference rests."""
    earlier(tmp_path, ("stand", "s.gpkg", "a"), ("marks", "m.csv", "b"), ("tally", "t.csv", "c"))
    now = [count("stand", "s.gpkg", "a"), count("marks", "m.csv", "x"), count("water", "w", "d")]

    assert changed_inputs(tmp_path, now) == (
        "m.csv (marks) has changed since the last output in this folder.",
        "w (water) is new since the last output in this folder.",
        "t.csv (tally) is no longer an input since the last output in this folder.",
    )


def test_equal_inputs_are_not_worth_a_word(tmp_path: Path) -> None:
    """Nothing is said where nothing changed."""
    earlier(tmp_path, ("stand", "s.gpkg", "a"))

    assert changed_inputs(tmp_path, [count("stand", "s.gpkg", "a")]) == ()


@pytest.mark.parametrize("content", [b"", b"{", b"[]", b'{"provenance": {"inputs": 3}}', b"\xff"])
def test_a_summary_of_another_kind_says_nothing(tmp_path: Path, content: bytes) -> None:
    """A file that only has the name of a summary does no harm."""
    (tmp_path / "summary.json").write_bytes(content)

    assert changed_inputs(tmp_path, [count("stand", "s.gpkg", "a")]) == ()


def test_text_from_an_earlier_summary_cannot_steer_a_terminal(tmp_path: Path) -> None:
    """The folder may have come from anywhere."""
    earlier(tmp_path, ("stand", "s\x1b[2J.gpkg", "a"))

    told = changed_inputs(tmp_path, [])

    assert "s\\x1b[2J.gpkg" in told[0]
