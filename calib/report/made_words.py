"""Pieces that were made, and what there is to make, in lines for people and as data for machines."""

from shlex import quote
from typing import TYPE_CHECKING, Any

from calib.report.words import place_lines
from calib.report.worth_words import settles_words, takes_words

if TYPE_CHECKING:
    from calib.plan.expected import Worth
    from calib.workshop.results import Made, MadePiece
    from patterns.filaments import Filament
    from patterns.registry import Pattern


def made_json(one: "MadePiece") -> dict[str, Any]:
    """Return what was made for machines."""
    return {
        "pattern": one.piece.pattern, "piece": one.piece_id, "folder": str(one.folder),
        "files": sorted(one.files), "features": len(one.piece.features),
        "kept_beside": None if one.kept_beside is None else one.kept_beside.name,
        **worth_json(one.worth),
    }  # fmt: skip


def made_lines(one: "MadePiece") -> list[str]:
    """Say what was made and where it is, and where a filled-in sheet is that it took the place of."""
    settled = f" It would settle {settles_words(one.worth.settles)}." if one.worth.settles else ""
    lines = [
        f"{one.piece.pattern} is in {one.folder}: {', '.join(sorted(one.files))}",
        f"It takes {takes_words(one.worth)}.{settled}",
    ]
    if one.kept_beside is not None:
        lines.append(f"The sheet that was filled in is kept as {one.kept_beside}")
    return lines


def all_made_lines(made: "Made") -> list[str]:
    """Say what was made, what to set before printing it, and what comes next."""
    lines = []
    for one in made.pieces:
        lines += made_lines(one)
    if len(made.plates) == 1:
        lines.append(f"All on one bed: {made.plates[0]}")
    elif made.plates:
        lines.append(f"On {len(made.plates)} beds: {', '.join(str(p) for p in made.plates)}")
    lines += [*made.notes, *place_lines(made.in_force, made.who.options)]
    printed = made.pieces[0].piece.printed
    first = "Print it, let it cool, measure it" if printed else "Measure"
    folder = quote(str(made.pieces[0].folder))
    several = " (and so for each of them)" if len(made.pieces) > 1 else ""
    return [
        *lines,
        f"{first}. Type the readings in: truebead read {folder} (or fill in its sheet.csv){several}",
        f"What they mean: truebead solve {folder}",
    ]


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


def pattern_rows(filament: str) -> "tuple[Filament, list[tuple[Pattern, Worth]]]":
    """Return the filament that is meant, and every pattern and check with what it takes as it comes."""
    from calib.plan.expected import worth
    from patterns import registry
    from patterns.filaments import filament as known_filament
    from patterns.spec import PrintSetup

    material = known_filament(filament)
    both = (*registry.all_patterns().values(), *registry.all_checks().values())
    return material, [(p, worth(p.piece({}, PrintSetup()), material)) for p in both]


def pattern_json(p: "Pattern", takes: "Worth") -> dict[str, Any]:
    """Return what is listed of a pattern for machines."""
    return {
        "name": p.name,
        "answers": p.answers,
        "printed": takes.minutes > 0,
        **worth_json(takes),
    }


def worth_json(takes: "Worth") -> dict[str, Any]:
    """Return what a piece takes and settles for machines."""
    return {
        "minutes": round(takes.minutes),
        "grams": round(takes.grams, 1),
        "readings": takes.readings,
        "expected_95": [
            {"setting": e.setting, "half_width": e.half_width, "unit": e.unit}
            for e in takes.settles
        ],
    }


def pattern_lines(rows: "list[tuple[Pattern, Worth]]", material: "Filament") -> list[str]:
    """Return the same as lines."""
    width = max(len(p.name) for p, _ in rows)
    lines = []
    for p, takes in rows:
        lines.append(f"{p.name:{width}}  {p.answers}")
        lines.append(f"{'':{width}}  {takes_words(takes)}")
        if takes.settles:
            lines.append(f"{'':{width}}  {settles_words(takes.settles)}")
    return [
        *lines,
        "",
        f"Times are rough, for a 0.4 mm nozzle; grams of {material.type}. ± holds for one reading of"
        " everything with usual instruments (95 %).",
        "More on one: truebead make --help PATTERN",
    ]
