"""
Numbers and verdict words read back from the papers of an output folder, held against its tables.

Run as ``check_papers.py FOLDER ...``. What a run printed on the terminal is read from
``terminal.txt`` in the folder where that file is there. Exit code 1 where anything disagrees.
"""

from __future__ import annotations

import argparse
import json
import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import lxml.etree
import lxml.html
import openpyxl
import pandas as pd
import pypdf

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

SIZES = {
    "acre": 4046.8564224, "acres": 4046.8564224, "ha": 10_000.0, "ft2": 0.09290304,
    "ft²": 0.09290304, "m2": 1.0, "m²": 1.0, "ft": 0.3048, "m": 1.0, "%": 0.01, "": 1.0,
}  # fmt: skip
A = r"(-|-?[\d,]+(?:\.\d+)?(?: (?:acres?|ha|ft2|ft²|m2|m²|ft|m|%)(?![\w/]))?)"
"""Pattern of an amount with or without its unit."""
FIELD_PAPERS = (
    "field_guide.pdf", "layout_map.pdf", "layout.gpx", "layout.kml", "layout.geojson",
)  # fmt: skip
SAY_ALL = (*FIELD_PAPERS, "review.html", "layout.xlsx", "terminal.txt")
MORE = ("damage_form.pdf", "residual_stand.pdf")
"""Papers without a figure of the summary that say their edition all the same."""
SPECIAL = {
    "danger_trees": FIELD_PAPERS,
    "line_trees": (*FIELD_PAPERS, "stump_check.pdf"),
    "unconfirmed_trees": ("field_guide.pdf", "stump_check.pdf", *FIELD_PAPERS[2:]),
}
"""Papers that have to show each tree of these layers by its label."""


class Claim(NamedTuple):
    """What a paper says: a pattern of amounts, and the keys of ``summary.json`` that hold them."""

    paper: str
    pattern: str
    keys: tuple[str, ...]
    when: str = "stand.area_m2"  # said only where this is above zero


CLAIMS = (
    Claim("filing_figures.pdf", rf"Area, gross {A}", ("stand.area_m2",)),
    Claim("filing_figures.pdf", rf"less exclusions {A}", ("stand.operable_m2",)),
    Claim("filing_figures.pdf", rf"Trees to cut {A} with a position, {A} counted on paper",
          ("marks.trees", "marks.not_located")),
    Claim("filing_figures.pdf", rf"to the edge {A}: {A} of the stand",
          ("openings.area_m2", "openings.share"), "openings.count"),
    Claim("filing_figures.pdf", rf"Largest opening {A}", ("openings.largest_m2",),
          "openings.count"),
    Claim("filing_figures.pdf", rf"corridors at it included {A}",
          ("openings.combined_largest_m2",), "openings.count"),
    Claim("filing_figures.pdf", rf"length in the stand {A}", ("corridors.length_m",),
          "corridors.length_m"),
    Claim("filing_figures.pdf", rf"Corridors, area {A}: {A} of the stand",
          ("corridors.area_m2", "corridors.share"), "corridors.length_m"),
    Claim("layout_map.pdf", rf"Stand {A} Operable {A}", ("stand.area_m2", "stand.operable_m2")),
    Claim("layout_map.pdf", rf"Corridors {A}, {A}, {A} of the stand",
          ("corridors.length_m", "corridors.area_m2", "corridors.share"), "corridors.length_m"),
    Claim("layout_map.pdf", rf"Openings {A}, {A}, {A} of the stand; largest {A}",
          ("openings.count", "openings.area_m2", "openings.share", "openings.largest_m2"),
          "openings.count"),
    Claim("layout_map.pdf", rf"Trees to cut {A} on the map", ("marks.trees",)),
    Claim("layout_map.pdf", rf"not located \(paper tally\) {A}", ("marks.not_located",)),
    Claim("layout_map.pdf", rf"Danger trees {A}", ("marks.danger_trees",)),
    Claim("review.html", rf"Stand {A} {A} operable", ("stand.area_m2", "stand.operable_m2")),
    Claim("review.html", rf"Corridors {A} of the stand; {A} of the operable area; {A}, {A} long",
          ("corridors.share", "corridors.share_operable", "corridors.area_m2",
           "corridors.length_m"), "corridors.length_m"),
    Claim("review.html", rf"Group openings {A} {A}, {A} of the stand",
          ("openings.count", "openings.area_m2", "openings.share"), "openings.count"),
    Claim("review.html", rf"Largest opening {A} combined with corridors {A}",
          ("openings.largest_m2", "openings.combined_largest_m2"), "openings.count"),
    Claim("review.html", rf"{A} on the map", ("marks.trees",)),
    Claim("terminal.txt", rf"STAND {A}, {A} operable", ("stand.area_m2", "stand.operable_m2")),
    Claim("terminal.txt", rf"CORRIDORS {A} long, {A}: {A} of the stand",
          ("corridors.length_m", "corridors.area_m2", "corridors.share"), "corridors.length_m"),
    Claim("terminal.txt", rf"OPENINGS {A} group openings?, {A}: {A} of the stand",
          ("openings.count", "openings.area_m2", "openings.share"), "openings.count"),
    Claim("terminal.txt", rf"{A} trees? to cut on the map, {A} more from the paper tally",
          ("marks.trees", "marks.not_located")),
)  # fmt: skip
VERDICTS = {
    "layout_map.pdf": r"Limits (?=.{0,20}(?:EXCEEDED|near|met|not checked))(.{0,90})",
    "review.html": r"(\d+ EXCEEDED .{0,60}\d+ met)",
    "terminal.txt": r"LIMITS (.{0,70} met)",
}
"""Where each paper counts its verdicts."""


