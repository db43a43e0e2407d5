"""The commands `propose` and `volume-table`."""

from pathlib import Path
from typing import Any

import click

from glademark.hosts.progress import PROGRESS, progress


@click.command()
@click.argument("project", type=click.Path(path_type=Path))
@click.option(
    "-o", "--out", type=click.Path(path_type=Path), required=True, help="Folder for the results."
)
@click.option(
    "--as-marks",
    type=click.IntRange(1),
    metavar="N",
    help="Write alternative N as marks and a project file that layout reads.",
)
@click.option("--json", "as_json", is_flag=True, help="Print proposals.json instead.")
@PROGRESS
def propose(project: Path, *, out: Path, as_marks: int | None, as_json: bool) -> None:
    """Propose group openings among the standing trees of PROJECT: flags to walk to, no marks."""
    from rich.console import Console  # noqa: PLC0415 - keeps --help light

    from glademark.export.proposal_files import FIGURES_FILE  # noqa: PLC0415 - the same
    from glademark.hosts import cli as host  # noqa: PLC0415 - it registers this command
    from glademark.jobs.propose import log  # noqa: PLC0415 - keeps --help light
    from glademark.jobs.propose import propose as propose_groups  # noqa: PLC0415 - the same
    from glademark.report.terminal.proposal import print_proposal  # noqa: PLC0415 - the same

    with progress() as tell:
        proposed = propose_groups(project, out=out, as_marks=as_marks, tell=tell or log.info)
    if as_json:
        host.print_file(proposed.files, FIGURES_FILE)
    else:
        units = proposed.project.heading.units
        for name, one in proposed.stands.items():
            print_proposal(one, Console(), units=units, stand=name)
        for path in proposed.files:
            click.echo(path)
    host.tell_refused(proposed.refused)
    host.end_if_missing(proposed.missing)


@click.command("volume-table")
@click.option("--species", multiple=True, required=True, help="Name or code; may be repeated.")
@click.option("--unit", default="ft3", show_default=True, help="Sale unit of the volumes.")
@click.option("--rule", default="", help="Log rule, for board feet.")
@click.option("--equations", default="", help="Set by name; else chosen by what is assumed.")
@click.option("--part", default="", help="Part of the tree, such as merchantable.")
@click.option(
    "--classes", default="2 in", show_default=True, help="Width, or edges: '5, 9, 12 in'."
)
@click.option("--up-to", default=30.0, show_default=True, help="Largest class.")
@click.option("--height", default="", help="Total height of all trees, such as '70 ft'.")
@click.option("--site-index", default="", help="Such as '65 ft', at 50 years.")
@click.option("--basal-area", default="", help="Of the stand, such as '90 ft2/acre'.")
@click.option("--logs", multiple=True, type=float, help="16-ft logs; may be repeated.")
@click.option("--region", default="", help="lake states, or canada.")
@click.option(
    "--csv",
    "as_csv",
    is_flag=True,
    help="Print CSV that [volume] table reads.",
)
def volume_table(*, as_csv: bool, **words: Any) -> None:  # noqa: ANN401 - the fields of TableAsked
    """Print a volume table by size class, to carry into the woods."""
    from glademark.jobs.volume_table import (  # noqa: PLC0415 - keeps --help light
        TableAsked,
        csv_of,
        table_to_carry,
        text_of,
    )

    table = table_to_carry(TableAsked(**words))
    click.echo(csv_of(table) if as_csv else text_of(table), nl=False)
