"""By how much the flow lags behind the feed: a wall whose speed steps from slow to fast and back.

Flow follows the feed as a first-order process with a time constant tau (of several models of a deposited
line's width this one fits best: Applied Sciences 15 (24), 12924, 2025, as cited; not read here). With v the
speed, and d the speed by which the flow is behind, that is

    d' = v' - d / tau,    area of the line = area at rest x (1 - d / v).

While the nozzle gains speed evenly d tends to a tau, and dies down in tau afterwards. tau in s is also the
mm of filament that are missing for each mm/s by which the filament has to go faster.
"""

import math
from dataclasses import dataclass

import numpy as np

from calib.fit.bead import ROUNDING
from calib.fit.linear import Array
from calib.fit.ripple import Acceleration
from calib.fit.threshold import Limit
from calib.model.estimate import Estimate

_GRID_S = np.geomspace(0.002, 1.5, 120)
#: Half of what the tips of the jaws take in, and how well a hand finds a place, mm. Common practice, no source.
_JAWS_MM, _PLACE_MM = 0.75, 0.5
#: How much a wall differs from place to place, mm, and how much more or less that may be.
_SCATTER_MM = 0.015
_SCALES = (0.7, 1.0, 1.4, 2.0)
_LEAST_SHARE = 0.05  # of the area at rest: a line is never less


@dataclass(frozen=True, slots=True, kw_only=True)
class Track:
    """How the wall was printed: speeds in mm/s, and the stretch of it that was fast, mm from its left end."""

    slow: float
    fast: float
    begin: float
    end: float


@dataclass(frozen=True, eq=False, kw_only=True)
class Lag:
    """What the widths say.

    Attributes
    ----------
    time : Limit
        tau in s.
    rest_mm : float
        Width of the line at rest.
    forward : float
        Probability that the wall was printed from left to right.
    at, curve : (n,) float
        The likeliest width along the wall, mm.
    fitted : (k,) float
        The same where it was read.
    """

    time: Limit
    rest_mm: float
    forward: float
    at: Array
    curve: Array
    fitted: Array


def area_share(x: Array, track: Track, tau: Array, acceleration: Array, forward: bool) -> Array:
    """Return the area of the line over that at rest, at places along the wall.

    Parameters
    ----------
    x, tau, acceleration : (...,) float
        Places in mm from the left end, s, mm/s2; of shapes that go together.
    forward : bool
        Whether the wall was printed from left to right.
    """
    along = x - track.begin if forward else track.end - x  # from where the speed rises
    length = track.end - track.begin
    slow = track.slow
    # The nozzle slows down in time for the end of the stretch; a short one is never at full speed.
    top = np.minimum(track.fast, np.sqrt(slow**2 + acceleration * length))
    ramp_s = (top - slow) / acceleration
    ramp = (top**2 - slow**2) / (2 * acceleration)
    even_s = (length - 2 * ramp) / top
    late = acceleration * tau
    die = np.exp(-ramp_s / tau)
    behind_up = late * (1 - die)
    behind_even = behind_up * np.exp(-even_s / tau)
    behind_down = -late + (behind_even + late) * die
    speed_up = np.sqrt(np.maximum(slow**2 + 2 * acceleration * along, slow**2))
    speed_down = np.sqrt(np.maximum(slow**2 + 2 * acceleration * (length - along), slow**2))
    up = late * (1 - np.exp(-np.maximum(speed_up - slow, 0.0) / acceleration / tau))
    even = behind_up * np.exp(-np.maximum(along - ramp, 0.0) / top / tau)
    slowing_s = np.maximum(top - speed_down, 0.0) / acceleration
    down = -late + (behind_even + late) * np.exp(-slowing_s / tau)
    after = behind_down * np.exp(-np.maximum(along - length, 0.0) / slow / tau)
    at_rest = np.full_like(up, slow)
    full = np.zeros_like(up) + top
    which = [along + 0 * up < edge for edge in (0.0, ramp, length - ramp, length)]
    behind = np.select(which, [0 * up, up, even + 0 * up, down + 0 * up], after + 0 * up)
    speed = np.select(which, [at_rest, speed_up + 0 * up, full, speed_down + 0 * up], at_rest)
    return np.asarray(np.maximum(1 - behind / speed, _LEAST_SHARE))


def _read_share(x: Array, track: Track, tau: Array, a: Array, forward: bool) -> Array:
    """Return what jaws of some width show: the thickest that they take in."""
    places = (x - _JAWS_MM, x, x + _JAWS_MM)
    return np.asarray(np.max([area_share(p, track, tau, a, forward) for p in places], axis=0))


