"""Another ladder or tower of a sheet's pattern: a range and a step that the printer can build."""

import math
from collections.abc import Iterator
from dataclasses import replace

from calib.model.request import Request, refusal
from calib.readings import Sheet
from patterns import registry

#: How much of a range is given up, at its far end, where the whole of it can't be built.
_GIVEN_UP = (0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8)
_COARSER = (1.0, 2.0, 5.0)


def ladder_requests(
    sheet: Sheet,
    near: float,
    far: float,
    why: str,
    *,
    settles: str,
    step: float | None = None,
) -> tuple[Request, ...]:
    """Return the request for another ladder; empty where the printer or the pattern can build none.

    Parameters
    ----------
    near, far : float
        Ends of the range in the ladder's own unit; the far end gives way where the whole range
        can't be built.
    why : str
        What to do and what for, in words.
    settles : str
        Name of the setting that it is for.
    step : float or None
        From rung to rung; the pattern's own where None.
    """
    for request in _candidates(sheet, near, far, step):
        if not refusal(request, sheet.piece.setup):
            return (replace(request, why=why, settles=(settles,)),)
    return ()


def _candidates(sheet: Sheet, near: float, far: float, step: float | None) -> Iterator[Request]:
    known = registry.find(sheet.piece.pattern)
    if known is None:
        return  # a user's own, of which only the sheet is here
    params = known.spec_type.params()
    names = {n.split("_")[0]: n for n in params if n.startswith(("from_", "to_", "step_"))}
    if not {"from", "to"} <= set(names):
        return
    kept = _kept(sheet)
    falling = _falls(sheet)
    for size in _sizes(near, far, step):
        for share in _GIVEN_UP:
            ends = sorted((near, far + share * (near - far)))
            low, high = ends if size is None else _whole_steps(ends[0], ends[1], size)
            values = {"from": high, "to": low} if falling else {"from": low, "to": high}
            values |= {} if size is None or "step" not in names else {"step": size}
            within = {
                names[k]: _rounded(min(max(v, params[names[k]][0].low), params[names[k]][0].high))
                for k, v in values.items()
            }
            yield Request(pattern=sheet.piece.pattern, parameters={**kept, **within})


def _sizes(near: float, far: float, step: float | None) -> list[float | None]:
    """Return the steps to try: what was asked for and coarser ones, or the pattern's own and a sixth."""
    if step is None:
        return [None, nice(abs(far - near) / 6)]
    return [nice(step) * coarser for coarser in _COARSER]


def _kept(sheet: Sheet) -> dict[str, float | str]:
    """Return the words among the sheet's own parameters, such as the type of filament."""
    words = sheet.piece.spec.as_text()
    known = registry.find(sheet.piece.pattern)
    usual = known.spec_type.params() if known else {}
    return {
        n: words[n]
        for n, (_, default) in usual.items()
        if isinstance(default, str) and words.get(n, default) != default
    }


def _falls(sheet: Sheet) -> bool:
    """Whether the piece begins with the highest value: towers may start at the hottest band."""
    rows = sheet.piece.schedule
    return bool(rows) and rows[0].value > rows[-1].value


def _whole_steps(low: float, high: float, step: float) -> tuple[float, float]:
    return math.floor(low / step + 1e-9) * step, math.ceil(high / step - 1e-9) * step


def _rounded(value: float) -> float:
    return float(f"{value:.4g}")


def range_words(request: Request, unit: str) -> str:
    """Return the range of a request for a ladder, such as ``from 30 to 60 deg``."""
    ends = [v for k, v in request.parameters.items() if k.startswith(("from_", "to_"))]
    low, high = sorted(float(v) for v in ends)
    return f"from {low:g} to {high:g} {unit}".rstrip()


def nice(step: float) -> float:
    """Return the step 1, 2 or 5 times a power of ten at or below a step."""
    if step <= 0:
        return 1.0
    power = 10.0 ** math.floor(math.log10(step))
    return float(max(m for m in (1.0, 2.0, 5.0) if m * power <= step * (1 + 1e-9)) * power)
