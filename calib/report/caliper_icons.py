"""Small drawings of how a caliper's jaws meet a piece, for the printable sheet."""

_INK, _PIECE = "#1d2733", "#d9d2bf"


def _icon(title: str, *shapes: str) -> str:
    return (
        f'<svg viewBox="0 0 160 84" role="img" aria-label="{title}"><title>{title}</title>'
        f"{''.join(shapes)}</svg>"
    )


def _block(x: int, y: int, w: int, h: int) -> str:
    return f'<rect x="{x}" y="{y}" width="{w}" height="{h}" fill="{_PIECE}" stroke="{_INK}"/>'


def _steel(points: str) -> str:
    return f'<polygon points="{points}" fill="#fff" stroke="{_INK}" stroke-width="1.6"/>'


def _length(x1: int, y1: int, x2: int, y2: int) -> str:
    return (
        f'<line x1="{x1}" y1="{y1}" x2="{x2}" y2="{y2}" stroke="#0b4fa0" stroke-width="1.6"'
        ' stroke-dasharray="5 3"/>'
    )


#: By the part of the caliper, as features name it.
ICONS = {
    "outside": _icon(
        "A block between the caliper's two long jaws",
        _block(48, 34, 64, 40),
        _steel("20,8 140,8 140,20 20,20"),
        _steel("34,20 48,20 48,66 42,66 34,40"),
        _steel("112,20 126,20 126,40 118,66 112,66"),
        _length(48, 56, 112, 56),
    ),
    "inside": _icon(
        "The caliper's two small blades inside a slot, touching its walls",
        _block(10, 34, 34, 42),
        _block(116, 34, 34, 42),
        _block(44, 64, 72, 12),
        _steel("20,8 140,8 140,20 20,20"),
        _steel("58,20 70,20 70,30 52,54 44,54 44,50"),
        _steel("90,20 102,20 116,50 116,54 108,54 90,30"),
        _length(44, 58, 116, 58),
    ),
    "depth": _icon(
        "The caliper's end flat on the upper face, its rod down on the lower one",
        _block(14, 40, 62, 38),
        _block(76, 66, 70, 12),
        _steel("40,6 96,6 96,40 40,40"),
        _steel("84,40 90,40 90,66 84,66"),
        _length(104, 40, 104, 66),
    ),
    "balance": _icon(
        "A piece in the middle of a balance's pan",
        _block(62, 18, 36, 26),
        _steel("34,44 126,44 120,52 40,52"),
        _steel("28,56 132,56 138,78 22,78"),
    ),
    "eye": "",
}
