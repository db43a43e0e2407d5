"""A layout as an analyst has it in Python: frames, figures, verdicts, a picture, and files."""

import html
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import pandas as pd

from glademark.contracts.layers import LAYERS
from glademark.errors import OutputError, counted
from glademark.export.output import deliver
from glademark.export.styles import SYMBOLS
from glademark.jobs.layout import asked_for, folder_of
from glademark.report.delivery import Delivery
from glademark.report.wording import WORST_FIRST

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_DRAWN = ("stand", "water", "landings", "exclusions", "setbacks", "corridors", "openings", "marks")
_FRAMES = (*(name for name in LAYERS if name not in {"checks", "rejected", "parameters"}),)


@dataclass(frozen=True, kw_only=True, eq=False)
class LaidOut:
    """
    The layout of one stand.

    Every layer and table of ``docs/columns.md`` is an attribute: `openings`, `corridors`, `marks`,
    `zones`, `volume_by_zone`, `allowance` and so on, in metres, square metres, centimetres of
    diameter and the working CRS.

    Attributes
    ----------
    delivery
        What the writers of files are given.
    """

    delivery: Delivery

    @property
    def checks(self) -> pd.DataFrame:
        """
        Limits held against the layout.

        Returns
        -------
        checks
            A row a thing checked: `limit`, `subject`, `measured`, `limit_value`, `unit`, `verdict`.
        """
        return self.delivery.checks

    @property
    def rejected(self) -> pd.DataFrame:
        """
        Records that could not be used.

        Returns
        -------
        rejected
            A row a record, with file, record and reason.
        """
        return self.delivery.survey.rejected

    @property
    def notices(self) -> tuple[str, ...]:
        """
        What to read first: what was assumed, repaired or left out, and what may surprise.

        Returns
        -------
        notices
            Those of the summary, a sentence each.
        """
        return tuple(self.delivery.summary["notices"])

    @property
    def summary(self) -> dict[str, Any]:
        """
        Every figure, unrounded.

        Returns
        -------
        summary
            Content of ``summary.json``; shares are from 0 to 1.
        """
        return dict(self.delivery.summary)

    @property
    def residual(self) -> dict[str, Any]:
        """
        The stand that stays.

        Returns
        -------
        residual
            The key `residual` of the summary; empty where nothing is known of the standing trees.
        """
        return dict(self.delivery.summary.get("residual", {}))

    def __getattr__(self, name: str) -> Any:  # noqa: ANN401 - a frame of any columns
        """A layer or table by its name."""
        if name in _FRAMES:
            return getattr(self.delivery.layout, name)
        msg = f"a layout has no {name!r}; its layers and tables are {', '.join(_FRAMES)}"
        raise AttributeError(msg)

    def __dir__(self) -> list[str]:
        """Attributes, layers and tables included."""
        return sorted({*super().__dir__(), *_FRAMES})

    def write(self, folder: str | Path, *, only: Sequence[str] = ()) -> tuple[Path, ...]:
        """
        Write the files of the layout, as ``glademark layout`` does.

        Parameters
        ----------
        folder
            Output folder; files of an earlier output in it are replaced, or removed where `only`
            leaves them out; others are left alone.
        only
            Ids of files to make, such as ``["gpkg", "tables"]``; all where empty.

        Returns
        -------
        files
            What was written.

        Raises
        ------
        OutputError
            If a file could not be made or moved into place.
        """
        wanted = asked_for(only or self.delivery.project.deliver.only)
        delivered = deliver(self.delivery, Path(folder), wanted)
        if delivered.missing:
            raise OutputError(" ".join(map(str, delivered.missing)))
        return delivered.files

    def plot(self, ax: "Axes | None" = None) -> "Axes":
        """
        Draw stand, corridors, openings and marks.

        Parameters
        ----------
        ax
            Axes to draw into; new ones where None.

        Returns
        -------
        ax
            Axes in the working CRS [m].
        """
        import matplotlib.pyplot as plt  # noqa: PLC0415 - heavy

        ax = plt.subplots(figsize=(8, 8), layout="constrained")[1] if ax is None else ax
        for name in _DRAWN:
            frame = getattr(self, name)
            if len(frame) and isinstance(frame, gpd.GeoDataFrame):
                symbol = SYMBOLS[name]
                shown: dict[str, Any] = (
                    {"markersize": symbol.size} if name == "marks" else {"alpha": 0.7}
                )
                frame.plot(
                    ax=ax,
                    facecolor=symbol.fill or "none",
                    edgecolor=symbol.stroke,
                    linewidth=symbol.width,
                    **shown,
                )
        ax.set_aspect("equal")
        ax.set_title(self.delivery.project.heading.name)
        ax.set_axis_off()
        return ax

    def explore(self) -> "Page":
        """
        The review page: a map that pans and zooms, limits and tables, without a network.

        Returns
        -------
        page
            Shown by a notebook; its `text` is the HTML.
        """
        from glademark.report.review_page.page import review_page  # noqa: PLC0415 - heavy

        return Page(review_page(self.delivery))

    def __repr__(self) -> str:
        """Name, verdicts and notices in a line."""
        return f"<LaidOut {self.delivery.project.heading.name}: {self._counted()}>"

    def _repr_html_(self) -> str:
        """Name, verdicts, and the openings, for a notebook."""
        name = html.escape(self.delivery.project.heading.name)
        columns = ["opening", "trees", "area_m2", "spacing_m", "width_m"]
        table = self.openings[columns].to_html(
            index=False, float_format="{:,.1f}".format, na_rep=""
        )
        return f"<h4>{name}</h4><p>Limits: {self._counted()}</p>{table}"

    def _counted(self) -> str:
        """Limits by verdict, the worst first, and how many notices there are."""
        return f"{_by_verdict(self.checks)}; {counted(len(self.notices), 'notice')}"


