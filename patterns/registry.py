"""The one list of patterns, read by the command line, the sheets, the docs and the tests."""

import difflib
import importlib
import pkgutil
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from patterns.errors import SpecError
from patterns.piece import Piece
from patterns.spec import PrintSetup, Spec

LayOut = Callable[[Any, PrintSetup], Piece]


@dataclass(frozen=True, slots=True)
class Pattern:
    """A recipe: its name, the type of its parameters, the question it answers, and the maker.

    Attributes
    ----------
    settles : tuple of str
        What a reading of it settles: names of topics, such as ``flow``.
    first_for, next_for : tuple of str
        Of these, the topics for which it is the first to print, and the next where the first was
        printed and left too much open.
    shrinks : tuple of (str, int)
        Parameters that give way on a printer too small for it: -1 one that gets smaller, 1 larger.
    """

    name: str
    spec_type: type[Spec]
    answers: str
    lay_out: LayOut
    settles: tuple[str, ...] = ()
    first_for: tuple[str, ...] = ()
    next_for: tuple[str, ...] = ()
    shrinks: tuple[tuple[str, int], ...] = ()

    def piece(self, given: Mapping[str, str], setup: PrintSetup) -> Piece:
        """Fill in the parameters from words and lay the piece out (no CAD kernel needed)."""
        piece: Piece = self.lay_out(self.spec_type.from_text(given), setup)
        return piece


_PATTERNS: dict[str, Pattern] = {}


def pattern(
    name: str,
    spec_type: type[Spec],
    answers: str,
    *,
    settles: tuple[str, ...] = (),
    first_for: tuple[str, ...] = (),
    next_for: tuple[str, ...] = (),
    shrinks: tuple[tuple[str, int], ...] = (),
) -> Callable[[LayOut], LayOut]:
    """Register the decorated function, which lays a piece out, under `name`; see `Pattern`."""

    def register(lay_out: LayOut) -> LayOut:
        if name in _PATTERNS:
            msg = f"two patterns are named {name!r}"
            raise ValueError(msg)
        _PATTERNS[name] = Pattern(
            name, spec_type, answers, lay_out, settles, first_for, next_for, shrinks
        )
        return lay_out

    return register


def all_patterns() -> dict[str, Pattern]:
    """Return every printed pattern by name, sorted; each file in `patterns/shapes` adds its own."""
    return _found_in("patterns.shapes")


def all_checks() -> dict[str, Pattern]:
    """Return the measurements taken without printing, from `patterns/checks`."""
    return _found_in("patterns.checks")


def _found_in(package: str) -> dict[str, Pattern]:
    folder = importlib.import_module(package)
    for found in pkgutil.iter_modules(folder.__path__):
        importlib.import_module(f"{package}.{found.name}")
    return {
        name: p for name, p in sorted(_PATTERNS.items()) if p.lay_out.__module__.startswith(package)
    }


def get(name: str) -> Pattern:
    """Return one pattern or check.

    Raises
    ------
    SpecError
        None has that name; the nearest name is suggested.
    """
    known = all_patterns() | all_checks()
    if name not in known:
        near = difflib.get_close_matches(name, known, n=1)
        mend = f"did you mean {near[0]}?" if near else f"the patterns are {', '.join(known)}"
        raise SpecError(f"there is no pattern {name!r}", mend=mend)
    return known[name]
