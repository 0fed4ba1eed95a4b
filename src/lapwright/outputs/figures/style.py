"""What the figures share: page sizes, type, palette, title, caution and the way to a file."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Sequence
from functools import cache, wraps
from pathlib import Path
from typing import Any, ParamSpec, TypeVar

import matplotlib as mpl
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure

from lapwright.lap.lap import Lap
from lapwright.quantities import CAUTION

REFERENCE = "#0072B2"
DRIVER = "#E69F00"
BASELINE = "#7F7F7F"
INK = "#1A1A1A"
ROAD = "#E3E3E3"
EDGE = "#8A8A8A"
BAND = "#EFEBDD"
"""Colours tell nothing alone: every line also has its own style, every area its pattern or label.

Blue, orange and grey differ for all common kinds of colour blindness (Okabe & Ito, Color Universal Design,
2008).
"""

REFERENCE_LINE: dict[str, Any] = {"color": REFERENCE, "linestyle": "-", "linewidth": 2.0, "zorder": 3}
BASELINE_LINE: dict[str, Any] = {"color": BASELINE, "linestyle": ":", "linewidth": 1.8, "zorder": 2}


def line_of(lap: Lap) -> dict[str, Any]:
    """How a lap is drawn everywhere: the reference solid blue, a baseline dotted grey."""
    return BASELINE_LINE if lap.kind == "baseline" else REFERENCE_LINE


A3 = (16.54, 11.69)
"""Width and height of an A3 page on its side [inch] (ISO 216)."""

A4 = (11.69, 8.27)
"""Width and height of an A4 page on its side [inch] (ISO 216)."""

MARGIN = 0.45
"""Free edge at the left and right of a page [inch]."""

SMALLEST = 11
"""Smallest type on a page [pt]: a page on a pit wall is read from a step away (common practice)."""

SMALLEST_IN_HAND = 8.5
"""Smallest type on a page that is held in the hand [pt]: read at arm's length (common practice)."""

PNG_DPI = 150

SETTINGS: Any = {
    "font.family": "DejaVu Sans",
    "font.size": 13,
    "axes.titlesize": 15,
    "axes.labelsize": 13,
    "xtick.labelsize": 12,
    "ytick.labelsize": 12,
    "legend.fontsize": 12,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.edgecolor": "#555555",
    "axes.labelcolor": INK,
    "text.color": INK,
    "axes.grid": False,
    "grid.color": "#D5D5D5",
    "grid.linewidth": 0.8,
    "hatch.linewidth": 1.2,
    "figure.facecolor": "white",
    "axes.facecolor": "none",
    "pdf.fonttype": 42,
    "axes.unicode_minus": False,
}

IN_HAND: Any = SETTINGS | {
    "font.size": 9.0,
    "axes.titlesize": 10.0,
    "axes.labelsize": 8.5,
    "xtick.labelsize": 8.5,
    "ytick.labelsize": 8.5,
    "legend.fontsize": 8.5,
    "grid.linewidth": 0.6,
    "hatch.linewidth": 0.8,
}
"""The settings of a page that is held in the hand."""

P = ParamSpec("P")
R = TypeVar("R")


def styled(draw: Callable[P, R]) -> Callable[P, R]:
    """Run a drawing function under the settings of this module, whatever the user's own matplotlib settings
    are.
    """
    return styled_as(SETTINGS)(draw)


def styled_as(settings: Any) -> Callable[[Callable[P, R]], Callable[P, R]]:
    """The same for other settings, e.g. ``IN_HAND``."""

    def dressed(draw: Callable[P, R]) -> Callable[P, R]:
        @wraps(draw)
        def run(*args: P.args, **kwargs: P.kwargs) -> R:
            with mpl.rc_context():
                mpl.rcdefaults()
                mpl.rcParams.update(settings)
                return draw(*args, **kwargs)

        return run

    return dressed


