"""The command line: parse words, call one library function, print the answer, say how it went."""

import atexit
import gc
import logging
import signal
import sys
import tempfile
import traceback
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import click
from click.exceptions import Exit

from glademark import __version__, errors
from glademark.errors import NOTHING, GlademarkError, OutputError, changed, tell_changed
from glademark.hosts.more_commands import PROGRESS, json_lines, progress, propose, volume_table
from glademark.process import open_streams

EXCEEDED, REFUSED, NOT_WRITTEN, FAULT, INTERRUPTED = 1, 2, 3, 4, 130
"""Beside 0: limit exceeded (with --strict), refused, files missing, fault, interrupted."""

_GARBAGE = (50_000, 20, 50)
"""How often memory is searched for garbage: seldom, since a run ends before there is much."""

_MOST_SENTENCES = 100
"""Faults told of one run."""

PATH = click.Path(path_type=Path)
THERE = click.Path(path_type=Path, exists=True, dir_okay=False)
ONLY = click.option("--only", multiple=True, metavar="ID", help="Make only this; may be repeated.")
PACK = click.option("--pack", is_flag=True, help="Make the pack for the contractor as well.")
PACKED: tuple[tuple[str, ...], ...] = ((), ("pack",))
"""Ids asked for without and with --pack."""


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="glademark")
@click.option("-v", "--verbose", count=True, help="Say more on standard error; twice for details.")
@click.option("-q", "--quiet", count=True, help="Say less on standard error.")
def cli(verbose: int, quiet: int) -> None:
    """Lay out a marked partial harvest: corridors, group openings, zones, volumes, limits.

    Positions are approximate, the paint on the tree governs, and no output is a legal survey.
    Felling kills: local rules and licensed practice come first.

    Exit codes: 0 written; 1 written, and with --strict a limit is exceeded; 2 input refused;
    3 output not written, or files missing, which are named, or the answer could not be printed;
    4 unexpected fault, told in a file that is named; 130 interrupted. Whoever reads standard
    output may stop early (| head): that changes neither files nor exit code.
    """
    own = logging.getLogger("glademark")
    own.setLevel(logging.WARNING - 10 * (verbose - quiet))
    own.addHandler(logging.StreamHandler(sys.stderr))
    # what other libraries log is for developers: shown with -vv only
    logging.getLogger().addHandler(
        logging.StreamHandler(sys.stderr) if verbose > 1 else logging.NullHandler()
    )
    own.propagate = False


def _make_project(context: click.Context, _: click.Parameter, request: Path | None) -> None:
    """Write the project file, named before, that the desktop's layers and settings make."""
    if request is not None:
        from glademark.hosts.made_project import write_project  # noqa: PLC0415 - keeps --help light

        write_project(request, context.params["project"])


@cli.command()
@click.argument("project", type=PATH, is_eager=True)
@click.option("-o", "--out", type=PATH, required=True, help="Folder for the results.")
@click.option("--json", "as_json", is_flag=True, help="Print summary.json instead of the summary.")
@ONLY
@PACK
@click.option("--strict", is_flag=True, help="Exit with 1 if a limit is exceeded.")
@click.option("--request", type=THERE, hidden=True, expose_value=False, callback=_make_project)
@PROGRESS
def layout(
    project: Path, out: Path, *, as_json: bool, only: tuple[str, ...], pack: bool, strict: bool
) -> None:
    """Lay out the harvest that the file PROJECT describes."""
    from glademark.jobs.layout import lay_out  # noqa: PLC0415 - keeps --help light
    from glademark.project import read_project  # noqa: PLC0415 - keeps --help light
    from glademark.report.summary import summary_text  # noqa: PLC0415 - keeps --help light

    if read_project(project).heading.stand_id:
        _layout_of_stands(project, out, as_json=as_json, only=only, strict=strict)
        return
    with progress() as on_each:
        outcome = lay_out(project, out=out, only=only, also=PACKED[pack], on_each=on_each)
    if as_json:
        click.echo(summary_text(outcome.delivery.summary), nl=False)
    else:
        _print_summary(outcome)
    end_if_missing(outcome.missing)
    if strict and (outcome.checks["verdict"] == "exceeded").any():
        raise Exit(EXCEEDED)


