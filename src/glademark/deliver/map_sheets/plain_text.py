"""One line of text as the plotting library draws it, without the search for a layout."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from matplotlib.artist import Artist
from matplotlib.colors import to_rgba

if TYPE_CHECKING:
    from matplotlib.font_manager import FontProperties

_FEATURES = ("-liga", "-clig", "-dlig")  # each letter its own, so that text is found and copied


class PlainText(Artist):
    """
    One line of text.

    Parameters
    ----------
    place
        Left end of its base line, in the units of its transform.
    words
        Never read as a formula.
    properties
        Font and size.
    colour
        Of its letters.
    turned
        Anticlockwise [degrees].
    """

    def __init__(
        self,
        place: tuple[float, float],
        words: str,
        *,
        properties: FontProperties,
        colour: str,
        turned: float = 0.0,
    ) -> None:
        super().__init__()
        self.place = place
        self.words = words
        self.font = properties
        self.colour = to_rgba(colour)
        self.turned = turned

    def draw(self, renderer: Any) -> None:  # noqa: ANN401 - any backend of the plotting library
        """
        Draw the text.

        Parameters
        ----------
        renderer
            Of the plotting library.
        """
        x, y = self.get_transform().transform(self.place)
        if renderer.flipy():
            y = renderer.get_canvas_width_height()[1] - y
        context = renderer.new_gc()
        context.set_foreground(self.colour, isRGBA=True)
        renderer.draw_text(
            context, x, y, self.words, self.font, self.turned, ismath=False, mtext=self
        )
        context.restore()

    def get_fontfeatures(self) -> tuple[str, ...]:
        """
        Features of the font, as a backend asks for them.

        Returns
        -------
        features
            Ligatures are off.
        """
        return _FEATURES

    def get_language(self) -> None:
        """
        Language of the text, as a backend asks for it.

        Returns
        -------
        language
            None is stated.
        """
        return

    def get_antialiased(self) -> bool:
        """
        Whether edges of letters are smoothed, as a backend asks for it.

        Returns
        -------
        antialiased
            Always.
        """
        return True
