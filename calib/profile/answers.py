"""From the posterior to values: what to set, how surely, for a printer, nozzle and spool."""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime

from calib.model.estimate import Estimate
from calib.model.setting import kept_setting
from calib.profile.blocks import Block, Coordinate
from calib.profile.evidence import Made, scale_weights, setting_part
from calib.profile.gaussian import Gaussian
from calib.profile.posterior import Posterior
from calib.profile.prior import Knowledge


@dataclass(frozen=True, slots=True, kw_only=True)
class Where:
    """For which printer, nozzle and spool values are asked, and when.

    `steps` are the steps/mm that are set, by axis: the size of parts is corrected on top of them, so
    that nothing is corrected twice.
    """

    printer: str
    nozzle: str
    spool: str
    material: str
    at: datetime
    steps: Mapping[str, float] = field(default_factory=dict)

    def made(self) -> Made:
        """Return a piece that would be printed there."""
        return Made(
            uid="", at=self.at, pattern="", piece="", printer=self.printer, nozzle=self.nozzle,
            spool=self.spool, material=self.material,
        )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """A setting as a function of the state: value = constant + sum, or constant x exp(sum)."""

    setting: str
    weights: Mapping[Coordinate, float]
    constant: float = 0.0
    exponential: bool = False

    def estimate(self, known: Gaussian) -> Estimate:
        """Return the value to set, with its uncertainty."""
        unit = kept_setting(self.setting).unit
        e = known.estimate(self.weights, self.setting, unit)
        if not self.exponential:
            return replace(e, value=self.constant + e.value)
        value = self.constant * math.exp(e.value)
        return replace(e, value=value, u=value * e.u)


def answer(setting: str, where: Where, knowledge: Knowledge) -> Answer:
    """Say how a setting follows from the state at a moment."""
    found = _of_sizes(setting, where, knowledge)
    if found is None:
        found = Answer(setting=setting, weights=setting_part(setting, where.made()).weights)
    weights = {
        c._replace(epoch=knowledge.epoch(c, where.at)): w
        for c, w in found.weights.items()
        if c.kind != "piece"
    }
    return replace(found, weights=weights)


def _of_sizes(setting: str, where: Where, knowledge: Knowledge) -> Answer | None:
    what, _, rest = setting.partition("_")
    axis = rest[:1]
    if what == "scale":
        weights = {c: -w for c, w in scale_weights(axis, where.made()).items()}
        steps, reference = where.steps.get(axis.upper()), _reference(where, axis, knowledge)
        ratio = steps / reference if steps and reference else 1.0
        return Answer(setting=setting, weights=weights, constant=100 / ratio, exponential=True)
    if what == "steps" and axis in "xyz":
        reference = _reference(where, axis, knowledge) or where.steps.get(axis.upper()) or 1.0
        machine = Coordinate(f"scale_{axis}", "printer", where.printer)
        return Answer(
            setting=setting, weights={machine: -1.0}, constant=reference, exponential=True
        )
    if what == "shrinkage":
        name = f"shrink_{rest.removesuffix('_percent')}"
        parts = (("material", where.material), ("spool", where.spool))
        return Answer(
            setting=setting, weights={Coordinate(name, k, o): 100.0 for k, o in parts if o}
        )
    if what == "outline":
        # Each of the two walls of a length stands off by half of it; X and Y are set as one.
        walls = {Coordinate(f"offset_{a}", "nozzle", where.nozzle): -0.25 for a in "xy"}
        return Answer(
            setting=setting, weights={**walls, Coordinate("swell", "spool", where.spool): -0.5}
        )
    if what == "skew":
        plane = Coordinate(setting.removesuffix("_deg"), "printer", where.printer)
        return Answer(setting=setting, weights={plane: 180 / math.pi})
    if what == "first":
        return Answer(
            setting=setting, weights={Coordinate("first_layer", "printer", where.printer): -1.0}
        )
    return None


def _reference(where: Where, axis: str, knowledge: Knowledge) -> float | None:
    return knowledge.reference_steps(where.printer, axis.upper())


def values(posterior: Posterior, where: Where, settings: Iterable[str]) -> dict[str, Estimate]:
    """Return the value of each setting with its uncertainty."""
    answers = [answer(s, where, posterior.knowledge) for s in settings]
    known = posterior.joint(c for a in answers for c in a.weights)
    return {a.setting: a.estimate(known) for a in answers}


def machine_and_material(
    posterior: Posterior,
    printer: str,
    name: str,
    at: datetime,
    blocks: Sequence[Block],
    spools: Mapping[str, tuple[str, str]],
) -> list[tuple[str, str, Estimate]]:
    """Return (of, what, estimate as a fraction) of a machine's scales and of the spools' shrinkage.

    Only what some sheet spoke of.

    Parameters
    ----------
    printer, name : str
        As the state names it, and as people do.
    spools : mapping
        Spool as the state names it -> its name and its type.
    """
    seen = {c[:3] for b in blocks for c in b.coordinates}
    knowledge, rows = posterior.knowledge, []
    for axis in "xyz":
        c = Coordinate(f"scale_{axis}", "printer", printer)
        if c[:3] in seen:
            c = c._replace(epoch=knowledge.epoch(c, at))
            rows.append((f"{name} {axis.upper()}", "machine scale", {c: 1.0}))
    for key, (spool, material) in spools.items():
        for d in ("xy", "z"):
            mine = Coordinate(f"shrink_{d}", "spool", key)
            if mine[:3] in seen:
                whole = {Coordinate(f"shrink_{d}", "material", material): 1.0, mine: 1.0}
                rows.append((spool, f"shrinkage {d.upper()}", whole))
    known = posterior.joint(c for _, _, weights in rows for c in weights)
    return [(of, what, known.estimate(weights, what)) for of, what, weights in rows]
