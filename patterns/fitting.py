"""Whether a printer can build a piece, and with which parameters it could."""

import re
from collections.abc import Iterator, Mapping

from patterns import registry
from patterns.errors import SpecError
from patterns.spec import PrintSetup

_GROW = (1.5, 2.0, 2.5, 3.0, 4.0)
_SHRINK = (0.95, 0.9, 0.85, 0.8, 0.75, 0.7, 0.6, 0.5, 0.4, 0.25)


def refusal(name: str, given: Mapping[str, str], setup: PrintSetup) -> str:
    """Say why a piece can't be made with these parameters on this printer; empty where it can."""
    try:
        registry.get(name).piece(given, setup)
    except SpecError as err:
        return err.line
    return ""


def fitted(name: str, given: Mapping[str, str], setup: PrintSetup) -> tuple[dict[str, str], str]:
    """Return parameters with which the printer can build the piece, and in words what gave way.

    Where nothing fits they come back as they were, with what the pattern says about it.

    Parameters
    ----------
    name : str
        Of a pattern or a check.
    given : mapping
        Parameter -> value as it is typed.
    """
    trouble = refusal(name, given, setup)
    if not trouble:
        return dict(given), ""
    for changed, words in _variants(name, given, setup):
        if not refusal(name, changed, setup):
            return changed, f"{words}, so that it fits the printer"
    return dict(given), f"it does not fit the printer as it is: {trouble}"


def _variants(
    name: str, given: Mapping[str, str], setup: PrintSetup
) -> Iterator[tuple[dict[str, str], str]]:
    """Yield parameters that ask less of the printer, the nearest first; the last change everything."""
    pattern = registry.get(name)
    usual = {n: str(default) for n, (_, default) in pattern.spec_type.params().items()}
    ways = dict(pattern.shrinks)
    now = {n: _number(given.get(n, usual[n]), float(usual[n])) for n in ways}
    for n, way in ways.items():
        for factor in _GROW if way > 0 else _SHRINK:
            value = f"{now[n] * factor:.3g}"
            yield {**given, n: value}, f"{n} is {value}"
    for grow in (True, False):  # last the whole range is scaled down
        for factor in _SHRINK:
            all_ = {
                n: f"{v * (1 / factor if grow and ways[n] > 0 else factor):.3g}"
                for n, v in now.items()
            }
            yield {**given, **all_}, " and ".join(f"{n} is {v}" for n, v in all_.items())
    if given and ways:
        words_only = {k: v for k, v in given.items() if not re.fullmatch(r"[-+.\de]+", v)}
        if words_only != dict(given):
            yield words_only, "with its usual parameters"
            yield from _variants(name, words_only, setup)


def _number(text: str, usual: float) -> float:
    try:
        return float(text)
    except ValueError:
        return usual
