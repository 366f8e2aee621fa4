"""With which parameters to make the piece that settles something, and whether the printer can build it."""

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field

from patterns.errors import SpecError
from patterns.spec import PrintSetup

#: How interpreters name a piece in a reason, with what stands before and after it.
_COMMAND = re.compile(
    r"[:;]?\s*\(?truebead make ([a-z]+(?:-[a-z]+)*)((?: --set [a-z_]+=[\w+-]+(?:\.\w+)?)*)\)?"
)

#: Pattern -> what gives way where the printer is too small for it: a step grows, a length shrinks.
_GIVES_WAY = {
    "bed-patches": (("margin_mm", -1), ("pad_mm", -1)),
    "bridge-ladder": (("step_mm", 1), ("to_mm", -1)),
    "dimensional-cube": (("size_mm", -1),),
    "fit-gauge": (("peg_mm", -1), ("step_mm", 1)),
    "hole-plate": (("step_mm", 1), ("to_mm", -1)),
    "overhang-ladder": (("step_deg", 1),),
    "squareness-frame": (("side_mm", -1),),
    "step-gauge": (("pitch_mm", -1),),
    "string-posts": (("long_mm", -1),),
    "temperature-tower": (("step_c", 1),),
    "weigh-block": (("along_x_mm", -1),),
    "wall-box": (("along_x_mm", -1),),
}
_GROW = (1.5, 2.0, 2.5, 3.0, 4.0)
_SHRINK = (0.95, 0.9, 0.85, 0.8, 0.75, 0.7, 0.6, 0.5, 0.4, 0.25)


@dataclass(frozen=True, slots=True, kw_only=True)
class Making:
    """A piece to make: its pattern, and parameters as they are typed."""

    piece: str
    parameters: Mapping[str, str] = field(default_factory=dict)


def asked_for(reason: str) -> Making | None:
    """Return the piece that an interpreter's reason asks for; None where it names none."""
    from patterns import registry

    found = _COMMAND.search(reason)
    if found is None or found[1] not in registry.all_patterns() | registry.all_checks():
        return None
    pairs = (word.split("=", 1) for word in found[2].split() if "=" in word)
    return Making(piece=found[1], parameters=dict(pairs))


def without_command(reason: str) -> str:
    """Return a reason without the command in it, which is shown by itself."""
    return _COMMAND.sub("", reason).strip()


def joined(made: Iterable[Making]) -> list[Making]:
    """Return one making per piece: a range that holds every range, the finest step, else the largest."""
    found: dict[str, dict[str, str]] = {}
    for m in made:
        mine = found.setdefault(m.piece, {})
        for name, value in m.parameters.items():
            mine[name] = _wider(name, mine[name], value) if name in mine else value
    return [Making(piece=piece, parameters=values) for piece, values in found.items()]


def _wider(name: str, one: str, other: str) -> str:
    try:
        least, most = sorted((one, other), key=float)
    except ValueError:
        return one
    return least if name.startswith(("from_", "step_")) else most


def fitting(making: Making, setup: PrintSetup) -> tuple[Making, str]:
    """Return a making that the printer can build, and in words what of it gave way.

    Where nothing fits it comes back as it was, with what the pattern says about it.
    """
    trouble = refusal(making, setup)
    if not trouble:
        return making, ""
    for changed, words in _variants(making, setup):
        if not refusal(changed, setup):
            return changed, f"{words}, so that it fits the printer"
    return making, f"it does not fit the printer as it is: {trouble}"


def refusal(making: Making, setup: PrintSetup) -> str:
    """Say why a piece can't be made with this printer; empty where it can."""
    from patterns import registry

    try:
        registry.get(making.piece).piece(making.parameters, setup)
    except SpecError as err:
        return err.line
    return ""


def _variants(making: Making, setup: PrintSetup) -> Iterator[tuple[Making, str]]:
    """Yield makings that ask less of the printer, the nearest first; the last change everything."""
    usual = _usual(making.piece)
    given = dict(making.parameters)
    ways = _GIVES_WAY.get(making.piece, ())
    now = {n: _number(given.get(n, usual[n]), float(usual[n])) for n, _ in ways}
    for name, way in ways:
        for factor in _GROW if way > 0 else _SHRINK:
            value = f"{now[name] * factor:.3g}"
            yield _with(making, {name: value}), f"{name} is {value}"
    for grow in (True, False):  # last the whole range is scaled down
        for factor in _SHRINK:
            all_ = {
                n: f"{v * (1 / factor if grow and dict(ways)[n] > 0 else factor):.3g}"
                for n, v in now.items()
            }
            yield _with(making, all_), " and ".join(f"{n} is {v}" for n, v in all_.items())
    if given and ways:
        yield from _variants(Making(piece=making.piece, parameters=_words_only(given)), setup)


def _number(text: str, usual: float) -> float:
    try:
        return float(text)
    except ValueError:
        return usual


def _with(making: Making, more: Mapping[str, str]) -> Making:
    return Making(piece=making.piece, parameters={**making.parameters, **more})


def _words_only(given: Mapping[str, str]) -> dict[str, str]:
    """Return the parameters that are words, such as a type of filament."""
    return {k: v for k, v in given.items() if not re.fullmatch(r"[-+.\de]+", v)}


def _usual(piece: str) -> dict[str, str]:
    from patterns import registry

    return {n: str(default) for n, (_, default) in registry.get(piece).spec_type.params().items()}
