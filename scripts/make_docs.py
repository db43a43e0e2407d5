"""
Reference pages, written from the declarations: ``python scripts/make_docs.py``.

`docs/columns.md` comes from the declared layers, `docs/commands.md` from the command line,
`docs/project_file.md` from the template of the project file. A test fails when one is stale.
"""

import sys
from collections.abc import Mapping
from importlib.resources import files
from pathlib import Path

import click

from glademark.contracts.comparison_layers import AFTER_CUT_LAYERS
from glademark.contracts.layers import LAYERS, LEAVE_STANDING, STANDS, Layer, shown_beside
from glademark.hosts.cli import cli

DOCS = Path(__file__).resolve().parent.parent / "docs"
MADE = "<!-- Written by scripts/make_docs.py; do not edit by hand. -->\n\n"


def pages() -> Mapping[str, str]:
    """Text of every reference page by file name."""
    return {
        "columns.md": _columns(),
        "commands.md": _commands(),
        "project_file.md": _project_file(),
    }


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


def _commands() -> str:
    """Every command with its help text."""
    text = f"# Commands\n\n{MADE}```text\n{_help(cli, 'glademark')}\n```\n"
    for name, command in sorted(cli.commands.items()):
        text += f"\n## glademark {name}\n\n```text\n{_help(command, f'glademark {name}')}\n```\n"
    return text


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
        "`glademark new FOLDER` writes this file. Every key is in it, with its default.\n\n"
        f"```toml\n{template}```\n"
    )


if __name__ == "__main__":
    DOCS.mkdir(exist_ok=True)
    for page, content in pages().items():
        (DOCS / page).write_text(content, encoding="utf-8", newline="\n")
        print(f"wrote docs/{page}")
    sys.exit(0)
