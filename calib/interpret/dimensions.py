"""Lengths into corrections: steps or scale, outline offset, skew, first layer, caliper zero."""

import math
from collections.abc import Sequence
from dataclasses import replace

from calib.fit.dimensions import PLANES, DimensionsFit, expected_fit
from calib.fit.warmth import refer_to_20c
from calib.interpret import machine
from calib.interpret.corrected import corrected
from calib.interpret.finding import Context, Finding, Residual
from calib.interpret.lengths import (
    Common,
    common_of,
    effect_of,
    fitted,
    is_length,
    lengths,
    made_for_sizes,
    several_lengths,
    spread_repeats,
    suspects,
    with_residuals,
)
from calib.interpret.outlines import outline_correction, outline_summary
from calib.interpret.scales import expansion_of
from calib.interpret.shape import first_layer_correction, skew_correction
from calib.model.correction import Correction, Verdict, judge
from calib.model.estimate import Estimate
from calib.model.request import Request, makeable
from calib.model.setting import kept_setting, setting
from calib.readings import Sheet
from patterns import registry
from patterns.feature import Feature

__all__ = ["applies", "effect_of", "interpret"]

AXES = "XYZ"
#: A size error that is not to be set away before its cause is found: common practice, no source.
_GROSS_PERCENT = 8.0


def reads(f: Feature) -> bool:
    """Whether the fit uses readings of a feature."""
    return is_length(f)


def applies(sheet: Sheet) -> bool:
    """Whether the sheet has lengths, of a piece that is made for sizes.

    A block to be weighed has one length along each axis, which settles nothing about scale.
    """
    own = [f for f in sheet.piece.features if is_length(f)]
    return made_for_sizes(own) and bool(lengths(sheet))


def interpret(sheet: Sheet, context: Context) -> Finding:
    """Fit the lengths of one piece and judge every setting they inform."""
    readings = lengths(sheet)
    features = [f for f in sheet.piece.features if is_length(f)]
    common = common_of(sheet, context)
    caliper = common.caliper
    result = fitted(features, readings, common)
    travel = any(f.group == "travel" for f in features)
    judged = _Judged(sheet, result, features, common, context, travel=travel)
    corrections = judged.corrections()
    return Finding(
        topic="travel" if travel else "size",
        estimates=result.linear.estimates,
        corrections=tuple(corrections),
        suspects=(
            *suspects(result, readings, features, common),
            *spread_repeats(sheet, result, readings, caliper),
        ),
        residuals=tuple(_residuals(result, features)),
        summary=tuple(judged.summary(corrections)),
        why=tuple(judged.why()),
        evidence=_evidence(result),
        factors=judged.factors(),
    )


