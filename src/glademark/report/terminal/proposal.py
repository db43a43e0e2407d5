"""A proposal on the terminal: the alternatives, their groups, and what each limit costs."""

from collections.abc import Iterator

from rich.console import Console, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from glademark.contracts.job_layers import CAUTIONS
from glademark.contracts.layers import Units
from glademark.errors import shown
from glademark.proposal.layouts import Margin
from glademark.proposal.outcome import Alternative, Proposal
from glademark.report.quantities import show_area, show_length
from glademark.report.terminal.limits import Fitted
from glademark.report.verdicts import PROPOSAL

_LONGEST = 300


def print_proposal(proposal: Proposal, console: Console, *, units: Units, stand: str = "") -> None:
    """Print what is proposed for a stand."""
    if stand:
        console.print(Text(f"STAND {shown(stand)}", style="bold"))
    console.print(Text(PROPOSAL, style="bold"))
    for heading, lines in _sections(proposal, units):
        if lines:
            console.print(Text(heading, style="bold"))
            for line in lines:
                console.print(Padding(line, (0, 0, 0, 2)))
            console.print()


def _sections(proposal: Proposal, units: Units) -> Iterator[tuple[str, list[RenderableType]]]:
    """Headings with their lines; those without lines are left out."""
    yield "CANNOT HOLD TOGETHER", _texts([proposal.infeasible] if proposal.infeasible else [])
    if proposal.alternatives:
        best = proposal.alternatives[0]
        yield "ALTERNATIVES", [Fitted(_alternatives(proposal, units))]
        why = zip(best.groups["group"], best.groups["why"], strict=True)
        yield "GROUPS OF ALTERNATIVE 1", _texts([f"{group}: {said}" for group, said in why])
        yield (
            "WHAT LIMITS COST",
            _texts([_cost(one, units) for one in proposal.margins if _told(one)]),
        )
        yield "PROOF", _texts([_proof(proposal)])
    yield "NOT PROVED", _texts([f"{one}." for one in proposal.not_proved])
    yield "NOTES", _texts([f"{one}." for one in proposal.prepared.notices])
    yield "CAUTION", _texts(list(CAUTIONS))


def _texts(lines: list[str]) -> list[RenderableType]:
    """Lines fit to be shown."""
    return [Text(shown(line, longest=_LONGEST)) for line in lines]


def _alternatives(proposal: Proposal, units: Units) -> Table:
    """One row an alternative."""
    table = Table("", "score", "groups", "area", "of stand", "trees", "limits reached", box=None)
    for one in proposal.alternatives:
        table.add_row(*_cells(one, units))
    return table


def _cells(one: Alternative, units: Units) -> list[str]:
    """Cells of one alternative."""
    row = one.row
    return [
        str(one.number),
        f"{row['score']:,.3f}",
        str(row["groups"]),
        show_area(row["area_m2"], units),
        f"{row['area_share']:.1%}",
        f"{row['trees']:,}",
        row["binding"] or "none",
    ]


def _proof(proposal: Proposal) -> str:
    """How sure it is."""
    stopped = "; the search was interrupted" if proposal.interrupted else ""
    return (
        f"No choice from the {proposal.candidates:,} candidates has more than "
        f"{proposal.bound:,.3f} points (gap {proposal.gap:.2%}){stopped}."
    )


def _told(margin: Margin) -> bool:
    """Whether another value of the limit changes the score, as far as it is known."""
    scores = {round(score, 9) for _, score in margin.tried if score is not None}
    return len(scores) > 1


def _cost(margin: Margin, units: Units) -> str:
    """What other values of a limit give."""
    row = margin.row
    known = [
        f"{_value(row.unit, value, units)} {score:,.3f}"
        for value, score in margin.tried
        if score is not None
    ]
    quantity = f" ({row.quantity.replace('_', ' ')})" if row.quantity else ""
    return f"{row.limit}{quantity}: {', '.join(known)} points"


def _value(unit: str, value: float, units: Units) -> str:
    """Value of a limit in the units of the project."""
    if unit == "m2":
        return show_area(value, units)
    if unit == "m":
        return show_length(value, units)
    return f"{value:.1%}" if unit == "share" else f"{value:g} {unit}".strip()
