"""Flow in words: what was found, which evidence to distrust and why, what would make it surer."""

from dataclasses import dataclass, replace

from calib.fit.flow import Block, FlowData, FlowFit, Roll, Wall, fit_flow, wall_ratios
from calib.interpret.common import Measured, estimate_words, plus_minus
from calib.model.instrument import Instrument
from calib.model.request import Request, makeable
from calib.readings import Sheet

#: Ovality and spread along the roll from which a filament prints unevenly: common practice.
_UNEVEN_MM = 0.05
#: How well a volume is known: read from the G-code, or taken from the piece's own (judgements).
U_EXTRUDED, U_VOLUME = 0.002, 0.015
U_DENSITY_STATED, U_DENSITY_UNKNOWN = 0.005, 0.04
DISAGREE = 0.01
_COARSE = 0.005
_WORDS = {"walls": "the walls", "mass": "the mass", "filament": "the filament's diameter"}


@dataclass(frozen=True)
class Evidence:
    """What the sheet holds, and the fit's data made of it."""

    walls: list[Measured]
    masses: list[Measured]
    filament: list[Measured]
    data: FlowData
    density_from: str
    volume_from: str


def counted(evidence: Evidence, result: FlowFit) -> list[str]:
    """Return what was measured, each sort counted."""
    words = []
    if result.data.walls:
        words.append(f"{len(result.data.walls)} wall thicknesses")
    if evidence.masses:
        words.append(f"{len(evidence.masses)} mass{'es' if len(evidence.masses) > 1 else ''}")
    if result.data.roll is not None:
        words.append(f"the filament at {result.data.roll.places} places")
    return words


def percent_of_area(r: Roll, data: FlowData) -> float:
    """Return how much larger the filament's area is than that of the diameter set, in %."""
    return 100 * ((r.effective_mm / data.set_filament_mm) ** 2 - 1)


def distrust(evidence: Evidence, result: FlowFit, balance: Instrument) -> str:
    """Say which sort of evidence to distrust, and why."""
    routes = ", ".join(
        f"{_WORDS[k]} {100 * e.value:.1f} ± {100 * e.expanded():.1f} %"
        for k, e in result.routes.items()
    )
    name = max(result.pulls, key=lambda k: abs(result.pulls[k]))
    if len(result.pulls) == 2:
        # Two can't outvote each other: the less certain one is the likelier culprit.
        name = max(result.routes, key=lambda k: result.routes[k].u)
    reasons = {
        "walls": "a wall measured over a seam, a caliper not zeroed, or jaws held askew",
        "mass": "a brim or stringing weighed with it, an infill below 100 %, or another density",
        "filament": "filament pressed by the jaws, or an extruder whose feed was never checked",
    }
    why = reasons[name]
    if name == "mass" and _too_coarse(evidence, balance):
        why = "a scale too coarse for so light a block"
    return f"{routes}; distrust {_WORDS[name]} first ({why})"


def _too_coarse(evidence: Evidence, balance: Instrument) -> bool:
    return any(balance.resolution / max(m.mean, 1e-9) > _COARSE for m in evidence.masses)