class _Judged:
    """The fit with what is needed to judge it."""

    def __init__(
        self,
        sheet: Sheet,
        result: DimensionsFit,
        features: Sequence[Feature],
        common: Common,
        context: Context,
        *,
        travel: bool,
    ) -> None:
        self.setup = sheet.piece.setup
        self.result, self.fit = result, result.linear
        self.features, self.caliper, self.closed = features, common.caliper, common.closed
        self.travel = travel
        self.lone = not several_lengths(features) and not travel
        self.part_c = None if travel else sheet.part_c
        self.split = machine.explained(
            _evidence(result), context, common.caliper, travel=travel, part_c=self.part_c
        )
        self.context = replace(context, drives=self.split.drives)
        # An axis whose readings were all set aside has nothing to say.
        read = {a for r in result.rows for a in features[r.feature].axis}
        self.axes = [a for a in AXES if f"scale_{a.lower()}" in self.fit and a in read]
        self.wanted_percent = 100 * context.tolerance_mm / context.part_mm

    def corrections(self) -> list[Correction]:
        found: list[Correction] = []
        for axis in self.axes:
            found += self._scale(axis)
        found += outline_correction(self.fit, self.context, closed=self.closed is not None)
        found += [c for p in PLANES for c in skew_correction(self.fit, self.context, p)]
        return found + first_layer_correction(self.fit, self.context)

    def _scale(self, axis: str) -> list[Correction]:
        error = self._at_20c(self.fit[f"scale_{axis.lower()}"]).times(100, "%")
        steps_name = f"steps_{axis.lower()}_per_mm"
        steps = machine.steps_now(axis, self.context)
        smallest = setting(f"scale_{axis.lower()}_percent").step
        if steps:
            smallest = 100 * setting(steps_name).step / steps
        verdict = judge(error, smallest, self.wanted_percent)
        if self.lone and verdict is Verdict.PRINT_AGAIN:
            verdict = Verdict.LEAVE
        evidence = self._evidence_of(axis)
        reason = self._scale_reason(axis, error, verdict)
        scale_name = f"scale_{axis.lower()}_percent"
        if axis in self.split.faults:
            return [self._fault(axis, steps, error, evidence)]
        if axis in self.split.far_off:
            verdict, reason = self._far_off(axis, error, verdict)
        both = bool(steps) and not self.travel
        requests = self._requests(axis, verdict)

        def correction(name: str, old: float, other: str) -> Correction:
            gross = axis in self.split.far_off and abs(error.value) > _GROSS_PERCENT
            new = old if gross else old / (1 + error.value / 100)
            return corrected(
                name,
                old,
                new,
                error,
                verdict,
                reason,
                evidence,
                u_new=new * error.u / 100,
                instead_of=other if both and axis not in self.split.far_off else "",
                requests=requests,
            )

        found = []
        if not self.travel and not (steps and axis in self.split.far_off):
            old = self.context.now.get(scale_name, 100.0)
            found.append(correction(scale_name, old, steps_name))
        if steps:
            found.append(correction(steps_name, steps, scale_name))
        agree = abs(machine.set_over_mechanical(axis, self.context) - 1) < machine.AGREE
        return found if agree else found[::-1]

    def _at_20c(self, scale: Estimate) -> Estimate:
        """Refer the scale error of a piece to 20 degrees C (ISO 1)."""
        if self.travel:
            return scale
        at20, u = refer_to_20c([scale.value], expansion_of(self.context.filament), self.part_c)
        return replace(scale, value=float(at20[0]), u=math.hypot(scale.u, u))

    def _fault(self, axis: str, steps: float | None, error: Estimate, evidence: str) -> Correction:
        """Propose the steps of the part that is likely there, and no scale of parts.

        What is left beside the part's ratio is found once it is set right. Where steps/mm are not
        known there is nothing to set: the scale stays as it is, and the part is to be looked at.
        """
        faults = self.split.faults[axis]
        likely = {f.steps_per_mm for f in faults if f.steps_per_mm}
        scale_name = f"scale_{axis.lower()}_percent"
        old = steps or self.context.now.get(scale_name, 100.0)
        new = likely.pop() if len(likely) == 1 else steps / faults[0].ratio if steps else old
        return corrected(
            f"steps_{axis.lower()}_per_mm" if steps else scale_name,
            old,
            new,
            error,
            Verdict.APPLY if steps else Verdict.PRINT_AGAIN,
            next(s for s in self.split.short if s.startswith(f"{axis} ")).rstrip("."),
            evidence,
            u_new=new * error.u / 100,
        )

    def _far_off(self, axis: str, error: Estimate, verdict: Verdict) -> tuple[Verdict, str]:
        """Never scale away what neither shrinkage nor a sound drive can make."""
        size = self._scale_reason(axis, error, Verdict.APPLY).partition(",")[0]
        look = "look for a wrong part, a wrong setting or a scaled model first"
        reason = f"{size}, more than shrinkage and a sound drive can make: {look}"
        gross = abs(error.value) > _GROSS_PERCENT
        return (Verdict.PRINT_AGAIN if gross else verdict), reason

    def _evidence_of(self, axis: str) -> str:
        rows = [r for r in self.result.rows if axis in self.features[r.feature].axis]
        count = sum(r.count for r in rows)
        longest = max(self.features[r.feature].nominal for r in rows)
        return f"{count} readings of {len(rows)} lengths up to {longest:g} mm"

    def _scale_reason(self, axis: str, error: Estimate, verdict: Verdict) -> str:
        half = error.expanded()
        what = "moves" if self.travel else "prints"
        side = "long" if error.value > 0 else "short"
        size = f"{axis} {what} {abs(error.value):.3f} % {side} (± {half:.3f} %)"
        if verdict is Verdict.APPLY:
            return f"{size}, more than the uncertainty"
        if verdict is Verdict.LEAVE and self.lone:
            return f"{size} by itself; it counts with all else that is known"
        if verdict is Verdict.LEAVE:
            return f"{size}: not distinguishable from zero, leave it alone"
        more = "; measure a longer travel, or use a dial gauge" if self.travel else ""
        return f"{size}: too uncertain for {self.wanted_percent:.2g} %{more}"

    def _requests(self, axis: str, verdict: Verdict) -> tuple[Request, ...]:
        """Return a longer piece where the size is uncertain, and what tells whose a sure error is."""
        if verdict is Verdict.PRINT_AGAIN and axis not in self.split.far_off:
            return self._what_would_settle(axis)
        if verdict is Verdict.APPLY and not self.travel:
            return machine.travel_requests(self.split, [axis], self.context, self.setup)
        return ()

    def _what_would_settle(self, axis: str) -> tuple[Request, ...]:
        """Return a longer piece that the printer can build, with what it would bring."""
        settles = (f"scale_{axis.lower()}_percent",)
        if self.travel:
            return ()
        if axis == "Z":
            cube = Request(
                pattern="dimensional-cube",
                parameters={"size_mm": 80.0},
                why="print a taller piece",
                settles=settles,
            )
            return makeable([cube], self.setup)
        wanted = [Request(pattern="step-gauge", settles=settles)]
        return tuple(self._expected(r, axis) for r in makeable(wanted, self.setup))

    def _expected(self, request: Request, axis: str) -> Request:
        """Say how sure a piece would make the scale of an axis."""
        features = registry.get(request.pattern).piece(request.typed, self.setup).features
        u = expected_fit(features, self.caliper)[f"scale_{axis.lower()}"]
        half = f"± {100 * u.expanded():.2f} %"
        return replace(request, why=f"print a longer piece, which brings it to about {half}")

    def factors(self) -> dict[str, float]:
        """Return what the steps are to be multiplied by where travel was measured and they are not known."""
        if not self.travel:
            return {}
        return {
            f"steps_{a.lower()}_per_mm": 1 / (1 + self.fit[f"scale_{a.lower()}"].value)
            for a in self.axes
            if not machine.steps_now(a, self.context)
        }

    def summary(self, corrections: list[Correction]) -> list[str]:
        lines = []
        if self.result.zero_forgotten:
            zero = self.fit["zero"]
            shown = (
                f"it shows {self.closed.shown_mm:+.2f} mm with closed jaws"
                if self.closed
                else f"it reads {zero.value:+.2f} mm (± {zero.expanded():.2f}) on everything"
            )
            lines.append(
                f"The caliper was not zeroed: {shown}. That is taken out below; zero it and keep it so."
            )
        lines += self.split.short
        lines += outline_summary(self.fit, self.context)
        changed = _changed_axes(corrections)
        if changed:
            lines += machine.advice(
                self.split, [a for a in self.axes if a in changed], self.context
            )
        return lines

    def why(self) -> list[str]:
        fit = self.fit
        lines = [
            f"Fitted {len(fit.residuals)} lengths with {len(fit.theta)} parameters by generalised least"
            f" squares. From feature to feature they scatter by {self.result.scatter_mm:.3f} mm beside"
            " the caliper's own; all that this may be is averaged over.",
            f"The caliper's permissible error (± {self.caliper.mpe:g} mm) is common to all readings: it"
            " enters as a zero and a scale error that no repeat takes away.",
        ]
        for e in fit.estimates:
            value, u, unit = (
                (e.value * 100, e.u * 100, "%") if e.unit == "" else (e.value, e.u, e.unit)
            )
            lines.append(
                f"{e.name} = {value:+.4f} {unit}, standard uncertainty {u:.4f}, {e.from_data:.0%} from the readings"
            )
        return [*lines, *self.split.lines]


def _changed_axes(corrections: Sequence[Correction]) -> set[str]:
    """Return the axes along which the size of parts is to be changed."""
    settings = (kept_setting(c.setting) for c in corrections if c.verdict is Verdict.APPLY)
    return {s.axis for s in settings if s.topic == "scale"}


def _residuals(result: DimensionsFit, features: Sequence[Feature]) -> list[Residual]:
    return [
        Residual(
            feature=features[r.feature].id,
            nominal=features[r.feature].nominal,
            reading=r.mean,
            fitted=r.mean - res,
            repeats=r.count,
            u=math.hypot(r.u_reading, result.scatter_mm),
        )
        for r, res in with_residuals(result)
    ]


def _evidence(result: DimensionsFit) -> dict[str, object]:
    fit = result.linear
    return {
        "parameters": list(fit.problem.names),
        "values": [float(v) for v in fit.theta],
        "covariance": [[float(c) for c in row] for row in fit.covariance],
        "scatter_mm": result.scatter_mm,
        "zero_forgotten": result.zero_forgotten,
    }
