"""The desk's own icons, drawn by us: strokes in the colour of the text around them."""

from markupsafe import Markup

_START = (
    '<svg viewBox="0 0 24 24" aria-hidden="true" focusable="false" fill="none" stroke="currentColor"'
    ' stroke-width="1.8" stroke-linecap="round" stroke-linejoin="round">'
)
_SHAPES = {
    "next": '<path d="M4 12h15M13 6l6 6-6 6"/>',
    "back": '<path d="M20 12H5M11 6l-6 6 6 6"/>',
    "get": '<path d="M12 3v12M6.5 10 12 15.5 17.5 10M4 20h16"/>',
    "done": '<path d="M4 12.5 9.5 18 20 6.5"/>',
    "caliper": '<path d="M2 5h20v4H2zM5 9v11l3-4V9M16 9v7l3 4V9M9 5v2M12 5v2M15 5v2"/>',
    "scale": '<path d="M4 20h16l-2-6H6zM8 14V9h8v5M9 9V5h6v4"/>',
    "camera": '<path d="M3 7h4l2-3h6l2 3h4v13H3z"/><circle cx="12" cy="13" r="4"/>',
    "eye": '<path d="M2 12c3-5 6.500-7 10-7s7 2 10 7c-3 5-6.500 7-10 7s-7-2-10-7z"/><circle cx="12" cy="12" r="3"/>',
    "printer": '<path d="M3 21h18M5 21V4h14v17M5 8h14M11 8v3l1 2 1-2V8M8 18h8"/>',
    "spool": '<circle cx="12" cy="12" r="9"/><circle cx="12" cy="12" r="3"/><path d="M12 3v6M21 12h-6M12 21v-6M3 12h6"/>',
    "again": '<path d="M20 11a8 8 0 1 0-2 6M20 4v7h-7"/>',
    "list": '<path d="M9 6h11M9 12h11M9 18h11M4 6h1M4 12h1M4 18h1"/>',
    "one": '<path d="M4 4h16v16H4zM11 9l2-1v8"/>',
    "phone": '<path d="M7 2h10v20H7zM11 19h2"/>',
    "bolt": '<path d="M13 2 5 14h6l-1 8 8-12h-6z"/>',
    "copy": '<path d="M8 8h12v13H8zM4 16V3h12"/>',
    "search": '<circle cx="10.500" cy="10.500" r="6.500"/><path d="m15.500 15.500 5.500 5.500"/>',
    "up": '<path d="M12 20V6M6.500 11 12 5.500 17.500 11M4 3h16"/>',
    "plus": '<path d="M12 4v16M4 12h16"/>',
    "minutes": '<circle cx="12" cy="13" r="8"/><path d="M12 8v5l3 2M9 2h6"/>',
    # What is known, each with a shape of its own: full, half, broken, empty.
    "good": '<circle cx="12" cy="12" r="9" fill="currentColor"/><path d="m7.500 12.500 3 3 6-6.500" stroke="var(--sheet)" stroke-width="2.4"/>',
    "inherited": '<circle cx="12" cy="12" r="9"/><path d="M12 3a9 9 0 0 0 0 18z" fill="currentColor"/>',
    "stale": '<circle cx="12" cy="12" r="9" stroke-dasharray="4 3.07"/><path d="M12 7v5.500M12 16.200v.3" stroke-width="2.4"/>',
    "unknown": '<circle cx="12" cy="12" r="9" stroke-width="1.500"/>',
    # Sizes of printers: a bed with a cube on it.
    "size-s": '<path d="M3 20h18M9 20v-5h5v5"/>',
    "size-m": '<path d="M3 20h18M7.500 20v-9h9v9"/>',
    "size-l": '<path d="M3 20h18M5 20V7h13v13"/>',
    "size-x": '<path d="M2 20h20M3 20V3h18v17"/>',
    # Drives of an axis.
    "belt": '<circle cx="6" cy="12" r="4"/><circle cx="19" cy="12" r="2.500"/><path d="M6 8h13M6 16h13M9 8v1.500M12 8v1.500M15 8v1.500M9 16v-1.500M12 16v-1.500M15 16v-1.500"/>',
    "screw": '<path d="M9 2v20M15 2v20M9 5l6 2M9 9l6 2M9 13l6 2M9 17l6 2"/>',
}  # fmt: skip

#: The mark of the project: a printed line in cross-section, between two jaws.
_MARK = (
    '<svg viewBox="0 0 46 27" aria-hidden="true" focusable="false" fill="none" stroke="currentColor">'
    '<rect x="10" y="10" width="26" height="12" rx="6" fill="var(--line)" stroke="none"/>'
    '<path d="M1 4h44M8.500 4v14l-3 4M37.500 4v14l3 4M14 4v3M19 4v3M24 4v3M29 4v3M34 4v3" stroke-width="1.800"'
    ' stroke-linecap="round" stroke-linejoin="round"/></svg>'
)


def icon(name: str) -> Markup:
    """Return an icon as SVG; KeyError where there is none of that name."""
    if name == "mark":
        return Markup(_MARK)
    return Markup(f"{_START}{_SHAPES[name]}</svg>")


#: The icon of the browser's tab.
TAB_ICON = (
    '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 46 46"><rect width="46" height="46" rx="6" fill="#f4f2ea"/>'
    '<rect x="10" y="20" width="26" height="13" rx="6.500" fill="#0b4fa0"/><path d="M2 13h42M8.500 13v16l-3 5M37.500 13v16l3 5"'
    ' fill="none" stroke="#1d2733" stroke-width="2.400" stroke-linecap="round" stroke-linejoin="round"/></svg>'
)
