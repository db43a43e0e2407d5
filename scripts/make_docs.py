"""
Reference pages, written from the declarations: ``python scripts/make_docs.py``.

`docs/columns.md` comes from the declared layers, `docs/commands.md` from the command line,
`docs/project_file.md` from the template of the project file, `docs/python.md` from the docstrings
of the interface, `docs/inputs` from the columns that intake knows. A test fails when one is stale.
"""

import inspect
import sys
from collections.abc import Mapping
from importlib.resources import files
from pathlib import Path
from typing import Any

import click

import glademark as gm
from glademark.contracts.job_layers import AFTER_CUT_LAYERS
from glademark.contracts.layers import LAYERS, LEAVE_STANDING, Layer, shown_beside
from glademark.contracts.result_tables import STANDS
from glademark.hosts.cli import cli
from glademark.hosts.laid_out import LaidOut, LaidOutStands
from glademark.intake.columns.fields import recognise
from glademark.intake.columns.reference import INPUTS, MEANT, InputReference

DOCS = Path(__file__).resolve().parent.parent / "docs"
MADE = "<!-- Written by scripts/make_docs.py; do not edit by hand. -->\n\n"


def pages() -> Mapping[str, str]:
    """Text of every reference page by file name."""
    return {
        "columns.md": _columns(),
        "commands.md": _commands(),
        "project_file.md": _project_file(),
        "python.md": _python(),
        **{f"inputs/{one.key}.md": _input(one) for one in INPUTS},
    }


OUTPUT = """
## The output folder

`manifest.json` lists the files of the output with their size and SHA-256. The next run of the same
command into the folder replaces them as one: it removes those that it no longer makes and says so
on standard error. A file that was changed since it was written is kept where it is no longer made,
and named; where it is made again, it is replaced. `--only` gives an output of its own, so it
removes what an earlier run made besides. No file that is not listed is touched, and none that is an
input. In a folder of an older version, which has no list but a summary of this program, files go by
their names. A `manifest.json` of another program stops the run.

`layout`, `advise` and `compare` each have their own list: written into one folder, they leave each
other's files alone. `papers` writes files of the same output as `layout`. Where the list holds the
very GeoPackage that they are made from, or files made from it, they join these and nothing is
removed. Where the GeoPackage in the folder has been changed since, and be it by a program that
opened it for writing, it stays as the input that it is, and the papers replace all others.

What SQLite left beside an earlier GeoPackage (`-wal`, `-shm`, `-journal`) goes with it: it would
destroy the new one. A program that has the earlier one open goes on showing it until the layers are
loaded again; what is edited there is not in the new one.
"""


def _columns() -> str:
    """Layers and tables with their columns."""
    head = (
        f"# Layers, tables and columns\n\n{MADE}"
        "Numbers are in SI units, the unit is the end of the name. Where the project shows acres "
        "and feet, or hectares, a column in that unit stands beside. Empty means not known.\n"
    )
    after = "\n# After the cut: compare.gpkg\n"
    more = [layer for layer in AFTER_CUT_LAYERS.values() if layer not in LAYERS.values()]
    laid_out = "".join(_layer(layer) for layer in (*LAYERS.values(), STANDS, LEAVE_STANDING))
    return head + laid_out + after + "".join(map(_layer, more))


def _layer(layer: Layer) -> str:
    """One layer as a section."""
    kind = layer.geometry or "table without geometry"
    lines = [f"\n## {layer.name}\n", f"{layer.meaning} ({kind})\n"]
    lines += ["| column | unit | in US units, metric | meaning |", "|---|---|---|---|"]
    for column in layer.columns:
        beside = [shown_beside(column, "us"), shown_beside(column, "metric")]
        names = ", ".join(f"`{found[0]}`" for found in beside if found)
        lines.append(f"| `{column.name}` | {column.unit} | {names} | {column.meaning} |")
    return "\n".join(lines) + "\n"


def _input(one: InputReference) -> str:
    """One input: its columns by meaning, and an example row."""
    known = recognise(list(one.example), one.meanings, where=one.key)
    needed = [f"`{name}`" for name in one.needed]
    lines = [f"# Input: {one.key}\n", f"{MADE}{one.what} {one.shapes}.\n"]
    lines += [
        "Columns are known by their headings, in any case, with blanks, points or underscores "
        "between words. A unit may\nstand behind the name (`dbh_in`, `Height (ft)`). Other columns "
        "are left alone"
        + (f"; needed: {', '.join(needed)}." if needed else "; none is needed.")
        + "\n"
    ]
    lines += ["| meaning | units | headings | what it says |", "|---|---|---|---|"]
    for meaning in one.meanings:
        units = ", ".join(dict.fromkeys(meaning.units.values()))
        heads = " ".join(f"`{head}`" for head in meaning.before_unit)
        lines.append(f"| {meaning.name} | {units} | {heads} | {MEANT[meaning.name]} |")
    read = ", ".join(f"{head} as {meaning}" for meaning, head in known.header.items())
    lines += ["", "An example row (invented):\n", "```csv", ",".join(one.example)]
    lines += [",".join(one.example.values()), "```", "", f"It is read so: {read}."]
    return "\n".join(lines) + "\n"


