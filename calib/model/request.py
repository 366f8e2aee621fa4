"""Requests: a piece with parameters that something asks for, with why and what it will settle."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from patterns import fitting as pattern_fitting
from patterns.spec import PrintSetup


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """A piece to make, or a check without plastic.

    Attributes
    ----------
    pattern : str
        Name of the pattern or check.
    parameters : mapping
        Parameter -> number in its own unit, or a word; the pattern's usual ones for the rest.
    why : str
        What to do and what it brings, in words without a command: "print a taller piece".
    settles : tuple of str
        Names of the settings or topics that it is asked for.
    """

    pattern: str
    parameters: Mapping[str, float | str] = field(default_factory=dict)
    why: str = ""
    settles: tuple[str, ...] = ()

    @property
    def typed(self) -> dict[str, str]:
        """Return the parameters as they are typed."""
        return {k: v if isinstance(v, str) else f"{v:.6g}" for k, v in self.parameters.items()}

    def plain(self) -> dict[str, Any]:
        """Return it as plain data, which `request_of` reads back."""
        return {
            "pattern": self.pattern,
            "parameters": dict(self.parameters),
            "why": self.why,
            "settles": list(self.settles),
        }


def request_of(data: Mapping[str, Any]) -> Request:
    """Return the request that `Request.plain` wrote."""
    return Request(
        pattern=data["pattern"],
        parameters=dict(data.get("parameters", {})),
        why=data.get("why", ""),
        settles=tuple(data.get("settles", ())),
    )


def refusal(request: Request, setup: PrintSetup) -> str:
    """Say why a piece can't be made with this printer; empty where it can."""
    return pattern_fitting.refusal(request.pattern, request.typed, setup)


def fitting(request: Request, setup: PrintSetup) -> tuple[Request, str]:
    """Return a request that the printer can build, and in words what of it gave way.

    Where nothing fits it comes back as it was, with what the pattern says about it.
    """
    given, words = pattern_fitting.fitted(request.pattern, request.typed, setup)
    if given == request.typed:
        return request, words
    kept = {k: request.parameters[k] for k, v in given.items() if request.typed.get(k) == v}
    numbers = {k: kept.get(k, _number_or_word(v)) for k, v in given.items()}
    return replace(request, parameters=numbers), words


def makeable(requests: Iterable[Request], setup: PrintSetup) -> tuple[Request, ...]:
    """Return the requests in a form that the printer can build; what can't be built is left out."""
    found = []
    for wanted in requests:
        made, _ = fitting(wanted, setup)
        if not refusal(made, setup):
            found.append(made)
    return tuple(found)


def joined(requests: Iterable[Request]) -> list[Request]:
    """Return one request per pattern: a range that holds every range, the finest step, else the largest."""
    found: dict[str, Request] = {}
    for r in requests:
        mine = found.get(r.pattern)
        if mine is None:
            found[r.pattern] = r
            continue
        values = dict(mine.parameters)
        for name, value in r.parameters.items():
            values[name] = _wider(name, values[name], value) if name in values else value
        settles = tuple(dict.fromkeys((*mine.settles, *r.settles)))
        found[r.pattern] = replace(mine, parameters=values, settles=settles)
    return list(found.values())


def _wider(name: str, one: float | str, other: float | str) -> float | str:
    if isinstance(one, str) or isinstance(other, str):
        return one
    return min(one, other) if name.startswith(("from_", "step_")) else max(one, other)


def _number_or_word(text: str) -> float | str:
    try:
        return float(text)
    except ValueError:
        return text
