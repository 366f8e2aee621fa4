"""The block of a kept sheet: from its readings where they are lengths, else from what they asked for."""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from calib.fit.linear import LinearFit
from calib.model.correction import Correction, Verdict
from calib.model.instrument import Instrument
from calib.model.setting import kept_setting
from calib.profile.blocks import Block, Coordinate, Part, joined, value_rows
from calib.profile.evidence import (
    Made,
    block_of,
    effective_u,
    from_sizes,
    parameter_part,
)
from calib.readings import Sheet

#: A length that is off by more than this is a fault to be mended, not a scale to be learnt (fraction).
GROSS = 0.08
_NOW = "now."


def was_set(corrections: Iterable[Correction], keys: Mapping[str, str]) -> dict[str, float]:
    """Return what was set when a piece was printed: its sheet's own lines, else the old values."""
    found = {c.setting: c.old for c in corrections if c.old is not None}
    for key, text in keys.items():
        if key.startswith(_NOW):
            try:
                found[key.removeprefix(_NOW)] = float(text.replace(",", "."))
            except ValueError:
                continue
    return {k: v for k, v in found.items() if math.isfinite(v)}


def block_of_kept(
    made: Made,
    sheet: Sheet | None,
    corrections: Sequence[Correction],
    fit: Mapping[str, Any],
    caliper: Instrument,
) -> Block | None:
    """Return the block of one kept sheet; None where it says nothing that lasts.

    Parameters
    ----------
    sheet : Sheet or None
        As it was read; None where it can't be read any more, and its corrections stand for it.
    fit : mapping
        What was kept of the solution (`Solution.to_json`).
    """
    sizes = None
    if sheet is not None and _fitted_sizes(fit):
        sizes = size_fit(sheet, caliper)
    if sizes is not None and _gross(sizes):
        return None
    block = block_of(made, sizes, corrections)
    if sizes is not None:
        return block
    return _with_rows(block, made, _size_rows(made, corrections))


def _fitted_sizes(fit: Mapping[str, Any]) -> bool:
    """Tell whether lengths were fitted; what a sheet from elsewhere says may be of any form."""
    findings = fit.get("findings")
    return isinstance(findings, list) and any(
        isinstance(f, Mapping) and f.get("topic") in ("size", "travel") and f.get("evidence")
        for f in findings
    )


def _gross(sizes: LinearFit) -> bool:
    return any(
        abs(v) > GROSS
        for n, v in zip(sizes.problem.names, sizes.theta, strict=True)
        if n.startswith("scale_")
    )


def size_fit(sheet: Sheet, caliper: Instrument) -> LinearFit | None:
    """Fit the lengths of a sheet as its interpreter does, without what can't be right."""
    from calib.interpret.lengths import common_of, fitted, is_length, lengths
    from calib.interpret.solve import Context, believable

    sheet = believable(sheet)
    readings = lengths(sheet)
    if not readings:
        return None
    features = [f for f in sheet.piece.features if is_length(f)]
    common = common_of(sheet, Context(instruments={**sheet.instruments, "caliper": caliper}))
    return fitted(features, readings, common).linear


def _size_rows(
    made: Made, corrections: Sequence[Correction]
) -> list[tuple[Part, float, float, str]]:
    """Return what corrections of sizes say by themselves: of two for one error, the first."""
    rows: list[tuple[Part, float, float, str]] = []
    told: set[str] = set()
    for c in corrections:
        again = c.verdict is Verdict.PRINT_AGAIN
        if again or not from_sizes(c.setting) or c.setting in told:
            continue
        row = _size_row(made, c)
        if row is not None:
            rows.append((*row, c.setting))
            told |= {c.setting, c.instead_of}
    return rows


def _size_row(made: Made, c: Correction) -> tuple[Part, float, float] | None:
    about, u = kept_setting(c.setting), effective_u(c)
    axis = about.axis.lower()
    if about.topic in ("scale", "axes") and axis in ("x", "y", "z"):
        old = c.old if c.old is not None else (100.0 if about.topic == "scale" else 0.0)
        if old <= 0 or c.new <= 0:
            return None
        without = replace(made, spool="") if about.topic == "axes" and not c.instead_of else made
        part = parameter_part(f"scale_{axis}", 0.0, without)
        assert part is not None
        # The error is the logarithm of old over new, and warmth was taken out of a correction.
        scale = made.was_set.get(f"scale_{axis}_percent", 100.0) / 100 if without.spool else 1.0
        return Part(part.weights, math.log(scale)), math.log(old / c.new), u / c.new
    if about.topic == "outline" and made.nozzle:
        weights = {Coordinate(f"offset_{a}", "nozzle", made.nozzle): -0.25 for a in "xy"}
        weights[Coordinate("swell", "spool", made.spool)] = -0.5
        weights[Coordinate("swell", "piece", made.piece)] = -0.5
        return Part(weights), c.new, u
    if about.topic == "skew":
        name = c.setting.removesuffix("_deg")
        return (
            Part({Coordinate(name, "printer", made.printer): 1.0}),
            math.radians(c.new),
            math.radians(u),
        )
    if about.topic == "first_layer":
        return Part({Coordinate("first_layer", "printer", made.printer): -1.0}), c.new, u
    return None


def _with_rows(
    block: Block | None, made: Made, rows: Sequence[tuple[Part, float, float, str]]
) -> Block | None:
    if not rows:
        return block
    values = value_rows([(part, value, u) for part, value, u, _ in rows])
    names = tuple(name for *_, name in rows)
    if block is None:
        empty = Block(uid=made.uid, at=made.at, coordinates=(), r=np.zeros((0, 0)), z=np.zeros(0))
        steps = {a.upper(): s for a in "xyz" if (s := made.was_set.get(f"steps_{a}_per_mm"))}
        block = replace(empty, pattern=made.pattern, steps=steps)
    coordinates, r, z = joined((block.coordinates, block.r, block.z), values)
    return replace(
        block, coordinates=coordinates, r=r, z=z, readings=block.readings + len(rows),
        settings=(*block.settings, *names),
    )  # fmt: skip