def disagreements(folder: Path, terminal: str = "") -> list[str]:
    """What papers of a folder, and a terminal, say otherwise than its tables."""
    summary = json.loads((folder / "summary.json").read_text("utf-8"))
    texts = {path.name: text for path in sorted(folder.iterdir()) if (text := read_text(path))}
    if terminal:
        texts["terminal.txt"] = " ".join(terminal.split())
    return [
        *_editions(texts, summary),
        *_claims(texts, summary),
        *_volumes(texts, summary),
        *_verdicts(folder, texts, summary),
        *_openings(folder, texts),
        *_page_counts(texts, summary),
        *_special_trees(folder, texts),
    ]


def read_text(path: Path) -> str:
    """All words of a file in one line; empty where it is no paper."""
    if path.suffix == ".pdf":
        words = "\n".join(page.extract_text() for page in pypdf.PdfReader(path).pages)
    elif path.suffix == ".html":
        page = lxml.html.parse(str(path)).getroot()
        for element in page.xpath("//script|//style|//noscript"):
            element.drop_tree()
        words = " ".join(page.itertext())
    elif path.suffix in {".gpx", ".kml"}:
        words = " ".join(lxml.etree.parse(str(path)).getroot().itertext())
    elif path.suffix == ".xlsx":
        book = openpyxl.load_workbook(path, read_only=True)
        cells = (
            str(cell)
            for sheet in book
            for row in sheet.iter_rows(values_only=True)
            for cell in row
            if cell
        )
        words = " ".join(cells)
    elif path.suffix in {".geojson", ".txt"}:
        words = path.read_text("utf-8")
    else:
        return ""
    return " ".join(words.split())


def agrees(said: str, value: float | None) -> bool:
    """Whether an amount as printed is a value in SI units, within its last digit."""
    if value is None or said == "-":
        return value is None and said == "-"
    digits, _, unit = said.partition(" ")
    last = 10.0 ** -len(digits.partition(".")[2])
    return abs(float(digits.replace(",", "")) - value / SIZES[unit]) <= last * 0.5000001


def _value(summary: Mapping[str, Any], key: str) -> float | None:
    """A number of the summary by its keys with dots between."""
    found: Any = summary
    for part in key.split("."):
        found = found[part]
    return None if found is None else float(found)


def _editions(texts: Mapping[str, str], summary: Mapping[str, Any]) -> Iterator[str]:
    """Papers without the edition."""
    edition = f"Edition {summary['provenance']['edition']}"
    papers = {*SAY_ALL, "filing_figures.pdf", "stump_check.pdf", *MORE} & set(texts)
    yield from (f"{name}: no {edition}" for name in sorted(papers) if edition not in texts[name])


def _claims(texts: Mapping[str, str], summary: Mapping[str, Any]) -> Iterator[str]:
    """Figures of the summary that a paper gives otherwise, or not at all."""
    for claim in CLAIMS:
        if claim.paper not in texts or not (_value(summary, claim.when) or 0) > 0:
            continue
        found = re.search(claim.pattern, texts[claim.paper])
        if found is None:
            yield f"{claim.paper}: nothing said of {', '.join(claim.keys)}"
            continue
        values = [_value(summary, key) for key in claim.keys]
        yield from (
            f"{claim.paper}: {key} is said to be {said}, summary.json has {value}"
            for key, said, value in zip(claim.keys, found.groups(), values, strict=True)
            if not agrees(said, value)
        )


def _volumes(texts: Mapping[str, str], summary: Mapping[str, Any]) -> Iterator[str]:
    """Net volumes by product that a paper gives otherwise; rounded to the digits that it prints."""
    heads = {
        "filing_figures.pdf": "Net volume, {}",
        "layout_map.pdf": " {}",
        "review.html": " {}",
    }
    for name, product in summary["volume"]["by_product"].items():
        unit = product["unit"].split(" ")[0]
        amount = rf"(at least )?([\d,]+(?:\.\d+)?) (?:{unit}|{unit[:-1]})"
        for paper in set(heads) & set(texts):
            if product["net"] is None or name == "not_stated":
                continue
            head = heads[paper].format(name.capitalize() if heads[paper] == " {}" else name)
            found = re.search(rf"{re.escape(head)} {amount}", texts[paper])
            if found is None:
                yield f"{paper}: no net volume of {name}"
            elif not agrees(found[2], product["net"]):
                yield f"{paper}: {name} {found[2]}, summary.json has {product['net']}"
            elif bool(found[1]) != bool(product["trees_without"] + product["parts_without"]):
                yield f"{paper}: {name} is said to be a {'least' if found[1] else 'total'}"


