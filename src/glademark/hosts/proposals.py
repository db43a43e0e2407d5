"""The command `propose`."""

from pathlib import Path

import click

from glademark.hosts.progress import PROGRESS


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

    with host.progress() as tell:
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
