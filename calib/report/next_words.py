"""What to print next, in lines for people and as plain data for machines."""

from collections.abc import Iterator, Sequence
from shlex import quote
from typing import TYPE_CHECKING, Any

from calib.report.words import counted, place_lines, table_lines, turn_lines

if TYPE_CHECKING:
    from calib.model.request import Request
    from calib.plan.steps import Aim, Plan, Step
    from calib.profile.tolerance import Tolerance
    from calib.workshop.results import Next, Who


def command_of(who: "Who", *requests: "Request") -> str:
    """Return what to type to make the pieces of one print."""
    several = len(requests) > 1
    sets = "".join(
        f" --set {quote(f'{r.pattern}.{k}' if several else k)}={quote(v)}"
        for r in requests
        for k, v in r.typed.items()
    )
    names = " ".join(r.pattern for r in requests)
    return f"truebead make {names}{' --plate' if several else ''}{who.options}{sets}"


def prints(found: "Next") -> list[list["Step"]]:
    """Return the steps by print: those that share a plate together, a check without plastic alone."""
    together: dict[int, list[Step]] = {}
    for i, one in enumerate(found.steps):
        together.setdefault(one.plate or -1 - i, []).append(one)
    return list(together.values())


def next_lines(found: "Next", width: int = 80) -> Iterator[tuple[str, str]]:
    """Yield (line, style): what to do next and what it takes, what it tells, how true parts come out."""
    plan = found.plan
    yield f"{found.who.words}: what to print next for {plan.goal.what}", "bold"
    for line in turn_lines(plan.to_do, found.who.options):
        yield line, ""
    if not found.steps and not plan.to_do:
        yield "Nothing to print: the profile is fit for use.", ""
        if plan.goal.name != "fast":
            yield (
                f"To print faster and still clean: truebead next{found.who.options} --goal fast",
                "",
            )
    said: set[str] = set()
    for number, together in enumerate(prints(found), 1):
        yield from _print_lines(found, number, together, said)
    if found.steps:
        yield "", ""
        for line in (*_after_lines(found), *_own_part_lines(found)):
            yield line, ""
        yield "", ""
    for line in aim_lines(plan, width):
        yield line, ""
    rest = (*_rest_lines(plan), *tolerance_lines(plan))
    for line in (*rest, *place_lines(found.in_force, found.who.options)):
        yield line, ""


def _print_lines(
    found: "Next", number: int, together: Sequence["Step"], said: set[str]
) -> Iterator[tuple[str, str]]:
    names = ", ".join(s.piece for s in together)
    effort = effort_words(
        sum(s.minutes or 0.0 for s in together),
        sum(s.grams or 0.0 for s in together),
        sum(s.cost or 0.0 for s in together),
        sum(s.readings for s in together),
    )
    plate = "on one plate: " if len(together) > 1 else ""
    yield f"{number}. {plate}{names} ({effort})", "bold"
    for why in why_words(together, said):
        yield f"   {why}", ""
    yield f"   {command_of(found.who, *(s.request for s in together))}", ""


def why_words(steps: Sequence["Step"], said: set[str] | None = None) -> list[str]:
    """Say why some steps are needed, each reason once.

    Parameters
    ----------
    said : set of str
        What earlier prints are for and why; what is said of these is added.
    """
    from calib.model.setting import topic

    said = set() if said is None else said
    never = [t for t in dict.fromkeys(t for s in steps for t in s.never) if t not in said]
    said.update(never)
    new = [f"not measured yet: {', '.join(topic(t).what for t in never)}"] if never else []
    whys = list(dict.fromkeys(why for s in steps for why in s.why))
    fresh = [why for why in whys if why not in said] or whys[:1]
    said.update(fresh)
    return [*new, *fresh]


def _after_lines(found: "Next") -> Iterator[str]:
    """Say what all of it takes, and how to go on after each print."""
    number = len(prints(found))
    if number > 1:
        words = effort_words(found.minutes, found.grams, found.cost, found.readings)
        yield f"In all {number} prints: {words}."
    first = found.steps[0].piece
    yield (
        f"After each: type its readings in (truebead read {first}), keep them (truebead keep"
        f" {first}), and ask again (truebead next{found.who.options}): it may want less."
    )


def _own_part_lines(found: "Next") -> Iterator[str]:
    """Say which part of the user's own would do instead of some of the pieces."""
    own = found.plan.own_part
    if own is None:
        return
    along = " and ".join(own.axes)
    yield (
        f"Or print less: a part of your own, about {own.length_mm:g} mm long, that you printed with this"
        f" roll tells as much as {', '.join(own.spares)}. Measure it along {along}: truebead read --part"
        f" NAME --length {own.length_mm:g} --axis {own.axes[0]}{found.who.options} READING"
    )


def aim_lines(plan: "Plan", width: int) -> Iterator[str]:
    """Say how sure the steps make us of what matters, as a table; what is alike takes one row."""
    gained = [a for a in plan.aims if a.after < 0.95 * a.now] if plan.steps else []
    shown = [a for a in gained if a.now > a.wanted]
    if shown:
        yield "How sure that makes us: each is right to within ±, 19 times in 20."
        rows = [
            (f"{labels}, {a.unit}".removesuffix(", "), f"±{a.now:.2g}", f"±{a.after:.2g}",
             f"±{a.wanted:.2g}{'' if a not in plan.open else '  not there yet'}")
            for labels, a in _alike(shown)
        ]  # fmt: skip
        yield from table_lines(("", "now >", "then >", "good enough"), rows, width)
    untold = [a for a in plan.open if a not in gained]
    if untold:
        yield _untold_words(untold, in_minutes=plan.minutes is not None)


