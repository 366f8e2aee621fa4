"""Pieces that were made, and what there is to make, in lines for people and as data for machines."""

from shlex import quote
from typing import TYPE_CHECKING, Any

from calib.report.words import place_lines

if TYPE_CHECKING:
    from calib.workshop.results import Made, MadePiece
    from patterns.filaments import Filament
    from patterns.registry import Pattern


def made_json(one: "MadePiece") -> dict[str, Any]:
    """Return what was made for machines."""
    return {
        "pattern": one.piece.pattern, "piece": one.piece_id, "folder": str(one.folder),
        "files": sorted(one.files), "features": len(one.piece.features),
        "kept_beside": None if one.kept_beside is None else one.kept_beside.name,
    }  # fmt: skip


def made_lines(one: "MadePiece") -> list[str]:
    """Say what was made and where it is, and where a filled-in sheet is that it took the place of."""
    lines = [f"{one.piece.pattern} is in {one.folder}: {', '.join(sorted(one.files))}"]
    if one.kept_beside is not None:
        lines.append(f"The sheet that was filled in is kept as {one.kept_beside}")
    return lines


def all_made_lines(made: "Made") -> list[str]:
    """Say what was made, what to set before printing it, and what comes next."""
    lines = []
    for one in made.pieces:
        lines += made_lines(one)
    if made.plate:
        lines.append(f"All on one bed: {made.plate}")
    lines += [*made.notes, *place_lines(made.in_force, made.who.options)]
    printed = made.pieces[0].piece.printed
    first = "Print it, measure it" if printed else "Measure"
    sheet = quote(str(made.pieces[0].sheet))
    return [*lines, f"{first}, fill in sheet.csv, then: truebead solve {sheet}"]


def pattern_help(p: "Pattern") -> str:
    """Return the parameters of a pattern with unit, range, meaning and default."""
    lines = [f"{p.name}: {p.answers}", "", "Parameters (--set NAME=VALUE):"]
    for name, (param, default) in p.spec_type.params().items():
        if param.choices:
            what = "one of " + ", ".join(param.choices)
        elif isinstance(default, str):
            what = "a word"
        else:
            what = f"{param.low:g} to {param.high:g} {param.unit}".rstrip()
        lines.append(f"  {name:20} {param.help} [{what}; default {default}]")
    lines += ["", f"Example: truebead make {p.name} --out {p.name}"]
    return "\n".join(lines)


def pattern_rows(filament: str) -> "tuple[Filament, list[dict[str, Any]]]":
    """Return the filament that is meant, and every pattern and check with what it takes as it comes."""
    from patterns import registry
    from patterns.filaments import filament as known_filament

    material = known_filament(filament)
    both = (*registry.all_patterns().values(), *registry.all_checks().values())
    return material, [{"name": p.name, "answers": p.answers, **_takes(p, material)} for p in both]


def pattern_lines(rows: list[dict[str, Any]], material: "Filament") -> list[str]:
    """Return the same as lines."""
    width = max(len(row["name"]) for row in rows)
    lines = []
    for row in rows:
        minutes = f"{row['minutes']:4.0f} min {row['grams']:4.0f} g"
        takes = minutes if row["printed"] else "  no printing"
        lines.append(f"{row['name']:{width}} {takes:>15}  {row['answers']}")
    return [
        *lines,
        "",
        f"Times are rough, for a 0.4 mm nozzle; grams of {material.type}."
        " More on one: truebead make --help PATTERN",
    ]


def _takes(p: "Pattern", material: "Filament") -> dict[str, Any]:
    """Return rough minutes and grams of a pattern with its defaults."""
    from patterns.estimate import estimate
    from patterns.preview import preview_mesh
    from patterns.spec import PrintSetup

    piece = p.piece({}, PrintSetup())
    if not piece.printed:
        return {"printed": False, "minutes": 0.0, "grams": 0.0}
    cost = estimate(piece, preview_mesh(piece.body), material)
    return {"printed": True, "minutes": round(cost.minutes), "grams": round(cost.grams, 1)}
