"""From one sheet's fit to its block: what it says in absolute terms, whatever was set.

log(1 + scale error) = machine + log(steps set / steps of reference) + log(scale set)
                       - shrinkage of the type - the spool's own + the print's own + warmth
both walls' offset   = nozzle + spool + print + 2 x the outline offset that was set
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime

import numpy as np

from calib.fit.linear import LinearFit, Problem
from calib.fit.warmth import CALIPER_EXPANSION_PER_K, EXPANSION_U, ROOM_C
from calib.model.correction import Correction, Verdict
from calib.model.estimate import coverage_factor
from calib.model.setting import OTHER, kept_setting
from calib.profile.blocks import Block, Coordinate, Design, Part, condensed, joined, value_rows
from calib.profile.knowledge import RUNOUT_MM, quantity

#: Model of the blocks: raise it when what a block means changes, and stored blocks are made anew.
MODEL = 6
_LENGTH_MM = 100.0  # at which scale and offset are numbers of one size
_USUAL_EXPANSION = 80e-6
_SAID_C_U = 1.0  # of a temperature that was written down
AXES = "xyz"


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """What a sheet belongs to, and what was set when its piece was printed.

    Attributes
    ----------
    uid, pattern, piece : str
        Of the sheet; the pattern's name; the piece's id, which its sheets share.
    printer, nozzle, spool, material, instrument : str
        As they are named in the state; no nozzle and no spool where nothing was printed.
    was_set : mapping
        Setting -> value.
    part_c : float or None
        Temperature of the piece when it was measured.
    printed : bool
        False for a check without plastic: its lengths are the machine's alone, whatever roll was on it.
    """

    uid: str
    at: datetime
    pattern: str
    piece: str
    printer: str
    nozzle: str = ""
    spool: str = ""
    material: str = ""
    instrument: str = "caliper"
    was_set: Mapping[str, float] = field(default_factory=dict)
    part_c: float | None = None
    printed: bool = True


def block_of(
    made: Made, sizes: LinearFit | None, corrections: Iterable[Correction]
) -> Block | None:
    """Return the block of one sheet; None where it says nothing that outlives it.

    Parameters
    ----------
    sizes : LinearFit or None
        The fit of the sheet's lengths, where it has any.
    corrections : iterable of Correction
        All that the sheet asked for; those that come of its lengths are left to `sizes`.
    """
    found: tuple[tuple[Coordinate, ...], np.ndarray, np.ndarray] | None = None
    misfit, readings, settings = 0.0, 0, []
    if sizes is not None:
        bare = made if made.printed else replace(made, nozzle="", spool="", material="")
        coordinates, r, z, misfit = condensed(*size_design(bare, sizes))
        found, readings = (coordinates, r, z), len(sizes.problem.y)
        settings += sizes_settings(sizes.problem.names)
    values = [c for c in corrections if _tells(c)]
    if values:
        rows = value_rows(
            [(setting_part(c.setting, made), c.new, max(c.u_new, 1e-9)) for c in values]
        )
        found = rows if found is None else joined(found, rows)
        readings += 0 if sizes is not None else len(values)
        settings += [c.setting for c in values]
    turns = [c for c in corrections if kept_setting(c.setting).topic == "level"]
    if turns:  # what the screws are turned by is known no better than this
        rows = value_rows([(setting_part("level", made), 0.0, max(c.u_new for c in turns) + 0.01)])
        found = rows if found is None else joined(found, rows)
    if found is None:
        return None
    return Block(
        uid=made.uid,
        at=made.at,
        coordinates=found[0],
        r=found[1],
        z=found[2],
        misfit=misfit,
        readings=readings,
        pattern=made.pattern,
        steps={a.upper(): s for a in AXES if (s := made.was_set.get(f"steps_{a}_per_mm"))},
        settings=tuple(settings),
    )


def _tells(c: Correction) -> bool:
    """Whether a correction is a value that lasts; one to be printed again may be any number."""
    about = kept_setting(c.setting)
    return (
        about.about is not OTHER
        and c.verdict is not Verdict.PRINT_AGAIN
        and not from_sizes(c.setting)
        and not about.done_once
    )


def effective_u(c: Correction) -> float:
    """Return the standard uncertainty, widened where few degrees of freedom stand behind it."""
    return max(c.u_new * coverage_factor(c.error.dof) / coverage_factor(math.inf), 1e-9)


def from_sizes(setting: str) -> bool:
    """Whether a setting follows from the parameters of the size model."""
    about = kept_setting(setting)
    return about.topic in ("scale", "outline", "skew", "first_layer", "shrinkage") or (
        about.topic == "axes" and about.axis in ("X", "Y", "Z")
    )


def sizes_settings(names: Iterable[str]) -> list[str]:
    """Return the settings that parameters of the size model inform."""
    found = []
    for name in names:
        what, _, which = name.partition("_")
        if what == "scale":
            found += [f"scale_{which}_percent", f"steps_{which}_per_mm"]
        elif what == "skew":
            found.append(f"{name}_deg")
        elif what == "squeeze":
            found.append("first_layer_gap_mm")
        elif what == "offset" and "outline_offset_mm" not in found:
            found.append("outline_offset_mm")
    return found


def size_design(made: Made, sizes: LinearFit) -> tuple[Design, dict[str, Part]]:
    """Return the sheet's problem without its priors, and how its parameters depend on the state."""
    p = sizes.problem
    parts = {
        name: part
        for name, value in zip(p.names, sizes.theta, strict=True)
        if (part := parameter_part(name, float(value), made)) is not None
    }
    repeated = _repeated(p, made) if made.spool else {}
    parts = {n: replace(t, weights={**t.weights, **repeated.get(n, {})}) for n, t in parts.items()}
    x, y = _white(p, sizes.noise_scale)
    own = [
        (n, m, s)
        for n, m, s in zip(p.names, p.prior_mean, p.prior_sd, strict=True)
        if n not in parts
    ]
    design = Design(
        names=p.names,
        x=x,
        y=y,
        own_mean={n: float(m) for n, m, _ in own},
        own_sd={n: float(s) for n, _, s in own},
    )
    design = _with_own(
        design, p, "warmth", _scale_columns(p), warmth(made)[1] if made.spool else 0.0
    )
    return design, parts


