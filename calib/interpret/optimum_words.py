"""A tower's best setting in words: the short answer, the whole chain, cautions where it is hot."""

import numpy as np

from calib.fit.optimum import PLATEAU_LOSS, further_range
from calib.interpret.tower import Tower, half_good, is_score
from calib.model.correction import Correction, Verdict
from calib.readings import Sheet
from calib.safety import SAFETY
from patterns.errors import SpecError
from patterns.filaments import Filament, filament


def summary(tower: Tower, correction: Correction) -> list[str]:
    """Return the short answer, and whether judgements pull apart."""
    best, (a, b) = tower.result.best, tower.result.plateau
    spread = f"({best.low:.3g} to {best.high:.3g})"
    flat = f"anywhere from {a:.3g} to {b:.3g} is as good for practical purposes"
    if correction.verdict is Verdict.PRINT_AGAIN:
        spread, flat = (
            "or beyond",
            "the best may lie beyond what was printed, so nothing is settled",
        )
    lines = [f"Best at {best.estimate.value:.3g}{tower.in_unit} {spread}; {flat}."]
    peaks = {name: tower.result.at[np.argmax(_wish_curve(tower, name))] for name in tower.groups}
    if len(peaks) > 1 and np.ptp(list(peaks.values())) > 0.3 * (tower.tested[1] - tower.tested[0]):
        each = ", ".join(f"{k} {v:.3g}" for k, v in peaks.items())
        lines.append(
            f"The judgements pull apart ({each}{tower.in_unit}): weigh what matters to you."
        )
    return lines


def _wish_curve(tower: Tower, name: str) -> np.ndarray:
    curve = tower.result.curves[name][:, 0]
    return curve if is_score(tower.groups[name][0].feature) else -curve


def why(sheet: Sheet, tower: Tower) -> list[str]:
    """Return the whole chain from judgements to the best setting."""
    result = tower.result
    weights = ", ".join(f"{k} x {w:g}" for k, w in tower.weights.items())
    lines = [
        "Each judgement is a smooth curve of the setting plus noise (a Gaussian process, its"
        " smoothness averaged over). Curves drawn from it are turned into desirabilities from 0 to 1"
        f" and joined as a weighted geometric mean (Derringer and Suich, 1980): {weights}.",
        f"Change a weight with a line such as # weight_{next(iter(tower.groups))}: 2 in the sheet's"
        " head.",
        *_measured_words(tower),
        f"The plateau is where the joint desirability is within {PLATEAU_LOSS:g} of the best.",
        f"The best lies at the low end with probability {result.p_low_end:.0%}, at the high end with"
        f" {result.p_high_end:.0%}.",
    ]
    if tower.setting == "hot_end_c":
        lines += _temperature_cautions(sheet, tower)
    if further_range(result, tower.tested, tower.floor, tower.ceiling) is None:
        half = (result.best.high - result.best.low) / 2 / 2**0.5
        lines.append(
            "To be surer, let a second person score this one: the interval shrinks to about"
            f" ± {half:.2g}{tower.in_unit}."
        )
    return lines


def _measured_words(tower: Tower) -> list[str]:
    """Say how good a measured defect is taken to be, and which scores it stands for."""
    halves = [
        f"{name} {half_good(items[0].feature):g} {items[0].feature.unit}"
        for name, items in tower.groups.items()
        if not is_score(items[0].feature)
    ]
    lines = []
    if halves:
        lines.append(
            f"Of what was measured none is best, and half as good is {', '.join(halves)} (common"
            " practice, no source)."
        )
    if tower.aside:
        lines.append(
            f"Measured and scored: {', '.join(tower.aside)}. The measured values count, the scores of"
            " the same do not."
        )
    return lines


def _temperature_cautions(sheet: Sheet, tower: Tower) -> list[str]:
    lines = [f"Never above {tower.ceiling:g} degC, what this printer's hot end is rated for."]
    usual = _usual(sheet)
    if usual and not usual.hot_end_from_c <= tower.result.best.estimate.value <= usual.hot_end_to_c:
        lines.append(
            f"{usual.type} usually prints at {usual.hot_end_from_c:g} to {usual.hot_end_to_c:g}"
            " degC; this best lies outside: check the sensor, and the spool's own range."
        )
    return lines


def past_usual(sheet: Sheet, tower: Tower, high: float) -> str:
    """Warn where a further range leaves what the type of filament is usually printed at."""
    usual = _usual(sheet) if tower.setting == "hot_end_c" else None
    if usual is None or high <= usual.hot_end_to_c:
        return ""
    return (
        f"; {usual.type} usually stays at or below {usual.hot_end_to_c:g} degC: look at the spool's"
        " own range first, and ventilate"
    )


def care(correction: Correction) -> list[str]:
    """Return the cautions where the answer asks for more heat."""
    hotter = correction.old is None or correction.new > correction.old
    again = correction.verdict is Verdict.PRINT_AGAIN
    return [SAFETY] if correction.setting == "hot_end_c" and (hotter or again) else []


def _usual(sheet: Sheet) -> Filament | None:
    try:
        return filament(sheet.piece.spec.as_text().get("filament", ""))
    except SpecError:
        return None