def _verdicts(folder: Path, texts: Mapping[str, str], summary: Mapping[str, Any]) -> Iterator[str]:
    """Counts of verdicts, and what is exceeded."""
    counts = summary["checks"]
    for paper, pattern in VERDICTS.items():
        if paper not in texts or not sum(counts.values()):
            continue
        found = re.search(pattern, texts[paper])
        said = {
            word.lower().replace(" ", "_"): int(number)
            for number, word in re.findall(
                r"(\d+) (EXCEEDED|near|not checked|met)", found[1] if found else ""
            )
        }
        if {k: v for k, v in said.items() if v} != {k: v for k, v in counts.items() if v}:
            yield f"{paper}: verdicts {said}, summary.json has {counts}"
    checks = pd.read_csv(folder / "checks.csv")
    exceeded = checks[checks["verdict"] == "exceeded"]
    for paper in {*SAY_ALL} & set(texts):
        said_so = re.search(r"NOT APPROVED FOR CUTTING|Approved for cutting by", texts[paper])
        if bool(said_so) != bool(len(exceeded)):
            yield f"{paper}: {len(exceeded)} limits are exceeded, the paper says otherwise"


def _openings(folder: Path, texts: Mapping[str, str]) -> Iterator[str]:
    """Area and trees of each opening, paper by paper."""
    patterns = {
        "field_guide.pdf": r"(?=\s{n}(?: .{{0,60}}?)?? {a} {a} )",
        "layout_map.pdf": r"\s{n} {t} {a} (?:-|[\d.,]+ \w+²?) ",
        "layout.gpx": r"Opening {n} (?:LIMIT.{{0,40}}cutting\. |Limit exceeded, .{{0,80}}?\. )?"
        r"{t} trees? to cut.{{0,150}}?; {a}",
    }  # fmt: skip
    openings = pd.read_csv(folder / "openings.csv")
    for number, area, trees in openings[["opening", "area_m2", "trees"]].itertuples(index=False):
        for paper, pattern in patterns.items():
            if paper not in texts:
                continue
            wanted = pattern.format(n=number, a=A, t=rf"(?:{int(trees):,})")
            found = re.findall(wanted, texts[paper])
            if not any(_fits(one, float(area), int(trees)) for one in found):
                yield f"{paper}: opening {number} has not {area} m2 and {trees} trees"
    if "layout.geojson" in texts:
        features = json.loads((folder / "layout.geojson").read_text("utf-8"))["features"]
        placed = [f["properties"] for f in features if f["properties"]["layer"] == "openings"]
        frame = pd.DataFrame(placed, columns=["opening", "area_m2", "trees"])
        if not frame.round(1).equals(openings[["opening", "area_m2", "trees"]].round(1)):
            yield "layout.geojson: openings are not those of openings.csv"


def _fits(said: str | tuple[str, ...], area: float, trees: int) -> bool:
    """Whether the amounts of a row are an area, and where there are two, trees behind it."""
    amounts = (said,) if isinstance(said, str) else said
    return agrees(amounts[0], area) and (len(amounts) == 1 or agrees(amounts[1], trees))


def _page_counts(texts: Mapping[str, str], summary: Mapping[str, Any]) -> Iterator[str]:
    """Trees to cut by the switches of the review page, unless it has too many to draw."""
    shown = re.findall(r"Cut trees,? (?:corridors|openings|matrix|elsewhere) (\d+)",
                       texts.get("review.html", ""))  # fmt: skip
    if shown and sum(map(int, shown)) != summary["marks"]["trees"]:
        yield f"review.html: layers hold {'+'.join(shown)} trees to cut"


def _special_trees(folder: Path, texts: Mapping[str, str]) -> Iterator[str]:
    """Danger, line and unconfirmed trees whose label is missing from a paper."""
    if "layout.geojson" not in texts:
        return
    features = json.loads((folder / "layout.geojson").read_text("utf-8"))["features"]
    for layer, papers in SPECIAL.items():
        labels = [f["properties"]["label"] for f in features if f["properties"]["layer"] == layer]
        for paper in {*papers} & set(texts):
            text = re.sub(r"[\s\\]", "", texts[paper])
            missing = [label for label in labels if re.sub(r"\s", "", label) not in text]
            if missing:
                yield f"{paper}: no {layer.replace('_', ' ')} {', '.join(missing)}"


def main() -> int:
    """Check the folders named on the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folders", nargs="+", help="output folders with their papers")
    folders = parser.parse_args().folders
    found = {folder: disagreements(Path(folder)) for folder in folders}
    for folder, said in found.items():
        print(f"{folder}: {len(said) or 'no'} disagreements")
        print(*(f"  {one}" for one in said), sep="\n")
    return int(any(found.values()))


if __name__ == "__main__":
    sys.exit(main())