def _repeated(p: Problem, made: Made) -> dict[str, dict[Coordinate, float]]:
    """Return what a pattern repeats on a printer, however often it is printed: parameter -> weights.

    An eccentric pulley moves the same faces of the same piece each time by `RUNOUT_MM`. What the fit
    makes of such errors of single lengths is a deviation of scale, offset and inside along an axis with
    the covariance RUNOUT_MM^2 (P^T P)^+, P being their columns; its symmetric root weighs as many
    coordinates of variance 1, which all sheets of the pattern share.
    """
    found: dict[str, dict[Coordinate, float]] = {}
    both = [p.names.index(f"scale_{a}") for a in "xy" if f"scale_{a}" in p.names]
    for axis in "xy":
        names = [n for n in (f"{q}_{axis}" for q in ("scale", "offset", "inside")) if n in p.names]
        if names[:1] != [f"scale_{axis}"]:
            continue
        # Diagonals belong to neither axis.
        alone = (p.x[:, both] != 0).sum(axis=1) == 1
        rows = alone & (p.x[:, p.names.index(names[0])] != 0)
        unit = np.array([1 / _LENGTH_MM if n == names[0] else 1.0 for n in names])
        columns = p.x[rows][:, [p.names.index(n) for n in names]] * unit
        size, way = np.linalg.eigh(columns.T @ columns)
        told = size > 1e-9 * size[-1]
        root = way[:, told] / np.sqrt(size[told]) @ way[:, told].T
        weights = RUNOUT_MM * unit[:, None] * root
        shared = [Coordinate(f"repeated_{n}", "pattern", f"{made.printer} {made.pattern}") for n in names]  # fmt: skip
        for n, row in zip(names, weights, strict=True):
            found[n] = {c: float(w) for c, w in zip(shared, row, strict=True)}
    return found


def _white(p: Problem, scale: float) -> tuple[np.ndarray, np.ndarray]:
    if p.variance.ndim == 1:
        sd = np.sqrt(p.variance) * scale
        return p.x / sd[:, None], p.y / sd
    from scipy.linalg import solve_triangular

    lower = np.linalg.cholesky(p.variance) * scale
    return solve_triangular(lower, p.x, lower=True), solve_triangular(lower, p.y, lower=True)


