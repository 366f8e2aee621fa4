"""Flow: walls, mass and filament into one setting, with how well they agree and which to distrust."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from calib.errors import SheetError
from calib.fit.bead import ROUNDING, filament_area_mm2
from calib.fit.doubts import effect
from calib.fit.flow import Block, FlowData, FlowFit, Roll, Wall, fit_flow, pulls, roll
from calib.interpret.common import (
    Measured,
    doubtful_repeats,
    key_number,
    key_numbers,
    measured,
    now,
    outlying_rows,
    residual,
    stand_out,
    zero_of,
)
from calib.interpret.corrected import corrected
from calib.interpret.finding import Context, Finding, Residual, Suspect
from calib.interpret.flow_words import (
    DISAGREE,
    U_DENSITY_STATED,
    U_DENSITY_UNKNOWN,
    U_EXTRUDED,
    U_VOLUME,
    Evidence,
    counted,
    distrust,
    percent_of_area,
    summary,
    surer,
    why,
)
from calib.model.correction import Correction, Verdict, judge
from calib.model.estimate import Estimate, combined
from calib.model.instrument import Instrument
from calib.model.setting import setting
from calib.readings import Sheet
from patterns.errors import SpecError
from patterns.feature import Feature, Kind
from patterns.filaments import filament

#: A side of the box that stands apart by this many standard uncertainties carries the seam.
_SEAM_PULL = 4.5
#: Less than this never makes a piece that can be measured.
_LEAST_FLOW = 0.2


def _is_wall(f: Feature) -> bool:
    return f.kind is Kind.WALL and f.rung is None


def _is_mass(f: Feature) -> bool:
    return f.kind is Kind.MASS


def _is_filament(f: Feature) -> bool:
    return f.group == "filament"


def reads(f: Feature) -> bool:
    """Whether the fit uses readings of a feature."""
    return _is_wall(f) or _is_mass(f) or _is_filament(f)


def applies(sheet: Sheet) -> bool:
    """Whether walls, a mass or the filament were measured."""
    return bool(measured(sheet, reads))


def interpret(sheet: Sheet, context: Context) -> Finding:
    """Fit flow from what the sheet holds, and judge the setting.

    Raises
    ------
    SheetError
        So little came out that no piece could be measured, or the asked volume is not known.
    """
    caliper, balance = context.instruments["caliper"], context.instruments["balance"]
    evidence = _gather(sheet, context, caliper, balance)
    suspects = doubtful_repeats([*evidence.walls, *evidence.filament], caliper)
    suspects += doubtful_repeats(evidence.masses, balance)
    result = fit_flow(evidence.data)
    result, aside = _without_seam(evidence, result)
    result, slips = _without_slips(evidence, result)
    aside += slips
    if result.flow.value < _LEAST_FLOW:
        raise SheetError(
            f"the readings say that only {100 * result.flow.value:.0f} % of the plastic came out",
            where=sheet.name,
            mend="look at their units, and at whether the right piece was measured",
        )
    suspects += aside
    corrections = _corrections(sheet, context, evidence, result, balance)
    percent = result.flow.times(100, "%")
    return Finding(
        topic="flow" if evidence.walls or evidence.masses else "filament",
        estimates=(percent, *result.fit.estimates),
        corrections=tuple(corrections),
        suspects=tuple(suspects),
        residuals=tuple(_residuals(evidence, result)),
        summary=tuple(summary(evidence, result, balance)),
        why=tuple(why(sheet, evidence, result)),
        evidence=_plain(result),
    )


def _gather(sheet: Sheet, context: Context, caliper: Instrument, balance: Instrument) -> Evidence:
    zero, u_zero = zero_of(sheet, caliper)
    walls = measured(sheet, _is_wall)
    masses = measured(sheet, _is_mass)
    wire = measured(sheet, _is_filament)
    density, u_density, density_from = _density(sheet, context)
    asked, u_volume, volume_from = _asked_volume(sheet) if masses else (0.0, 0.0, "")
    data = FlowData(
        layer_mm=sheet.piece.setup.layer_mm,
        set_filament_mm=now(context, "filament_mm") or sheet.piece.setup.filament_mm,
        walls=[
            Wall(
                name=m.feature.id,
                read_mm=m.mean - zero,
                nominal_mm=m.feature.nominal,
                u_mm=m.u(caliper),
                side=m.feature.id.rpartition("_")[0] or m.feature.id,
                lines=max(1, round(m.feature.nominal / sheet.piece.setup.line_mm)),
            )
            for m in walls
        ],
        blocks=[
            Block(
                name=m.feature.id,
                mass_g=m.mean,
                asked_mm3=asked,
                u_g=m.u(balance),
                u_volume=u_volume,
            )
            for m in masses
        ],
        roll=_roll(sheet, wire, zero, caliper),
        density_g_cm3=density,
        u_density=u_density,
        u_zero_mm=u_zero,
        u_balance_g=balance.u_zero,
    )
    return Evidence(walls, masses, wire, data, density_from, volume_from)


def _density(sheet: Sheet, context: Context) -> tuple[float, float, str]:
    stated = key_number(sheet, "density_g_cm3", 0.5, 10.0)
    if stated is not None:
        return stated, U_DENSITY_STATED, f"{stated:g} g/cm3 as stated in the sheet"
    name = context.filament or sheet.piece.spec.as_text().get("filament", "")
    try:
        found = filament(name)
    except SpecError:
        return 1.24, U_DENSITY_UNKNOWN, "1.24 g/cm3, a guess: the type of filament is not known"
    return (
        found.density_g_cm3,
        FlowData.u_density,
        f"{found.density_g_cm3:g} g/cm3 for {found.type}",
    )


def _asked_volume(sheet: Sheet) -> tuple[float, float, str]:
    """Volume that was asked for, its relative uncertainty, and where it comes from."""
    extruded = key_number(sheet, "extruded_mm", 1.0, 1e7)
    setup = sheet.piece.setup
    if extruded is not None:
        volume = extruded * filament_area_mm2(setup.filament_mm)
        return (
            volume,
            U_EXTRUDED,
            f"{extruded:g} mm of {setup.filament_mm:g} mm filament commanded",
        )
    if sheet.piece.volume_mm3 is None:
        raise SheetError(
            "the volume of this piece is not known",
            where=sheet.name,
            mend="add the line # extruded_mm: with the length of filament the G-code asks for",
        )
    return (
        sheet.piece.volume_mm3,
        U_VOLUME,
        f"the piece's volume, {sheet.piece.volume_mm3:.0f} mm3",
    )


def _roll(sheet: Sheet, wire: list[Measured], zero: float, caliper: Instrument) -> Roll | None:
    stated = key_numbers(sheet, "filament_mm", 1.0, 3.5)
    if stated:
        return roll(np.array(stated)[:, None] - zero, caliper.u_reading)
    if not wire:
        return None
    places: dict[float, list[float]] = {}
    for m in wire:
        places.setdefault(m.feature.rung or 0.0, []).append(m.mean - zero)
    width = max(len(v) for v in places.values())
    table = np.array([v + [np.nan] * (width - len(v)) for v in places.values()])
    return roll(table, max(m.u(caliper) for m in wire))


def _without_seam(evidence: Evidence, result: FlowFit) -> tuple[FlowFit, list[Suspect]]:
    """Set one side of the box aside where it alone is thicker than the others: the seam."""
    data = evidence.data
    sides: dict[str, list[int]] = {}
    for row in result.rows.get("walls", []):
        sides.setdefault(data.walls[row].side, []).append(row)
    if len(sides) < 3:
        return result, []
    apart = {k: p for k, p in pulls(result.fit.problem, sides).items() if p > _SEAM_PULL}
    if not apart:
        return result, []
    side = max(apart, key=lambda k: apart[k])
    kept = [w for w in data.walls if w.side != side]
    without = fit_flow(replace(data, walls=kept))
    words = effect(result.flow.times(100, "%"), without.flow.times(100, "%"), 1)
    found = [
        Suspect(
            reading=reading,
            explanation=f"{side} is thicker than the other sides at every height: probably"
            " measured over the seam or a bulge",
            used=False,
            effect="" if i else words,
        )
        for i, reading in enumerate(
            r for m in evidence.walls if m.feature.id.rpartition("_")[0] == side for r in m.readings
        )
    ]
    return without, found


def _without_slips(evidence: Evidence, result: FlowFit) -> tuple[FlowFit, list[Suspect]]:
    """Set aside single walls that do not belong with the others."""
    data = result.data
    rows = outlying_rows(result.fit.problem, result.rows.get("walls", []))
    if not rows:
        return result, []
    names = {result.names[i] for i in rows}
    without = fit_flow(replace(data, walls=[w for w in data.walls if w.name not in names]))
    words = effect(result.flow.times(100, "%"), without.flow.times(100, "%"), 1)
    c = data.layer_mm * ROUNDING
    found = []
    for m in evidence.walls:
        if m.feature.id in names:
            expected = c + without.flow.value * (m.feature.nominal - c)
            found += stand_out(m, expected, words)
    return without, found


def _corrections(
    sheet: Sheet, context: Context, evidence: Evidence, result: FlowFit, balance: Instrument
) -> list[Correction]:
    found = []
    if evidence.walls or evidence.masses:
        found.append(_flow_correction(sheet, context, evidence, result, balance))
    elif result.data.roll is not None:
        found.append(_filament_correction(evidence, result.data.roll))
    return found


def _flow_correction(
    sheet: Sheet, context: Context, evidence: Evidence, result: FlowFit, balance: Instrument
) -> Correction:
    old = now(context, "flow_percent", 100.0) or 100.0
    flow = result.flow
    error = replace(flow.times(100, "%"), name="flow_error", value=100 * (flow.value - 1))
    verdict = judge(error, setting("flow_percent").step, setting("flow_percent").wanted)
    way = "too much" if error.value > 0 else "too little"
    size = f"{abs(error.value):.1f} % {way} plastic (± {error.expanded():.1f} %)"
    if result.p_agree < DISAGREE:
        verdict = Verdict.PRINT_AGAIN
        size += f"; but the evidence disagrees: {distrust(evidence, result, balance)}"
    by_hand, requests = surer(sheet, result)
    reasons = {
        Verdict.APPLY: f"{size}, more than the uncertainty",
        Verdict.LEAVE: f"{size}: not distinguishable from none, leave it alone",
        Verdict.PRINT_AGAIN: f"{size}; {'; or '.join(by_hand[:2]) or 'too uncertain'}",
    }
    return corrected(
        "flow_percent",
        old,
        old / flow.value,
        error,
        verdict,
        reasons[verdict],
        " and ".join(counted(evidence, result)),
        u_new=old * flow.u / flow.value**2,
        requests=requests if verdict is Verdict.PRINT_AGAIN else (),
    )


def _filament_correction(evidence: Evidence, r: Roll) -> Correction:
    data = evidence.data
    off = r.effective_mm - data.set_filament_mm
    measured_off = Estimate(name="filament", value=off, u=r.u_mm, dof=r.dof)
    zero = Estimate(name="zero", value=0.0, u=data.u_zero_mm)
    error = combined("filament_error", [(1.0, measured_off), (1.0, zero)], "mm")
    verdict = judge(error, setting("filament_mm").step, setting("filament_mm").wanted)
    size = (
        f"the filament is {r.effective_mm:.3f} mm (± {error.expanded():.3f}), taken for"
        f" {data.set_filament_mm:g} mm"
    )
    reasons = {
        Verdict.APPLY: f"{size}: {abs(percent_of_area(r, data)):.1f} % {'more' if error.value > 0 else 'less'} plastic than asked",
        Verdict.LEAVE: f"{size}: no difference that shows, leave it alone",
        Verdict.PRINT_AGAIN: f"{size}: too uncertain; close the jaws, write what they show as"
        " # jaws_closed_mm: and measure more places",
    }
    return corrected(
        "filament_mm",
        data.set_filament_mm,
        r.effective_mm,
        error,
        verdict,
        reasons[verdict],
        f"the filament at {r.places} places",
        instead_of="flow_percent",
    )


def _residuals(evidence: Evidence, result: FlowFit) -> list[Residual]:
    by_name = {m.feature.id: m for m in (*evidence.walls, *evidence.masses)}
    problem = result.fit.problem
    lines = []
    for name, y, left, v in zip(
        result.names, problem.y, result.fit.residuals, problem.variance, strict=True
    ):
        m = by_name.get(name)
        if m is not None:
            shift = m.mean - float(y)
            lines.append(residual(m, float(y - left) + shift, float(v) ** 0.5))
    return lines


def _plain(result: FlowFit) -> Mapping[str, object]:
    def bar(e: Estimate) -> Sequence[float]:
        low, high = e.interval()
        return [100 * e.value, 100 * low, 100 * high]

    bars = {name: bar(e) for name, e in result.routes.items()} | {"together": bar(result.flow)}
    return {
        "plot": "bars",
        "unit": "%",
        "bars": bars,
        "reference": 100.0,
        "chi2": result.chi2,
        "chi2_dof": result.chi2_dof,
        "p_agree": result.p_agree,
    }
