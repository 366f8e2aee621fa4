"""Time, grams and price of a piece for a printer and a spool: the one place that asks for them."""

from collections.abc import Mapping
from dataclasses import replace
from functools import lru_cache

from calib.store.records import Spool
from patterns.errors import SpecError
from patterns.filaments import Filament
from patterns.print_cost import PrintCost
from patterns.spec import PrintSetup


def piece_cost(
    pattern: str, parameters: Mapping[str, str], setup: PrintSetup, spool: Spool
) -> PrintCost | None:
    """Return what printing a piece takes; None for a check without plastic.

    Neither is anything said of a piece that does not fit the printer with its usual parameters:
    `make` says what would fit.
    """
    given = tuple(sorted(parameters.items()))
    return _cost(pattern, given, setup, usual_filament(spool), spool.price, spool.grams or 1000.0)


@lru_cache(maxsize=512)
def _cost(
    pattern: str, given: tuple[tuple[str, str], ...], setup: PrintSetup, material: Filament,
    price: float | None, grams: float,
) -> PrintCost | None:  # fmt: skip
    """Return the same for what decides it; its mesh takes long enough that a plan asks only once."""
    from patterns import registry
    from patterns.preview import preview_mesh
    from patterns.print_cost import print_cost

    try:
        piece = registry.get(pattern).piece(dict(given), setup)
    except SpecError:
        return None
    if not piece.printed:
        return None
    return print_cost(piece, preview_mesh(piece.body), material, spool_price=price, spool_g=grams)


def usual_filament(spool: Spool) -> Filament:
    """Return the table's filament of a spool's type, with the spool's own density."""
    from patterns.filaments import filaments

    known = filaments().get(spool.material, filaments()["PLA"])
    return replace(known, density_g_cm3=spool.density_g_cm3 or known.density_g_cm3)
