"""The one list of patterns, read by the command line, the sheets, the docs and the tests.

It is open: besides the package's own there are those that installed packages offer under the entry point
``truebead.patterns``, and those in a file that is named (``./my_ring.py``).
"""

import difflib
import hashlib
import importlib
import importlib.util
import pkgutil
import sys
import traceback
import warnings
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from patterns.errors import SpecError
from patterns.piece import Piece
from patterns.spec import PrintSetup, Spec

#: Returns a Piece; a CadQuery Workplane is made one, with what can be measured on it.
LayOut = Callable[[Any, PrintSetup], Any]


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
        spec = self.spec_type.from_text(given)
        made: Any = self.lay_out(spec, setup)
        if isinstance(made, Piece):
            return made
        from patterns.own import piece_of

        return piece_of(made, self.name, setup, spec=spec)


#: Group of entry points under which an installed package offers a module of patterns.
ENTRY_POINT = "truebead.patterns"

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
    """Register the decorated function, which lays a piece out, under `name`; see `Pattern`.

    Raises
    ------
    ValueError
        Another pattern has that name.
    """

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
    """Return every printed pattern by name, sorted: our own, installed ones and those loaded."""
    own = _found_in("patterns.shapes")
    _load_installed()
    return dict(sorted((own | _foreign()).items()))


def all_checks() -> dict[str, Pattern]:
    """Return the measurements taken without printing, from `patterns/checks`."""
    return _found_in("patterns.checks")


def is_own(name: str) -> bool:
    """Whether a pattern comes with the package: a sheet then needs nothing but its name."""
    return name in _PATTERNS and _PATTERNS[name].lay_out.__module__.startswith("patterns.")


def _found_in(package: str) -> dict[str, Pattern]:
    _load(package)
    return {
        name: p for name, p in sorted(_PATTERNS.items()) if p.lay_out.__module__.startswith(package)
    }


@cache
def _load(package: str) -> None:
    """Import what lies in a package, once: looking into its folder each time takes longer than the rest."""
    folder = importlib.import_module(package)
    for found in pkgutil.iter_modules(folder.__path__):
        importlib.import_module(f"{package}.{found.name}")


def _foreign() -> dict[str, Pattern]:
    return {n: p for n, p in _PATTERNS.items() if not p.lay_out.__module__.startswith("patterns.")}


@cache
def _load_installed() -> None:
    """Import what installed packages offer; one that fails is left out, with a warning."""
    from importlib.metadata import entry_points

    for offered in entry_points(group=ENTRY_POINT):
        before = set(_PATTERNS)
        try:
            offered.load()
            _check_new(before)
        except Exception as err:  # somebody else's code must not stop ours
            for name in set(_PATTERNS) - before:
                del _PATTERNS[name]
            warnings.warn(f"patterns of {offered.value} are left out: {err}", stacklevel=2)


def load_file(path: Path) -> tuple[Pattern, ...]:
    """Run a user's file and return the patterns that it registers; a file loaded again replaces its own.

    Raises
    ------
    SpecError
        There is no such file, it fails, registers nothing, or what it registers can't be solved.
    """
    if not path.is_file():
        raise SpecError(f"there is no file {path}", mend="give the path of a .py file")
    module = f"truebead_user_{hashlib.sha256(str(path.resolve()).encode()).hexdigest()[:12]}"
    for name in [n for n, p in _PATTERNS.items() if p.lay_out.__module__ == module]:
        del _PATTERNS[name]
    before = set(_PATTERNS)
    try:
        _run(path, module)
        _check_new(before)
    except SpecError as err:
        _forget(before)
        raise SpecError(f"{path.name}: {err.what}", mend=err.mend) from err
    except Exception as err:
        _forget(before)
        where = _line_in(err, path)
        raise SpecError(
            f"{path.name}{where}: {type(err).__name__}: {err}",
            mend="mend the file and make it again",
        ) from err
    found = tuple(_PATTERNS[n] for n in _PATTERNS if n not in before)
    if not found:
        raise SpecError(
            f"{path.name} registers no pattern",
            mend='decorate a function with @pattern("my-name", MySpec, "what it answers")',
        )
    return found


def _run(path: Path, module: str) -> None:
    spec = importlib.util.spec_from_file_location(module, path)
    if spec is None or spec.loader is None:
        raise SpecError(f"{path.name} is no Python file", mend="give the path of a .py file")
    made = importlib.util.module_from_spec(spec)
    sys.modules[module] = made  # dataclasses look their module up
    spec.loader.exec_module(made)


def _check_new(before: set[str]) -> None:
    """Hold every new pattern's default piece against the contract with the fits."""
    from patterns.contract import check

    for name in [n for n in _PATTERNS if n not in before]:
        check(_PATTERNS[name])


def _forget(before: set[str]) -> None:
    for name in set(_PATTERNS) - before:
        del _PATTERNS[name]


def _line_in(err: BaseException, path: Path) -> str:
    """Return `` line 12``, where in a user's file an error came from."""
    steps = [s for s in traceback.extract_tb(err.__traceback__) if Path(s.filename) == path]
    if steps:
        return f" line {steps[-1].lineno}"
    line = err.lineno if isinstance(err, SyntaxError) else None
    return f" line {line}" if line else ""


def find(name: str) -> Pattern | None:
    """Return a pattern or check by its name; None where none has it."""
    return (all_patterns() | all_checks()).get(name)


def get(name: str) -> Pattern:
    """Return one pattern or check by its name, or the one in a file that is named: ``./my_ring.py``.

    Raises
    ------
    SpecError
        None has that name; the nearest name is suggested. A file can't be used.
    """
    if name.endswith(".py"):
        found = load_file(Path(name))
        if len(found) > 1:
            names = ", ".join(p.name for p in found)
            raise SpecError(f"{name} registers {names}", mend="put each into a file of its own")
        return found[0]
    known = all_patterns() | all_checks()
    if name not in known:
        near = difflib.get_close_matches(name, known, n=1) or [
            k for k in known if name and name in k
        ]
        mend = (
            f"did you mean {' or '.join(near)}?" if near else f"the patterns are {', '.join(known)}"
        )
        raise SpecError(f"there is no pattern {name!r}", mend=mend)
    return known[name]