def _untold_words(untold: Sequence["Aim"], *, in_minutes: bool) -> str:
    from calib.model.setting import topic

    topics = ", ".join(dict.fromkeys(topic(a.topic).what for a in untold))
    why = "There is no time left for" if in_minutes else "Nothing above tells of"
    return f"{why} {topics}: not known well enough; ask again when these are measured."


def _alike(aims: Sequence["Aim"]) -> Iterator[tuple[str, "Aim"]]:
    """Yield (label, one of them) of aims of one topic with the same numbers; a whole topic by its name."""
    from calib.model.setting import topic
    from calib.plan.aims import labels_joined

    alike: dict[tuple[str, ...], list[Aim]] = {}
    for a in aims:
        key = (a.topic, a.unit, f"{a.now:.2g}", f"{a.after:.2g}", f"{a.wanted:g}")
        alike.setdefault(key, []).append(a)
    for (of, *_), same in alike.items():
        whole = len(same) > 2 and len(same) == sum(a.topic == of for a in aims)
        yield topic(of).what if whole else labels_joined([a.label for a in same]), same[0]


def _rest_lines(plan: "Plan") -> Iterator[str]:
    """Say what is good, what is taken as it is, and what was left out."""
    from calib.model.setting import topic

    if plan.good:
        yield (f"Still good: {', '.join(topic(t).what for t in plan.good)}.")
    by_words: dict[str, list[str]] = {}
    for t, words in plan.taken.items():
        by_words.setdefault(words, []).append(topic(t).what)
    for words, topics in by_words.items():
        stands = "left as the printer has them" if words == "not known" else f"taken {words}"
        yield f"Not measured, {stands}: {', '.join(topics)}."
    if plan.dropped:
        dropped = ", ".join(topic(t).what for t in plan.dropped)
        yield (f"Left out, since it does not matter to this goal: {dropped}.")


def effort_words(
    minutes: float | None, grams: float | None, price: float | None, readings: int = 0
) -> str:
    """Say what printing and measuring take; empty where they take nothing."""
    parts = []
    if minutes:
        parts.append(f"about {minutes:.0f} min" if minutes < 90 else f"about {minutes / 60:.1f} h")
    if grams:
        parts.append(f"{grams:.0f} g" if grams >= 10 else f"{grams:.1f} g")
    if price:
        parts.append(f"costs {price:.2f}")
    if readings:
        parts.append(counted(readings, "reading"))
    return ", ".join(parts)


def tolerance_lines(found: "Plan") -> list[str]:
    """Say how true parts come out with the profile as it is now, and once the steps are done."""
    t = found.tolerance
    then = f", ±{found.after.part_half_mm:.2f} mm once these are measured" if found.steps else ""
    lines = [
        f"With its squareness counted in, a part of {t.part_mm:g} mm comes out within"
        f" ±{t.part_half_mm:.2f} mm now{then}.",
        _shares_words(t),
    ]
    if t.pieces > 1:
        lines.append(
            f"Two neighbours meet within ±{t.joint_half_mm:.2f} mm at their joint; {t.pieces} in a row"
            f" are {t.pieces * t.part_mm:g} ±{t.row_half_mm:.2f} mm."
        )
    if t.pieces > 2:
        lines.append(
            f"A closed ring of {t.pieces} such segments closes within ±{t.ring_half_mm:.2f} mm."
        )
    if found.within_mm is not None:
        good = t.part_half_mm <= found.within_mm
        lines.append(f"±{found.within_mm:g} mm is {_met_words(found, good)}.")
    return lines


def _shares_words(t: "Tolerance") -> str:
    """Say what the tolerance of a part is made of."""
    none = not any(s.measured for s in t.shares)
    shares = ", ".join(
        f"{s.what} ±{s.half_mm:.2f} mm{'' if s.measured or none else ' (usual, not measured)'}"
        for s in t.shares
    )
    usual = " These are what is usual: nothing of it is measured yet." if none else ""
    return f"Of that now: {shares}.{usual}"


def _met_words(found: "Plan", good: bool) -> str:
    assert found.within_mm is not None
    if good:
        return "met"
    if found.steps and found.after.part_half_mm <= found.within_mm:
        return "not met yet; once these are measured it will be"
    return "not met yet" + ("; ask again when these are measured" if found.steps else "")


def next_json(found: "Next") -> dict[str, Any]:
    """Return a plan for machines."""
    from dataclasses import asdict

    plan = found.plan
    return {
        **found.who.names,
        "goal": plan.goal.name,
        "steps": [_step_json(one, found.who) for one in found.steps],
        "prints": [
            {
                "pieces": [s.piece for s in together],
                "command": command_of(found.who.in_full, *(s.request for s in together)),
            }
            for together in prints(found)
        ],
        "aims": [asdict(a) for a in plan.aims],
        "minutes": found.minutes,
        "grams": found.grams,
        "readings": found.readings,
        "good": list(plan.good),
        "taken": dict(plan.taken),
        "to_do": dict(plan.to_do),
        "dropped": list(plan.dropped),
        "tolerance": asdict(plan.tolerance),
        "tolerance_after": asdict(plan.after),
        "within_mm": plan.within_mm,
        "own_part": None if plan.own_part is None else asdict(plan.own_part),
        "places": {v.setting: {"place": str(v.place), "is_set": v.is_set} for v in found.in_force},
    }


def _step_json(one: "Step", who: "Who") -> dict[str, Any]:
    r = one.request
    return {
        "piece": r.pattern, "topics": list(r.settles), "never": list(one.never),
        "why": list(one.why), "settles": one.settles, "parameters": dict(r.parameters),
        "minutes": one.minutes, "grams": one.grams, "cost": one.cost, "readings": one.readings,
        "plate": one.plate, "command": command_of(who.in_full, r),
    }  # fmt: skip