def _commands() -> str:
    """Every command with its help text."""
    text = f"# Commands\n\n{MADE}```text\n{_help(cli, 'glademark')}\n```\n"
    for name, command in sorted(cli.commands.items()):
        text += f"\n## glademark {name}\n\n```text\n{_help(command, f'glademark {name}')}\n```\n"
    return text + OUTPUT


def _help(command: click.Command, name: str) -> str:
    """Help text at a fixed width."""
    context = click.Context(command, info_name=name, terminal_width=96, max_content_width=96)
    return command.get_help(context)


def _project_file() -> str:
    """The commented template."""
    packaged = files("glademark.project") / "templates" / "harvest.toml"
    template = packaged.read_text(encoding="utf-8")
    return (
        f"# The project file\n\n{MADE}"
        "`glademark new FOLDER` writes this file. Every key is in it, with its default. "
        "`glademark new --schema`\nprints its JSON schema, with which editors complete and check "
        "keys, units and choices; many\nask for it in the first line: "
        "`#:schema ./harvest.schema.json`.\n\n"
        f"```toml\n{template}```\n"
    )


PYTHON = """
```python
import glademark as gm
```

Frames are those of geopandas: layers and tables with the columns of [columns.md](columns.md), in
metres, square metres and centimetres. Paths are text or `Path`. Nothing is written unless it is
asked for. A refusal is an `InputError` whose text says what to mend; `OutputError` is raised where
a file could not be written.

## First steps

```python
import pandas as pd

table = pd.DataFrame({"dbh_cm": [30, 40, 50], "volume_m3": [0.7, 1.4, 2.3]})
layout = gm.lay_out(
    stand=stand,  # frames, or paths
    corridors=corridors,
    marks=marks,
    volume_table=table,
    settings={
        "project": {"units": "metric"},
        "corridors": {"width": "4 m"},
        "marks": {
            "dbh_unit": "cm",
            "columns": {"dbh": "diam", "species": "Art", "group": "Gruppe"},
        },
        "volume": {"table_class_width": "10 cm"},
        "limits": {"opening_area_max": "0.2 ha"},
    },
)
print(*layout.notices, sep="\\n")
```

- Read `layout.notices` first: what was assumed, repaired or left out.
- `settings` has the tables and keys of [project_file.md](project_file.md), which `glademark new`
  writes. What columns inputs may have is in [inputs](inputs/index.md); `[marks] columns` names
  those of your own. With `{"project": {"units": "metric"}}` files and papers are metric; frames
  always are.
- What has a CRS that is geographic or not in metres is brought into its UTM zone.
- Openings are numbered anew in each run: join runs by `group`, not by `opening`.
- Column `stand` is 0 in the frames of one stand, and its name in those of `LaidOutStands`.
- To hold `gm.opening_areas` against a layout, give it the same standing crowns:
  `standing_crown_radius_m=layout.summary["openings"]["standing_crown_radius_m"]`.
- A later `write(folder, only=...)` removes the files of an earlier one that it does not make.

`gm.advise`, `gm.compare` and `gm.propose` need a project file: write frames with `to_file` and name
them in it. What they return has `stands` by name ("" for one stand), `refused` and `files`. All
stands in one table:

```python
advised = gm.advise("harvest.toml")
marks = {name: one.advice.leave_standing for name, one in advised.stands.items()}
standing = pd.concat(marks, names=["stand"])
compared = gm.compare("harvest.toml", stumps="stumps.csv")
seen = {name: one.comparison.findings for name, one in compared.stands.items()}
findings = pd.concat(seen, names=["stand"])
```
"""


def _python() -> str:
    """The Python interface, from its docstrings."""
    text = f"# Python\n\n{MADE}{PYTHON.lstrip()}"
    for name in gm.__all__:
        text += _described(getattr(gm, name), f"gm.{name}")
    text += "\n## What `gm.lay_out` returns\n"
    for kind in (LaidOut, LaidOutStands):
        text += f"\n### {kind.__name__}\n\n```text\n{inspect.getdoc(kind)}\n```\n"
        for name, one in vars(kind).items():
            if not name.startswith("_") and (callable(one) or isinstance(one, property)):
                function = one.fget if isinstance(one, property) else one
                text += _described(function, f"{kind.__name__}.{name}", level="####")
    return text


def _described(function: Any, name: str, level: str = "##") -> str:  # noqa: ANN401 - a function
    """A function with its signature and docstring."""
    signature = inspect.signature(function, eval_str=False)
    told = signature.replace(
        parameters=[one.replace(annotation=one.empty) for one in signature.parameters.values()],
        return_annotation=signature.empty,
    )
    return f"\n{level} {name}{told}\n\n```text\n{inspect.getdoc(function)}\n```\n"


if __name__ == "__main__":
    DOCS.mkdir(exist_ok=True)
    for page, content in pages().items():
        (DOCS / page).parent.mkdir(exist_ok=True)
        (DOCS / page).write_text(content, encoding="utf-8", newline="\n")
        print(f"wrote docs/{page}")
    sys.exit(0)