def page(size: tuple[float, float], lap: Lap, subtitle: str, taken: float = 0.0) -> Figure:
    """A blank page with the track, the car and a subtitle at the top and the caution at the bottom.

    Parameters
    ----------
    size
        Width and height [inch].
    lap
        Names the track and the car.
    subtitle
        What the page shows, in a few words.
    taken
        Width at the right of the heading that something else needs [inch].
    """
    figure = blank(size)
    room = size[0] - 2 * MARGIN - taken
    title = f"{shown(lap.track_name)}   {shown(lap.vehicle_name)}"
    fitted(figure, title, 0.28, room, fontsize=20, fontweight="bold", gid="title")
    fitted(figure, subtitle, 0.68, room, fontsize=14, gid="subtitle")
    write_caution(figure)
    return figure


def blank(size: tuple[float, float]) -> Figure:
    """A page with nothing on it; ``size`` is its width and height [inch]."""
    figure = Figure(figsize=size)
    FigureCanvasAgg(figure)
    return figure


def write_caution(figure: Figure, size: float = SMALLEST) -> None:
    """The caution along the bottom of a page, in type of ``size`` [pt]."""
    width, height = figure.get_size_inches()
    caution = "\n".join(textwrap.wrap(CAUTION, int((width - 2 * MARGIN) * 12.6 * SMALLEST / size)))
    style: dict[str, Any] = {"fontsize": size, "color": "#444444", "gid": "caution"}
    figure.text(MARGIN / width, 0.15 / height, caution, va="bottom", **style)


def fitted(
    figure: Figure, text: str, down: float, room: float, smallest: float = SMALLEST, **style: Any
) -> None:
    """A line of the heading, in smaller type when it is long, cut short when even that does not fit.

    Parameters
    ----------
    down
        From the top of the page [inch].
    room
        Width for it [inch].
    smallest
        Type below which it is cut rather than made smaller [pt].
    style
        For ``Figure.text``, with a ``fontsize``.
    """
    width, height = figure.get_size_inches()
    made = figure.text(MARGIN / width, 1 - down / height, text, va="top", **style)
    size = float(style["fontsize"])

    def too_wide() -> bool:
        return bool(made.get_window_extent(renderer(figure)).width > room * figure.dpi)

    while too_wide() and size > smallest:
        size = max(size - 1.0, smallest)
        made.set_fontsize(size)
    while too_wide() and len(text) > 4:
        text = text[:-1]
        made.set_text(text.rstrip("\\ ") + "...")


def shown(name: str) -> str:
    """A user's name as it may be drawn: a dollar is a dollar, a character that the font lacks a question
    mark.
    """
    known = _characters()
    return "".join(c if ord(c) in known else "?" for c in name).replace("$", r"\$")


@cache
def _characters() -> frozenset[int]:
    from matplotlib.font_manager import findfont, get_font

    return frozenset(get_font(findfont(SETTINGS["font.family"])).get_charmap())


def renderer(figure: Figure) -> Any:
    """What measures the text of a figure made by ``page``."""
    canvas = figure.canvas
    assert isinstance(canvas, FigureCanvasAgg)
    return canvas.get_renderer()


def save(figures: Figure | Sequence[Figure], folder: Path, name: str) -> list[Path]:
    """Write a figure as ``name.png`` and ``name.pdf``; several pages as ``name-1.png`` ... and one PDF.

    The files hold no date, so the same lap gives the same bytes.
    """
    pages = [figures] if isinstance(figures, Figure) else list(figures)
    names = [name] if len(pages) == 1 else [f"{name}-{number}" for number in range(1, len(pages) + 1)]
    written = [save_picture(figure, folder, one) for figure, one in zip(pages, names, strict=True)]
    return [*written, save_pages(pages, folder, name)]


def save_picture(figure: Figure, folder: Path, name: str) -> Path:
    """Write a figure as ``name.png`` alone."""
    path = folder / f"{name}.png"
    with mpl.rc_context(SETTINGS):
        figure.savefig(path, dpi=PNG_DPI, metadata={"Software": None}, pil_kwargs={"compress_level": 3})
    return path


def save_pages(figures: Sequence[Figure], folder: Path, name: str) -> Path:
    """Write figures as the pages of ``name.pdf`` alone."""
    path = folder / f"{name}.pdf"
    with mpl.rc_context(SETTINGS), PdfPages(path, metadata={"CreationDate": None, "Title": name}) as document:
        for figure in figures:
            document.savefig(figure)
    return path
