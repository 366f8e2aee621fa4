"""Small writers for the SVG elements that the pictures are made of."""

from html import escape

from patterns.drawing.style import FONT, INK, TEXT

XY = tuple[float, float]


def number(value: float) -> str:
    """Write a coordinate with one decimal, without a trailing zero."""
    text = f"{value:.1f}"
    return "0" if text == "-0.0" else text.removesuffix(".0")


def line(a: XY, b: XY, colour: str, width: float, dash: str = "", end: str = "round") -> str:
    """Return a straight line."""
    dashes = f' stroke-dasharray="{dash}"' if dash else ""
    return (
        f'<line x1="{number(a[0])}" y1="{number(a[1])}" x2="{number(b[0])}" y2="{number(b[1])}" '
        f'stroke="{colour}" stroke-width="{width:g}"{dashes} stroke-linecap="{end}"/>'
    )


def polygon(points: list[XY], fill: str, outline: str = "#ffffff", width: float = 0.8) -> str:
    """Return a filled polygon with a thin border."""
    places = " ".join(f"{number(x)},{number(y)}" for x, y in points)
    return (
        f'<polygon points="{places}" fill="{fill}" stroke="{outline}" stroke-width="{width:g}" '
        'stroke-linejoin="round"/>'
    )


def circle(at: XY, radius: float, fill: str, outline: str, width: float) -> str:
    """Return a circle."""
    return (
        f'<circle cx="{number(at[0])}" cy="{number(at[1])}" r="{radius:g}" fill="{fill}" '
        f'stroke="{outline}" stroke-width="{width:g}"/>'
    )


def text(at: XY, words: str, size: float = TEXT, colour: str = INK, anchor: str = "start",
         bold: bool = False) -> str:  # fmt: skip
    """Return one line of text; `at` is its baseline."""
    weight = ' font-weight="bold"' if bold else ""
    return (
        f'<text x="{number(at[0])}" y="{number(at[1])}" font-family="{FONT}" font-size="{size:g}" '
        f'fill="{colour}" text-anchor="{anchor}"{weight}>{escape(words)}</text>'
    )


def group(at: XY, content: str) -> str:
    """Return elements shifted together."""
    return f'<g transform="translate({number(at[0])} {number(at[1])})">{content}</g>'


def document(size: XY, title: str, description: str, content: str) -> str:
    """Return a whole picture with its title and description for readers who cannot see it."""
    width, height = (f"{round(side)}" for side in size)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}" '
        f'viewBox="0 0 {width} {height}" role="img">'
        f"<title>{escape(title)}</title><desc>{escape(description)}</desc>"
        f'<rect width="{width}" height="{height}" fill="#ffffff"/>{content}</svg>\n'
    )