def _scale_columns(p: Problem) -> np.ndarray:
    return np.array([float(n in ("scale_x", "scale_y", "scale_z")) for n in p.names])


def _with_own(design: Design, p: Problem, name: str, weights: np.ndarray, sd: float) -> Design:
    """Add a parameter of the sheet's own that acts like a sum of others."""
    column = design.x[:, : len(p.names)] @ weights
    if sd <= 0 or not column.any():
        return design
    return replace(
        design,
        names=(*design.names, name),
        x=np.column_stack([design.x, column]),
        own_sd={**design.own_sd, name: sd},
    )


def parameter_part(name: str, value: float, made: Made) -> Part | None:
    """Return how a parameter of the size model depends on the state; None where it is the sheet's own.

    Parameters
    ----------
    value : float
        The fitted value: the logarithm of a scale is taken about it.
    """
    what, _, which = name.partition("_")
    if what == "scale":
        return _scale_part(which, value, made)
    if what in ("offset", "inside") and made.nozzle:
        weights = {Coordinate(name, "nozzle", made.nozzle): 1.0}
        swell = "swell" if what == "offset" else "swell_inside"
        weights[Coordinate(swell, "spool", made.spool)] = 1.0
        if what == "inside":
            return Part(weights)
        weights[Coordinate("swell", "piece", made.piece)] = 1.0
        return Part(weights, 2 * made.was_set.get("outline_offset_mm", 0.0))
    if what == "skew":
        was = made.was_set.get(f"{name}_deg", 0.0)
        return Part({Coordinate(name, "printer", made.printer): 1.0}, -math.radians(was))
    if what == "squeeze":
        weights = {
            Coordinate("first_layer", "printer", made.printer): 1.0,
            Coordinate("first_layer", "piece", made.piece): 1.0,
        }
        return Part(weights, made.was_set.get("first_layer_gap_mm", 0.0))
    # The zero is set anew each day: it is the sheet's own, and closed jaws tell it.
    if name != "zero" and what in ("zero", "caliper"):
        return Part({Coordinate(name, "instrument", made.instrument): 1.0})
    return None


def _scale_part(axis: str, value: float, made: Made) -> Part:
    grown = 1 + value
    weights = {c: grown * w for c, w in scale_weights(axis, made).items()}
    known = math.log(made.was_set.get(f"scale_{axis}_percent", 100.0) / 100) if made.spool else 0.0
    known += warmth(made)[0] if made.spool else 0.0
    return Part(weights, value + grown * (known - math.log(grown)))


def scale_weights(axis: str, made: Made) -> dict[Coordinate, float]:
    """Return what the logarithm of a scale along an axis is made of."""
    weights = {Coordinate(f"scale_{axis}", "printer", made.printer): 1.0}
    if not made.spool:
        return weights
    shrink = "shrink_z" if axis == "z" else "shrink_xy"
    weights[Coordinate(shrink, "material", made.material)] = -1.0
    weights[Coordinate(shrink, "spool", made.spool)] = -1.0
    weights[Coordinate(f"print_{axis}", "piece", made.piece)] = 1.0
    if axis != "z":
        weights[Coordinate("print_xy", "piece", made.piece)] = 1.0
    return weights


def warmth(made: Made) -> tuple[float, float]:
    """Return how much longer a piece was for its warmth (a fraction), and its standard uncertainty.

    Sizes hold at 20 degrees C (ISO 1).
    """
    from patterns.filaments import filaments

    known = filaments().get(made.material)
    expansion = known.expansion_per_k if known else _USUAL_EXPANSION
    at, u = ROOM_C if made.part_c is None else (made.part_c, _SAID_C_U)
    # The caliper grows with the part: only the difference shows.
    seen = expansion - CALIPER_EXPANSION_PER_K
    return seen * (at - 20), math.hypot(seen * u, EXPANSION_U * expansion * (at - 20))


def setting_part(name: str, made: Made) -> Part:
    """Return how a setting that is found by itself depends on the state."""
    owners = {
        "printer": made.printer, "nozzle": made.nozzle, "material": made.material,
        "spool": made.spool, "piece": made.piece,
    }  # fmt: skip
    kinds = quantity(name).parts
    return Part({Coordinate(name, kind, owners[kind]): 1.0 for kind in kinds if owners[kind]})