@dataclass(frozen=True)
class Page:
    """
    A page of HTML that a notebook shows in a frame of its own.

    Attributes
    ----------
    text
        The whole document.
    """

    text: str

    def _repr_html_(self) -> str:
        """The page in a frame."""
        held = html.escape(self.text, quote=True)
        return f'<iframe srcdoc="{held}" width="100%" height="700" title="Review page"></iframe>'


class LaidOutStands(Mapping[str, LaidOut]):
    """
    Layouts of many stands by the name of each: ``for name, layout in layouts.items()``.

    A layer or table of all of them is an attribute too, with the name in a first column `stand`.

    Parameters
    ----------
    stands
        Layouts by name.
    refused
        Why a stand has none, by its name.
    """

    def __init__(self, stands: Mapping[str, LaidOut], refused: Mapping[str, str]) -> None:
        self.stands, self.refused = dict(stands), dict(refused)

    def __getitem__(self, name: str) -> LaidOut:
        """The layout of one stand."""
        return self.stands[name]

    def __iter__(self) -> Iterator[str]:
        """Names of the stands."""
        return iter(self.stands)

    def __len__(self) -> int:
        """How many stands were laid out."""
        return len(self.stands)

    def __getattr__(self, name: str) -> Any:  # noqa: ANN401 - a frame of any columns
        """A layer or table of all stands."""
        if name.startswith("_") or name not in {*_FRAMES, "checks", "rejected"}:
            raise AttributeError(name)
        frames = [
            getattr(one, name).drop(columns="stand", errors="ignore").assign(stand=stand)
            for stand, one in self.stands.items()
        ]
        joined = pd.concat(frames, ignore_index=True)
        return joined[["stand", *joined.columns.drop("stand")]]

    def __repr__(self) -> str:
        """How many stands there are, their verdicts and notices."""
        notices = sum(len(one.notices) for one in self.stands.values())
        refused = f", {len(self.refused):,} refused" if self.refused else ""
        return (
            f"<LaidOutStands {counted(len(self), 'stand')}{refused}: {_by_verdict(self.checks)}; "
            f"{counted(notices, 'notice')}>"
        )

    def write(self, folder: str | Path, *, only: Sequence[str] = ()) -> tuple[Path, ...]:
        """
        Write the files of each stand into a folder of its own.

        Parameters
        ----------
        folder
            Output folder, which gets one folder a stand.
        only
            Ids of files to make; all where empty.

        Returns
        -------
        files
            What was written.

        Raises
        ------
        OutputError
            If a file could not be made or moved into place.
        """
        return tuple(
            path
            for name, one in self.stands.items()
            for path in one.write(Path(folder) / folder_of(name), only=only)
        )


def _by_verdict(checks: pd.DataFrame) -> str:
    """Limits by verdict, the worst first."""
    found = checks["verdict"].value_counts()
    told = [f"{found[one]} {one.replace('_', ' ')}" for one in WORST_FIRST if one in found]
    return ", ".join(told) or "none stated"