def _layout_of_stands(
    project: Path, out: Path, *, as_json: bool, only: tuple[str, ...], strict: bool
) -> None:
    """Lay out every stand of a project with many."""
    from rich.console import Console  # noqa: PLC0415 - keeps --help light

    from glademark.jobs.stands import lay_out_stands  # noqa: PLC0415 - the same
    from glademark.report.summary import summary_text  # noqa: PLC0415 - keeps --help light
    from glademark.report.terminal.layout import print_stands  # noqa: PLC0415 - the same

    with progress() as on_each:
        outcome = lay_out_stands(project, out=out, only=only, on_each=on_each)
    if as_json:
        click.echo(summary_text(outcome.summary), nl=False)
    else:
        print_stands(
            [stand.row for stand in outcome.stands],
            Console(),
            heading=outcome.project.heading,
            files=outcome.files,
        )
    end_if_missing(outcome.missing)
    if strict and outcome.summary["checks"]["exceeded"]:
        raise Exit(EXCEEDED)


@cli.command()
@click.argument("layout_gpkg", type=PATH)
@click.option("-o", "--out", type=PATH, required=True, help="Folder for the results.")
@ONLY
@PACK
@PROGRESS
def papers(layout_gpkg: Path, out: Path, *, only: tuple[str, ...], pack: bool) -> None:
    """Make the papers and files again from a LAYOUT_GPKG alone."""
    from glademark.jobs.layout import make_papers  # noqa: PLC0415 - keeps --help light

    with progress() as on_each:
        outcome = make_papers(layout_gpkg, out=out, only=only, also=PACKED[pack], on_each=on_each)
    for path in outcome.files:
        click.echo(path)
    end_if_missing(outcome.missing)


@cli.command()
@click.argument("projects", type=PATH, nargs=-1, required=True)
@click.option("-o", "--out", type=PATH, required=True, help="Folder for the results.")
@click.option("--workers", type=click.IntRange(1), help="Processes; one a processor if left out.")
@click.option(
    "--scheduler",
    default="",
    metavar="ADDRESS",
    help="A Dask cluster that runs already; its ports are yours to guard.",
)
@click.option("--strict", is_flag=True, help="Exit with 1 if a limit is exceeded.")
@PROGRESS
def batch(
    projects: tuple[Path, ...], out: Path, *, workers: int | None, scheduler: str, strict: bool
) -> None:
    """Lay out whole ownerships: the stands of all PROJECTS, side by side.

    Writes one folder a layer with a GeoParquet file a stand, and tables of all stands. Stands that
    are done already from the same inputs, and whose files are whole, are skipped, so that a broken
    run is taken up again. Stands of an earlier run that PROJECTS no longer have are removed.
    """
    from rich.console import Console  # noqa: PLC0415 - keeps --help light

    from glademark.jobs.batch import Engine, lay_out_batch  # noqa: PLC0415 - keeps --help light
    from glademark.report.terminal.layout import print_stands  # noqa: PLC0415 - the same

    with progress() as on_each:
        engine = Engine(workers=workers, scheduler=scheduler)
        outcome = lay_out_batch(projects, out=out, engine=engine, on_each=on_each)
    if outcome.skipped:
        click.echo(f"{outcome.skipped:,} stands were done before and are skipped", err=True)
    if outcome.removed:
        _show(
            f"removed, since the inputs no longer have them: stand {errors.listed(outcome.removed)}"
        )
    heading = outcome.project.heading
    print_stands(outcome.rows, Console(), heading=heading, files=outcome.files)
    if strict and any(row.get("exceeded") for row in outcome.rows):
        raise Exit(EXCEEDED)


