"""The split of machine and material over everything that a store has kept."""

import math
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from calib.errors import StoreError
from calib.fit.split import AXES
from calib.interpret.scales import SheetScales, Workshop, scales_of, split_workshop
from calib.model.drive import Drive

if TYPE_CHECKING:
    from calib.store.records import KeptFit
    from calib.store.store import Store


def workshop_of(store: "Store") -> Workshop:
    """Split the size errors of every sheet that was kept, over all printers and spools.

    Raises
    ------
    StoreError
        No sheet with sizes was kept yet.
    """
    printers = store.printers(retired=True)
    drives: dict[str, dict[str, Drive]] = {
        p.name: {a.axis: a.drive for a in p.axes if a.drive is not None} for p in printers
    }
    steps = {p.name: {a.axis: a.best_steps_per_mm for a in p.axes} for p in printers}
    fits = (kept for p in printers for kept in store.fits_of(p.name))
    sheets = list(kept_scales(fits, steps))
    if not sheets:
        raise StoreError(
            "no sheet with sizes was kept yet",
            mend="print, measure and keep a step-gauge first",
        )
    return split_workshop(sheets, drives)


def kept_scales(
    fits: Iterable["KeptFit"], steps_now: Mapping[str, Mapping[str, float | None]]
) -> Iterable[SheetScales]:
    """Yield the scale errors of every size and travel finding among kept fits.

    What was set when a piece was made stands in its corrections as their old values; `steps_now`
    (printer -> axis -> steps/mm) serves where they don't say.
    """
    from calib.store.records import understanding

    for kept in fits:
        with understanding(kept.sheet_uid):
            found = [
                _scales(kept, finding, steps_now.get(kept.printer, {}))
                for finding in kept.fit.get("findings", ())
                if finding.get("topic") in ("size", "travel") and finding.get("evidence")
            ]
        yield from found


def _scales(
    kept: "KeptFit", finding: Mapping[str, Any], now: Mapping[str, float | None]
) -> SheetScales:
    error, covariance = scales_of(finding["evidence"])
    old = {c["setting"]: c["old"] for c in finding.get("corrections", ())}
    travel = finding["topic"] == "travel"
    drawn = np.array(
        [
            1.0 if travel else float(old.get(f"scale_{a.lower()}_percent") or 100.0) / 100
            for a in AXES
        ]
    )
    steps = {a: old.get(f"steps_{a.lower()}_per_mm") or now.get(a) for a in AXES}
    return SheetScales(
        printer=kept.printer,
        spool="" if travel else kept.spool,
        material=kept.material,
        error=(1 + error) / drawn - 1,
        covariance=covariance,
        steps={a: float(s) for a, s in steps.items() if s},
        part_c=_temperature(kept.keys.get("part_c", "")),
    )


def _temperature(text: str) -> float | None:
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        return None
    return value if math.isfinite(value) else None
