"""Corrections as interpreters make them: what the table says of a setting is taken from there."""

from collections.abc import Sequence
from dataclasses import replace

from calib.model.correction import Correction, Verdict
from calib.model.estimate import Estimate
from calib.model.request import Request
from calib.model.setting import kept_setting


def corrected(
    setting: str,
    old: float | None,
    new: float,
    error: Estimate,
    verdict: Verdict,
    reason: str,
    evidence: str,
    *,
    u_new: float | None = None,
    requests: Sequence[Request] = (),
    instead_of: str = "",
) -> Correction:
    """Return the correction of an error that was found; the new value is as sure as that where nothing else is said."""
    about = kept_setting(setting)
    return Correction(
        setting=about.name,
        old=old,
        new=new,
        u_new=error.u if u_new is None else u_new,
        unit=about.unit,
        error=error,
        verdict=verdict,
        scope=about.scope,
        evidence=evidence,
        reason=reason,
        requests=tuple(requests),
        instead_of=instead_of,
    )


def best_found(
    setting: str,
    old: float | None,
    value: float,
    estimate: Estimate,
    verdict: Verdict,
    reason: str,
    evidence: str,
    *,
    u: float | None = None,
    requests: Sequence[Request] = (),
) -> Correction:
    """Return the correction to a value that was found by itself, whatever was set: a limit, an optimum.

    Parameters
    ----------
    u : float
        Standard uncertainty of the value, where its interval is not that of the estimate.
    """
    error = replace(estimate, value=value - (old or 0.0))
    return corrected(
        setting, old, value, error, verdict, reason, evidence, u_new=u, requests=requests
    )