@cli.command()
@click.argument("project", type=PATH)
@click.option(
    "--by",
    type=click.Choice(["trees", "volume"]),
    default="trees",
    show_default=True,
    help="What is to be least.",
)
@click.option(
    "--apply", "marks", type=PATH, help="Write the marks that result: csv, gpkg, geojson."
)
@click.option("-o", "--out", type=PATH, help="Folder for the results; 'advice' beside PROJECT.")
@click.option("--json", "as_json", is_flag=True, help="Print advice.json instead.")
@PROGRESS
def advise(project: Path, *, by: Any, marks: Path | None, out: Path | None, as_json: bool) -> None:  # noqa: ANN401 - one of two words
    """Tell the fewest marks to leave standing so that PROJECT keeps inside its limits."""
    from rich.console import Console  # noqa: PLC0415 - keeps --help light

    from glademark.export.job_files import ADVICE_FIGURES_FILE  # noqa: PLC0415 - the same
    from glademark.jobs.advise import give_advice  # noqa: PLC0415 - the same
    from glademark.report.terminal.jobs import print_advice  # noqa: PLC0415 - the same

    with progress():
        advised = give_advice(project, by=by, out=out, apply=marks)
    if as_json:
        print_file(advised.files, ADVICE_FIGURES_FILE)
    else:
        units = advised.project.heading.units
        for name, one in advised.stands.items():
            print_advice(one.advice, Console(), units=units, stand=name)
        for path in advised.files:
            click.echo(path)
    tell_refused(advised.refused)
    end_if_missing(advised.missing)


@cli.command()
@click.argument("project", type=PATH)
@click.argument("more", type=THERE, nargs=-1, metavar="")
@click.option("--stumps", type=THERE, multiple=True, metavar="FILE", help="Stumps; see below.")
@click.option("--driven", type=THERE, metavar="FILE", help="Lines that machines drove.")
@click.option("--openings", type=THERE, metavar="FILE", help="Opening edges walked after the cut.")
@click.option("--post-cut-plots", type=THERE, metavar="FILE", help="Plots of the trees left.")
@click.option("--damage", type=THERE, metavar="FILE", help="Damage to the trees left, and ruts.")
@click.option("--sampled", type=THERE, metavar="FILE", help="Plots or strips that were walked.")
@click.option("-o", "--out", type=PATH, required=True, help="Folder for the results.")
@click.option("--json", "as_json", is_flag=True, help="Print compare.json instead of the findings.")
@PROGRESS
def compare(
    project: Path,
    more: tuple[Path, ...],
    *,
    out: Path,
    as_json: bool,
    **given: Any,  # noqa: ANN401 - paths by the name of their option
) -> None:
    """Hold what was seen after the cut against the layout that the file PROJECT describes.

    Several files of stumps: --stumps FILE FILE FILE, or --stumps for each. Every option may be left
    out but one. What comes out are findings, to be looked at on the ground before anyone acts.
    """
    from rich.console import Console  # noqa: PLC0415 - keeps --help light

    from glademark.export.job_files import COMPARISON_FIGURES_FILE  # noqa: PLC0415 - the same
    from glademark.jobs.compare import compare_after_cut, inputs_of  # noqa: PLC0415 - the same
    from glademark.report.terminal.jobs import (  # noqa: PLC0415 - the same
        print_comparison,
        print_files,
    )

    if not given["stumps"]:
        _refuse_more(more)
    inputs = inputs_of(stumps=(*given.pop("stumps"), *more), **given)
    with progress() as on_each:
        compared = compare_after_cut(project, inputs, out=out, on_each=on_each)
    if as_json:
        print_file(compared.files, COMPARISON_FIGURES_FILE)
    else:
        for one in compared.stands.values():
            print_comparison(one.comparison, one.delivery.project, Console())
        print_files(compared.files, Console())
    tell_refused(compared.refused)
    for file, rows in compared.rejected.groupby("file", sort=False):
        _show(f"{file}: {len(rows):,} records belong to no stand; compare.json names them")
    end_if_missing(compared.missing)