def surer(sheet: Sheet, result: FlowFit) -> tuple[list[str], tuple[Request, ...]]:
    """Say what would make it surer, by hand and by printing, the best first; each with what it leaves."""
    data = result.data
    found: list[tuple[float, str, str]] = []

    def offer(more: FlowData, words: str, pattern: str = "") -> None:
        half = 100 * fit_flow(more).flow.expanded()
        if half < 0.9 * 100 * result.flow.expanded():
            found.append((half, f"{words}, which brings it to about ± {half:.1f} %", pattern))

    if data.walls and data.u_zero_mm > 0.012:
        offer(
            replace(data, u_zero_mm=0.0058),
            "close the caliper's jaws and write what it shows in the sheet's head as"
            " # jaws_closed_mm: 0.00",
        )
    if not data.blocks:
        value = result.flow.value
        grams = 20000 * data.density_g_cm3 / 1000 * value
        block = Block(name="more", mass_g=grams, asked_mm3=20000.0, u_g=0.06, u_volume=U_EXTRUDED)
        offer(
            replace(data, blocks=[block]),
            "print and weigh a block, with # extruded_mm: from its G-code",
            "weigh-block",
        )
    elif data.u_density > 2 * U_DENSITY_STATED:
        offer(
            replace(data, u_density=U_DENSITY_STATED),
            "write the density from the spool's data sheet as # density_g_cm3:",
        )
    if data.blocks and any(b.u_volume > 2 * U_EXTRUDED for b in data.blocks):
        offer(
            replace(data, blocks=[replace(b, u_volume=U_EXTRUDED) for b in data.blocks]),
            "write the length of filament that the G-code asks for as # extruded_mm:",
        )
    if not data.walls:
        nominal = sheet.piece.setup.line_mm
        more = [
            Wall(name=str(i), read_mm=nominal * result.flow.value, nominal_mm=nominal, u_mm=0.01)
            for i in range(12)
        ]
        offer(replace(data, walls=more), "measure walls as well", "wall-box")
    found.sort()
    by_hand = [words for _, words, pattern in found if not pattern]
    requests = [
        Request(pattern=pattern, why=words, settles=("flow_percent",))
        for _, words, pattern in found
        if pattern
    ]
    if not found:
        by_hand = ["measure every wall three times, away from the seam"]
    return by_hand, makeable(requests, sheet.piece.setup)


def summary(evidence: Evidence, result: FlowFit, balance: Instrument) -> list[str]:
    """Return the short answer."""
    lines = []
    if evidence.walls or evidence.masses:
        lines.append(f"Flow is {plus_minus(result.flow.times(100, '%'))} of what was asked.")
    if result.p_agree < DISAGREE:
        lines.append(f"The evidence disagrees: {distrust(evidence, result, balance)}.")
    r = result.data.roll
    if r is not None:
        lines.append(
            f"Filament {r.effective_mm:.3f} mm, oval by {r.ovality_mm:.3f} mm, from place to place"
            f" {r.spread_mm:.3f} mm."
        )
        if max(r.ovality_mm, r.spread_mm) > _UNEVEN_MM:
            lines.append(
                "It is uneven: flow will change along the roll, and no setting follows that."
            )
    if _too_coarse(evidence, balance):
        lines.append(
            f"The scale shows {balance.resolution:g} g: coarse for this block. Weigh several"
            " together, or print a larger one."
        )
    return lines


def why(sheet: Sheet, evidence: Evidence, result: FlowFit) -> list[str]:
    """Return the whole chain."""
    data = result.data
    lines = []
    if data.walls:
        area, width = wall_ratios(data.walls, data.layer_mm)
        lines += [
            f"Walls: a line is a rectangle with rounded ends, so its area is what counts: area ratio"
            f" {area:.4f}, plain width ratio {width:.4f} (too small a change, shown to compare).",
            f"The caliper's zero (standard uncertainty {data.u_zero_mm:.3f} mm) moves all walls"
            " together; no repeat takes it away.",
        ]
    if data.blocks:
        lines.append(f"Mass: asked for {evidence.volume_from}; density {evidence.density_from}.")
    if data.roll is not None:
        lines.append(
            f"Filament: its area is {100 + percent_of_area(data.roll, data):.1f} % of that of"
            f" {data.set_filament_mm:g} mm."
        )
    for name, e in result.routes.items():
        lines.append(f"{_WORDS[name]} alone: {plus_minus(e.times(100, '%'))}.")
    if result.chi2_dof:
        verdict = "they agree" if result.p_agree >= DISAGREE else "they disagree"
        lines.append(
            f"Do they tell of one flow? Chi-square {result.chi2:.2f} with {result.chi2_dof} degrees"
            f" of freedom, probability {result.p_agree:.3f}: {verdict}."
        )
    lines += [estimate_words(e) for e in result.fit.estimates]
    if evidence.walls or evidence.masses:
        lines += [f"To be surer: {words}." for words in surer(sheet, result)[0]]
    return lines
