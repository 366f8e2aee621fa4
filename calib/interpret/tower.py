"""A tower's bands: what was scored and measured on them, by group, and the best setting that fits."""

import math
from dataclasses import dataclass

import numpy as np

from calib.fit.optimum import SCORE, Optimum, Response, Wish, find_optimum
from calib.interpret.common import Measured, key_number, measured
from calib.interpret.finding import Context
from calib.interpret.ladders import nice
from calib.model.gate import ceiling, ratings_of, tightest
from calib.model.setting import kept_setting
from calib.readings import Sheet
from patterns.feature import Feature, Kind

#: Sag or droop, roughness of an edge, and strings for each mm of a gap's length (two or three lines
#: across it) that are half as good as none: common practice, no source.
_HALF_SAG_MM, _HALF_ROUGHNESS_MM, _HALF_STRINGS_MM = 0.4, 0.1, 1.0
#: Standard uncertainty of a measured defect at least: how far a band differs from its twin. Common
#: practice, no source.
LEAST_U = {"mm": 0.03, "mm2": 0.5}


def is_score(f: Feature) -> bool:
    """Whether a feature is judged by eye."""
    return f.kind is Kind.SCORE and f.rung is not None


def _is_measured(f: Feature) -> bool:
    return f.rung is not None and (f.group == "sag" or f.instrument == "photo")


def reads(f: Feature) -> bool:
    """Whether the fit uses readings of a feature."""
    return is_score(f) or _is_measured(f)


@dataclass(frozen=True)
class Tower:
    """The bands' readings by group, and the range they cover.

    `aside` are the groups whose scores don't count, because the same was measured.
    """

    setting: str
    unit: str
    groups: dict[str, list[Measured]]
    aside: tuple[str, ...]
    weights: dict[str, float]
    tested: tuple[float, float]
    floor: float
    ceiling: float
    result: Optimum

    @property
    def in_unit(self) -> str:
        """The unit behind a number; a setting of the user's own has none."""
        return f" {self.unit}" if self.unit else ""

    @property
    def bands(self) -> int:
        """How many bands were judged or measured."""
        return len({m.feature.rung for items in self.groups.values() for m in items})

    @property
    def step(self) -> float:
        """The smallest change worth making; a tenth of a band of a setting of the user's own."""
        known = kept_setting(self.setting).step
        return known or nice((self.tested[1] - self.tested[0]) / max(1, self.bands - 1) / 10)


def tower_of(sheet: Sheet, context: Context) -> Tower:
    """Gather a sheet's readings by group, with their weights, and find the best setting."""
    setting = sheet.piece.schedule[0].setting
    groups, aside = _groups(sheet)
    weights = {}
    for name in groups:
        stated = key_number(sheet, f"weight_{name}", 0.0, 100.0)
        weights[name] = 1.0 if stated is None else stated
    if not any(weights.values()):
        weights = dict.fromkeys(groups, 1.0)
    responses = [_response(name, items, weights[name], context) for name, items in groups.items()]
    rungs = [m.feature.rung or 0.0 for items in groups.values() for m in items]
    return Tower(
        setting=setting,
        unit=kept_setting(setting).unit,
        groups=groups,
        aside=aside,
        weights=weights,
        tested=(min(rungs), max(rungs)),
        floor=kept_setting(setting).limits[0],
        ceiling=ceiling(setting, tightest(ratings_of(sheet.piece.setup), context.ratings)),
        result=find_optimum(responses, kept_setting(setting).unit, setting),
    )


def _groups(sheet: Sheet) -> tuple[dict[str, list[Measured]], tuple[str, ...]]:
    """Return the readings by group, and the groups of which scores are left aside.

    What was both scored and measured counts once: as measured, unless more bands were scored.
    """
    scored: dict[str, list[Measured]] = {}
    other: dict[str, list[Measured]] = {}
    for m in measured(sheet, reads):
        group = m.feature.group or m.feature.kind.value
        (scored if is_score(m.feature) else other).setdefault(group, []).append(m)
    better = {g for g in other if len(other[g]) >= len(scored.get(g, []))}
    kept = {g: other[g] if g in better else scored.get(g, []) for g in scored | other}
    return kept, tuple(g for g in scored if g in better)


def _response(name: str, items: list[Measured], weight: float, context: Context) -> Response:
    x = np.array([m.feature.rung for m in items], float)
    if is_score(items[0].feature):
        eye = context.instruments["eye"]
        most = max(len(m.readings) for m in items)
        u = eye.u_reading / most**0.5
        y = np.array([m.mean for m in items])
        return Response(name=name, x=x, y=y, u=u, wish=SCORE, weight=weight)
    caliper = context.instruments["caliper"]
    y = np.array([m.mean - m.feature.nominal for m in items])
    least = LEAST_U[items[0].feature.unit]
    us = np.array([np.hypot(m.u(caliper), least) for m in items])
    wish = Wish(sort="none", low=0.0, high=half_good(items[0].feature))
    return Response(name=name, x=x, y=y, u=us, wish=wish, weight=weight)


def half_good(f: Feature) -> float:
    """Return how much of a defect is half as good as none, in the feature's unit."""
    if f.kind is Kind.STRANDS:
        return _HALF_STRINGS_MM * math.dist(f.start, f.end)
    return _HALF_ROUGHNESS_MM if f.kind is Kind.ROUGHNESS else _HALF_SAG_MM