def print_file(files: Sequence[Path], name: str) -> None:
    """What was written into a file, on standard output."""
    for path in (path for path in files if path.name == name):
        click.echo(path.read_text(encoding="utf-8"), nl=False)


def tell_refused(refused: Mapping[str, str]) -> None:
    """Stands that were refused, with the reason."""
    for name, reason in refused.items():
        _show(f"stand {name} is refused: {reason}")


def _print_summary(outcome: Any) -> None:  # noqa: ANN401 - the type costs a heavy import
    """The summary on standard output."""
    from rich.console import Console  # noqa: PLC0415 - keeps --help light

    from glademark.report.terminal.layout import print_summary  # noqa: PLC0415 - keeps --help light

    print_summary(outcome.delivery, Console(), files=outcome.files)


cli.add_command(volume_table)


@cli.command()
@click.argument("files", type=PATH, nargs=-1, required=True)
@click.option("--project", type=PATH, help="Project file whose own names of species are known.")
def inspect(files: tuple[Path, ...], project: Path | None) -> None:
    """Tell what is in FILES and how they would be read, before there is a project."""
    from rich.console import Console  # noqa: PLC0415 - keeps --help light

    from glademark.intake.inspect import inspect_files  # noqa: PLC0415 - the same
    from glademark.project import read_project  # noqa: PLC0415 - the same
    from glademark.report.terminal.jobs import print_inspection  # noqa: PLC0415 - the same

    seen = inspect_files(files, project=None if project is None else read_project(project))
    print_inspection(seen, Console())
    if not any(file.layers for file in seen):
        raise Exit(REFUSED)


def _print_schema(context: click.Context, _: click.Parameter, asked: Any) -> None:  # noqa: ANN401 - a flag
    """The schema of project files, and nothing else."""
    if not asked:
        return
    from glademark.intake.first_project import schema_text  # noqa: PLC0415 - the same
    from glademark.jobs.layout import installed_limits  # noqa: PLC0415 - keeps --help light

    limits = {name: limit.title for name, limit in installed_limits().items()}
    click.echo(schema_text(limits), nl=False)
    context.exit()


@cli.command()
@click.argument("folder", type=PATH)
@click.option(
    "--from", "files", type=PATH, multiple=True, metavar="FILE", help="Fill in; may be repeated."
)
@click.option(
    "--schema",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_print_schema,
    help="Print the JSON schema of project files, for editors, and exit.",
)
@click.argument("more", type=PATH, nargs=-1, metavar="")
def new(folder: Path, files: tuple[Path, ...], more: tuple[Path, ...]) -> None:
    """Write a commented project file into FOLDER, with empty templates or filled in --from files.

    Every file behind the first --from FILE is taken as well: new FOLDER --from FILE FILE FILE.
    """
    from glademark.intake.first_project import (  # noqa: PLC0415 - keeps --help light
        new_project,
        new_project_from,
    )

    if files:
        written = new_project_from(folder, [*files, *more])
    else:
        _refuse_more(more)
        written = new_project(folder)
    for path in written:
        click.echo(path)


@cli.command()
@click.option("--install", "action", flag_value="install", help="Write the plug-in into a profile.")
@click.option("--remove", "action", flag_value="remove", help="Take it out again.")
@click.option("--zip", "archive", type=PATH, metavar="FILE", help="Write it as an archive instead.")
@click.option("--profile", default="default", show_default=True, help="Name of the profile.")
@click.option("--profiles-path", type=PATH, help="Where profiles are; else the desktop's own.")
def desktop(
    *, action: str | None, archive: Path | None, profile: str, profiles_path: Path | None
) -> None:
    """Put Glademark into the open desktop GIS: its algorithms in the toolbox, and a panel."""
    from glademark.hosts.desktop import install  # noqa: PLC0415 - keeps --help light

    if archive is not None:
        click.echo(install.write_archive(archive))
    elif action is not None:
        chosen = install.profile_folder(profile, profiles_path)
        click.echo((install.install if action == "install" else install.remove)(chosen))
    else:
        msg = "say what to do: --install, --remove, or --zip FILE"
        raise click.UsageError(msg)


