"""What several commands share: options for the printer's set-up, name=value pairs, JSON output."""

import json
import re
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Annotated, Any

import typer

from calib.errors import BadInput
from calib.safety import SAFETY as SAFETY  # commands take it from here

if TYPE_CHECKING:
    from patterns.spec import PrintSetup

NozzleMmOption = Annotated[
    float | None, typer.Option("--nozzle-mm", help="Bore of the nozzle in mm.")
]
LayerOption = Annotated[float | None, typer.Option("--layer-mm", help="Layer height in mm.")]
LineOption = Annotated[float | None, typer.Option("--line-mm", help="Line width in mm.")]
BuildOption = Annotated[
    str, typer.Option("--build", help="Build volume in mm, such as 220x220x250.", metavar="XxYxZ")
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON for machines.")]
ForceOption = Annotated[bool, typer.Option("--force", help="Replace files that are there.")]


def pairs(given: Sequence[str], option: str) -> dict[str, str]:
    """Return ``["size_mm=40"]`` as ``{"size_mm": "40"}``."""
    found: dict[str, str] = {}
    for text in given:
        name, sign, value = text.partition("=")
        if not sign or not name.strip() or not value.strip():
            raise BadInput(
                f"{text!r} is not name=value", where=option, mend=f"write {option} size_mm=40"
            )
        if name.strip() in found:
            raise BadInput(f"{name.strip()} is given twice", where=option, mend="give it once")
        found[name.strip()] = value.strip()
    return found


def numbers(given: Sequence[str], option: str) -> dict[str, float]:
    """Return ``["steps_x_per_mm=80"]`` as ``{"steps_x_per_mm": 80.0}``."""
    import math

    found = {}
    for name, text in pairs(given, option).items():
        try:
            found[name] = float(text.replace(",", "."))
        except ValueError:
            found[name] = math.nan
        if not math.isfinite(found[name]):
            raise BadInput(f"{name}: {text!r} is not a number", where=option, mend="write a number")
    return found


def setup_from(
    base: "PrintSetup | None" = None,
    *,
    nozzle_mm: float | None = None,
    layer_mm: float | None = None,
    line_mm: float | None = None,
    build: str = "",
    hot_end_max_c: float | None = None,
) -> "PrintSetup":
    """Return the set-up of a printer with what the options say laid over it."""
    from dataclasses import asdict

    from patterns.spec import PrintSetup

    values: dict[str, Any] = asdict(base) if base else {}
    if nozzle_mm is not None:
        values |= {"nozzle_mm": nozzle_mm, "line_mm": 0.0}
    values |= {
        name: value
        for name, value in (
            ("layer_mm", layer_mm),
            ("line_mm", line_mm),
            ("hot_end_max_c", hot_end_max_c),
        )
        if value is not None
    }
    if build:
        values |= dict(
            zip(("build_x_mm", "build_y_mm", "build_z_mm"), build_volume(build), strict=True)
        )
    return PrintSetup(**values)


def build_volume(text: str) -> tuple[float, float, float]:
    """Read ``220x220x250`` (or with * or ×) as millimetres."""
    parts = re.split(r"\s*[xX*×]\s*", text.strip())
    try:
        x, y, z = (float(p.replace(",", ".")) for p in parts)
    except ValueError:
        raise BadInput(
            f"{text!r} is not a build volume",
            where="--build",
            mend="write three numbers in mm, such as 220x220x250",
        ) from None
    return x, y, z


def print_json(data: Mapping[str, Any] | Sequence[Any]) -> None:
    """Print data for machines: JSON without NaN or infinity."""
    typer.echo(json.dumps(finite(data), indent=2, ensure_ascii=False, allow_nan=False))


def finite(data: Any) -> Any:
    """Replace numbers that JSON lacks by null."""
    if isinstance(data, float):
        return data if abs(data) < float("inf") else None
    if isinstance(data, Mapping):
        return {str(k): finite(v) for k, v in data.items()}
    if isinstance(data, list | tuple):
        return [finite(v) for v in data]
    return data