def fit_lag(
    x: Array,
    width: Array,
    u: Array,
    u_zero: float,
    layer_mm: float,
    track: Track,
    acceleration: Acceleration,
) -> Lag:
    """Find the time constant from widths along the wall.

    Parameters
    ----------
    x, width, u : (k,) float, mm
        Places from the left end, readings, and their standard uncertainties.
    u_zero : float, mm
        Standard uncertainty of the instrument's zero, common to all.

    Raises
    ------
    ValueError
        Fewer than four places.
    """
    if len(x) < 4:
        msg = f"{len(x)} places: a lag needs at least four"
        raise ValueError(msg)
    nodes, weights = np.polynomial.hermite_e.hermegauss(5)
    a = (acceleration.value * np.exp(acceleration.log_sd * nodes))[None, :, None]
    tau, places = _GRID_S[:, None, None], x[None, None, :]
    rounded = ROUNDING * layer_mm
    density = []
    best: tuple[float, int, bool] = (-math.inf, 0, True)
    for forward in (True, False):
        share = _read_share(places, track, tau, a, forward)
        slope = _read_share(places + _PLACE_MM, track, tau, a, forward)
        slope = (slope - _read_share(places - _PLACE_MM, track, tau, a, forward)) / 2
        logs = np.stack(
            [_log_likelihood(share, slope, width, u, u_zero, rounded, s) for s in _SCALES]
        )
        density.append(logs)
        if logs.max() > best[0]:
            best = float(logs.max()), int(np.unravel_index(logs.argmax(), logs.shape)[1]), forward
    joint = np.exp(np.stack(density) - best[0]).sum(axis=1) @ weights  # (way, tau)
    forward = bool(joint[0].sum() >= joint[1].sum())
    share_s = np.cumsum(joint.sum(axis=0)) / joint.sum()
    low, middle, high = np.interp([0.025, 0.5, 0.975], share_s, _GRID_S)
    spread = float(np.sqrt(np.sum(joint.sum(axis=0) * (_GRID_S - middle) ** 2) / joint.sum()))
    estimate = Estimate(name="flow_lag", value=float(middle), u=spread, unit="s")
    one, a0 = np.array([[[middle]]]), np.array([[[acceleration.value]]])
    at_x = _read_share(places, track, one, a0, forward)[0, 0]
    rest = float(np.sum(at_x * (width - (1 - at_x) * rounded)) / np.sum(at_x**2))
    at = np.linspace(track.begin - 15, track.end + 15, 161)
    along = area_share(at[None, None, :], track, one, a0, forward)[0, 0]
    return Lag(
        time=Limit(estimate=estimate, low=float(low), high=float(high)),
        rest_mm=rest,
        forward=float(joint[0].sum() / joint.sum()),
        at=at,
        curve=rest * along + (1 - along) * rounded,
        fitted=rest * at_x + (1 - at_x) * rounded,
    )


def _log_likelihood(
    share: Array, slope: Array, width: Array, u: Array, u_zero: float, rounded: float, scale: float
) -> Array:
    """Log likelihood of all widths, with the width at rest and the zero averaged out; (tau, acceleration).

    width = rest x share + (1 - share) x rounded + zero: a line with rounded ends, see `calib.fit.bead`.
    """
    typical = float(np.median(width))
    variance = scale**2 * (u**2 + _SCATTER_MM**2) + (typical * slope) ** 2
    y = width - (1 - share) * rounded
    w = 1 / variance
    rr, r1, one = ((w * s).sum(-1) for s in (share**2, share, np.ones_like(share)))
    one = one + 1 / max(u_zero, 1e-6) ** 2
    ry, y1, yy = ((w * s).sum(-1) for s in (share * y, y, y**2))
    determinant = rr * one - r1**2
    explained = (one * ry**2 - 2 * r1 * ry * y1 + rr * y1**2) / determinant
    return np.asarray(-0.5 * (yy - explained) - 0.5 * np.log(determinant) + 0.5 * np.log(w).sum(-1))


def worst_mm(
    track: Track, tau: float, acceleration: float, rest_mm: float, layer_mm: float
) -> float:
    """Return by how much the wall is too thin or too thick where it is worst."""
    ramp = min((track.fast**2 - track.slow**2) / (2 * acceleration), (track.end - track.begin) / 2)
    part = np.linspace(0.0, ramp, 60)
    at = np.concatenate([track.begin + part, track.end - part])
    share = area_share(at, track, np.array(tau), np.array(acceleration), forward=True)
    return float(np.abs((share - 1) * (rest_mm - ROUNDING * layer_mm)).max())


def largest_speed(
    slow: float, tau: float, acceleration: float, rest_mm: float, layer_mm: float, wanted_mm: float
) -> float:
    """Return the fastest speed, mm/s, that a step from `slow` may go to and keep the width; at most 500."""
    low, high = slow, 500.0
    for _ in range(30):
        middle = (low + high) / 2
        track = Track(slow=slow, fast=middle, begin=0.0, end=1000.0)
        fine = worst_mm(track, tau, acceleration, rest_mm, layer_mm) <= wanted_mm
        low, high = (middle, high) if fine else (low, middle)
    return low