def _refuse_more(more: tuple[Path, ...]) -> None:
    """Names behind the folder mean nothing without --from."""
    if more:
        msg = f"got unexpected extra arguments ({' '.join(map(str, more))})"
        raise click.UsageError(msg)


cli.add_command(propose)


def main() -> None:
    """Run the command line; every error ends in its exit code."""
    gc.set_threshold(*_GARBAGE)
    atexit.register(gc.freeze)  # nor at the end, when everything goes anyway: half a second
    signal.signal(signal.SIGTERM, _interrupt)
    open_streams()
    sys.exit(_guarded(lambda: cli(standalone_mode=False)))


def _guarded(run: Callable[[], object]) -> int:
    """Exit code of a run."""
    tell_changed(NOTHING)
    try:
        code = run()
        sys.stdout.flush()
    except click.ClickException as fault:
        if json_lines():
            _say(fault.format_message(), fault.exit_code)
        else:
            fault.show()
        return fault.exit_code
    except OutputError as fault:
        _say(str(fault), NOT_WRITTEN)
        return NOT_WRITTEN
    except GlademarkError as fault:
        _say(str(fault), REFUSED)
        return REFUSED
    except (KeyboardInterrupt, click.Abort):
        _show(f"interrupted; {changed()}", INTERRUPTED)
        return INTERRUPTED
    except (Exception, SystemExit) as fault:  # noqa: BLE001 - what nobody thought of
        _tell_fault(fault)
        return FAULT
    return code if isinstance(code, int) else 0


def end_if_missing(missing: Sequence[object]) -> None:
    """Name the files that could not be made, if any, and end with the exit code for them."""
    for one in missing:
        _say(str(one), NOT_WRITTEN)
    if missing:
        raise Exit(NOT_WRITTEN)


def _tell_fault(fault: BaseException) -> None:
    """One sentence on standard error; the rest in a file, or behind it where there is no room."""
    details = "".join(traceback.format_exception(fault))
    what = " ".join(f"{type(fault).__name__}: {fault}".split())
    try:
        with tempfile.NamedTemporaryFile(
            "w", prefix="glademark-fault-", suffix=".log", delete=False, encoding="utf-8",
            errors="backslashreplace",
        ) as file:  # fmt: skip
            file.write(f"glademark {__version__}, Python {sys.version}, {sys.argv[1:]}\n{details}")
    except OSError:
        _say(f"unexpected fault ({what}), and no file could be written with its details", FAULT)
        if not json_lines():
            click.echo(details, err=True)
    else:
        _say(f"unexpected fault ({what}). Please report it with {file.name}", FAULT)
        logging.getLogger("glademark").info("%s", details)


def _say(fault: str, code: int) -> None:
    """An error on standard error, not endlessly long."""
    lines = fault.splitlines()
    if len(lines) > _MOST_SENTENCES:
        lines[_MOST_SENTENCES:] = [f"and {len(lines) - _MOST_SENTENCES:,} faults more"]
    if json_lines():
        _show("; ".join(lines), code)
        return
    for line in lines:
        _show(f"glademark: {line}")


def _show(line: str, code: int | None = None) -> None:
    """A line on standard error, without control characters; with a code it ends the run."""
    lines, sentence = json_lines(), errors.shown(line, longest=2000)
    if lines is None:
        click.echo(sentence, err=True)
    elif code is None:
        lines.write(notice=sentence)
    else:
        lines.write(error=sentence, code=code)


def _interrupt(*_: object) -> None:
    """Treat a request to end like the interrupt key."""
    raise KeyboardInterrupt
