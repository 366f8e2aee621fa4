"""Time, grams and price of a piece, roughly: the one place that asks the patterns for it."""

from collections.abc import Mapping
from dataclasses import dataclass

from calib.store.records import Spool
from patterns.errors import SpecError
from patterns.spec import PrintSetup


@dataclass(frozen=True, slots=True, kw_only=True)
class Cost:
    """What a print takes; the price is None where the spool's is not known."""

    minutes: float
    grams: float
    cost: float | None = None


def piece_cost(
    pattern: str, parameters: Mapping[str, str], setup: PrintSetup, spool: Spool
) -> Cost | None:
    """Return what printing a piece takes; None for a check without plastic.

    A piece that does not fit the printer with its usual parameters costs nothing here: `make` says
    what would fit.
    """
    from patterns import registry

    try:
        piece = registry.get(pattern).piece(parameters, setup)
    except SpecError:
        return None
    if not piece.printed:
        return None
    from patterns.preview import preview_mesh

    mesh = preview_mesh(piece.body)
    fill = 0.35 + 0.65 * piece.advice.infill_percent / 100
    volume = mesh.volume_mm3 * fill
    grams = volume * (spool.density_g_cm3 or 1.2) / 1000
    minutes = 4 + volume / (60 * setup.line_mm * setup.layer_mm) * 1.4 / 60
    price = spool.price * grams / spool.grams if spool.price and spool.grams else None
    return Cost(minutes=minutes, grams=grams, cost=price)
