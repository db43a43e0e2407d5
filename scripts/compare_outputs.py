"""
Two output folders of the same projects, compared file by file: ``compare_outputs.py BEFORE AFTER``.

Numbers must be equal to a relative 1e-9; words must be equal but for those renamed in WORDS (a JSON
file of [old, new] pairs, --words FILE). Layers are compared as tables, pictures by their pixels,
printed pages by their text, archives by their members. Exit code 1 where anything differs.
"""

import argparse
import io
import json
import math
import re
import sqlite3
import sys
import zipfile
from collections.abc import Callable, Iterator
from contextlib import closing
from itertools import zip_longest
from pathlib import Path

RELATIVE = 1e-9
NUMBER = re.compile(r"(?<![A-Za-z0-9_])[-\u2212]?\d[\d,]*(?:\.\d+)?(?:[eE][-+]?\d+)?")

Words = list[tuple[str, str]]


def main() -> int:
    """Exit code: 0 where both folders hold the same."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("before", type=Path)
    parser.add_argument("after", type=Path)
    parser.add_argument("--words", type=Path, help="JSON list of [old, new] pairs")
    parser.add_argument("--most", type=int, default=5, help="differences shown of each file")
    asked = parser.parse_args()
    words = [(old, new) for old, new in json.loads(asked.words.read_text())] if asked.words else []
    count = 0
    for name, differences in compared(asked.before, asked.after, words):
        found = list(differences)
        count += len(found)
        if found:
            print(f"{name}: {len(found)} differences")
            for line in found[: asked.most]:
                print(f"    {line}")
    print(f"{count} differences" if count else "no difference")
    return 1 if count else 0


def compared(before: Path, after: Path, words: Words) -> Iterator[tuple[str, Iterator[str]]]:
    """Each file under its name afterwards, with what differs."""
    old = {renamed(str(p.relative_to(before)), words): p for p in before.rglob("*") if p.is_file()}
    new = {str(p.relative_to(after)): p for p in after.rglob("*") if p.is_file()}
    for name in sorted(old.keys() | new.keys()):
        if name not in new or name not in old:
            yield name, iter(["is new" if name in new else "is gone"])
            continue
        yield name, file_differences(name, old[name].read_bytes(), new[name].read_bytes(), words)


def renamed(text: str, words: Words) -> str:
    """A text in today's words."""
    for old, new in words:
        text = text.replace(old, new)
    return text


def file_differences(name: str, old: bytes, new: bytes, words: Words) -> Iterator[str]:
    """What differs between two files of one name."""
    if old == new:
        return
    suffix = Path(name).suffix
    if suffix in {".zip", ".xlsx"}:
        yield from archive_differences(old, new, words)
        return
    readers: dict[str, Callable[[bytes], list[str]]] = {
        ".gpkg": database_lines,
        ".pdf": printed_lines,
        ".png": picture_lines,
    }
    read = readers.get(suffix, text_lines)
    yield from line_differences(read(old), read(new), words)


def archive_differences(old: bytes, new: bytes, words: Words) -> Iterator[str]:
    """What differs between the members of two archives."""
    with zipfile.ZipFile(io.BytesIO(old)) as one, zipfile.ZipFile(io.BytesIO(new)) as other:
        before = {renamed(name, words): name for name in one.namelist()}
        for name in sorted(before.keys() | set(other.namelist())):
            if name not in before or name not in other.namelist():
                yield f"{name}: is {'gone' if name in before else 'new'}"
                continue
            member = one.read(before[name]), other.read(name)
            for line in file_differences(name, *member, words):
                yield f"{name}: {line}"


def line_differences(old: list[str], new: list[str], words: Words) -> Iterator[str]:
    """What differs between two lists of lines."""
    for was, now in zip_longest((renamed(line, words) for line in old), new):
        if was is None or now is None:
            yield f"only {'after' if was is None else 'before'}: {(was or now or '')[:150]}"
        elif not is_same(was, now):
            yield f"{excerpt(was, now)} -> {excerpt(now, was)}"


def excerpt(line: str, other: str) -> str:
    """The part of a line around the first difference to another."""
    at = next((i for i, (a, b) in enumerate(zip(line, other, strict=False)) if a != b), 0)
    return repr(line[max(0, at - 40) : at + 80])


def is_same(was: str, now: str) -> bool:
    """Whether two lines hold the same words, and numbers that are equal but for the last digits."""
    if was == now:
        return True
    if NUMBER.sub("#", was) != NUMBER.sub("#", now):
        return False
    pairs = zip(NUMBER.findall(was), NUMBER.findall(now), strict=True)
    return all(
        a == b or math.isclose(number(a), number(b), rel_tol=RELATIVE, abs_tol=1e-9)
        for a, b in pairs
    )


def number(text: str) -> float:
    """A number as it is printed, with commas between thousands."""
    return float(text.replace(",", "").replace("\u2212", "-"))


def text_lines(content: bytes) -> list[str]:
    """Lines of a text file; long ones are cut where a tag or an object ends."""
    text = content.decode("utf-8-sig", "replace")
    return re.sub(r"(\}|>|\],)", r"\1\n", text).splitlines()


def database_lines(content: bytes) -> list[str]:
    """Every table of a database, a line each row; geometry as rounded coordinates."""
    import shapely  # noqa: PLC0415 - only for layers

    lines = []
    with closing(sqlite3.connect(":memory:")) as database:
        database.deserialize(content)
        names = database.execute(
            "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'rtree%' "
            "AND name NOT LIKE 'sqlite%' ORDER BY name"
        )
        for (name,) in names.fetchall():
            quoted = name.replace('"', '""')
            rows = database.execute(f'SELECT * FROM "{quoted}"')  # noqa: S608 - quoted
            columns = [column[0] for column in rows.description]
            lines.append(f"{name}: {columns}")
            for row in rows:
                values = [
                    shapely.to_wkt(shapely.from_wkb(value[header_length(value) :]))
                    if isinstance(value, bytes) and value[:2] == b"GP"
                    else value
                    for value in row
                ]
                lines.append(f"{name}: {values}")
    return lines


def header_length(blob: bytes) -> int:
    """Length of a GeoPackage geometry header (GeoPackage 1.3, clause 2.1.3)."""
    envelopes = (0, 32, 48, 48, 64)
    return 8 + envelopes[blob[3] >> 1 & 7]


def printed_lines(content: bytes) -> list[str]:
    """Text of printed pages."""
    import pypdf  # noqa: PLC0415 - only for printed pages

    pages = pypdf.PdfReader(io.BytesIO(content)).pages
    return [line for page in pages for line in page.extract_text().splitlines()]


def picture_lines(content: bytes) -> list[str]:
    """Size and pixels of a picture."""
    from matplotlib.image import imread  # noqa: PLC0415 - only for pictures

    picture = imread(io.BytesIO(content))
    return [f"{picture.shape} {hash(picture.tobytes())}"]


if __name__ == "__main__":
    sys.exit(main())
