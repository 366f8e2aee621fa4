"""The pieces that could be made next, each with what it would tell and what it costs."""

from collections.abc import Iterable, Mapping
from dataclasses import replace

from calib.model.instrument import Instrument
from calib.model.request import Request, fitting, refusal
from calib.plan.cost import piece_cost
from calib.plan.foreseen import foreseen
from calib.plan.shortest import Candidate
from calib.profile.blocks import Block, without_pieces
from calib.profile.evidence import Made
from calib.profile.prior import Knowledge
from calib.profile.spools import placed
from calib.store.records import Spool
from patterns.piece import Piece
from patterns.registry import Pattern
from patterns.spec import PrintSetup

#: How far a piece is also tried smaller: lengths times this, steps coarser by that.
_SHORTER, _COARSER = 0.7, 1.5


def candidates(
    topics: Iterable[str],
    setup: PrintSetup,
    spool: Spool,
    made: Made,
    knowledge: Knowledge,
    instruments: Mapping[str, Instrument],
    asked: Iterable[Request] = (),
) -> list[Candidate]:
    """Return every piece that tells something of some topics and that the printer can build.

    Parameters
    ----------
    made : Made
        With which printer, nozzle and spool.
    asked : iterable of Request
        Pieces with parameters of their own that findings ask for.
    """
    found: list[Candidate] = []
    seen = set()
    for request in [*asked, *_requests(tuple(topics), made.material)]:
        request, note = fitting(request, setup)
        key = (request.pattern, tuple(sorted(request.typed.items())))
        if key in seen or refusal(request, setup):
            continue
        seen.add(key)
        one = candidate(request, setup, spool, made, knowledge, instruments)
        if one is not None:
            found.append(replace(one, note=note))
    return found


def candidate(
    request: Request,
    setup: PrintSetup,
    spool: Spool,
    made: Made,
    knowledge: Knowledge,
    instruments: Mapping[str, Instrument],
) -> Candidate | None:
    """Return one piece with what it would tell; None where it tells nothing that lasts."""
    from patterns import registry

    pattern = registry.get(request.pattern)
    piece = pattern.piece(request.typed, setup)
    block = told(piece, pattern.settles, made, knowledge, instruments)
    if block is None:
        return None
    cost = piece_cost(request.pattern, request.typed, setup, spool)
    return Candidate(
        request=replace(request, settles=pattern.settles),
        block=block,
        minutes=cost.minutes if cost else 0.0,
        grams=cost.grams if cost else 0.0,
        readings=len(piece.by_hand),
        cost=cost.cost if cost else None,
        alone=bool(piece.schedule) or piece.advice.in_place or not piece.printed,
    )


def told(
    piece: Piece,
    settles: tuple[str, ...],
    made: Made,
    knowledge: Knowledge,
    instruments: Mapping[str, Instrument],
) -> Block | None:
    """Return what a piece to come would tell, in the epochs of its time; None where that is nothing."""
    made = replace(made, uid=piece.pattern, piece=f"{piece.pattern} to come")
    if not piece.printed:
        made = replace(made, nozzle="", spool="", material="")
    block = foreseen(piece, settles, made, instruments)
    if block is None:
        return None
    block = placed(replace(block, at=made.at), knowledge)
    sds = {c: knowledge.prior(c)[1] for c in block.coordinates if c.kind == "piece"}
    return without_pieces(block, sds)


def _requests(topics: tuple[str, ...], material: str) -> Iterable[Request]:
    from patterns import registry
    from patterns.filaments import filaments

    for pattern in (registry.all_patterns() | registry.all_checks()).values():
        if not set(pattern.settles) & set(topics):
            continue
        given: dict[str, float | str] = {}
        if "filament" in pattern.spec_type.params() and material in filaments():
            given["filament"] = material
        yield Request(pattern=pattern.name, parameters=given, settles=pattern.settles)
        smaller = _smaller(pattern)
        if smaller:
            yield Request(
                pattern=pattern.name, parameters={**given, **smaller}, settles=pattern.settles
            )


def _smaller(pattern: Pattern) -> dict[str, float | str]:
    """Return the parameters of a smaller piece of the pattern."""
    if "level" in pattern.settles:  # it spans the bed, or tells nothing of it
        return {}
    found: dict[str, float | str] = {}
    for name, way in pattern.shrinks:
        usual = float(pattern.spec_type.params()[name][1])
        if usual > 0:
            found[name] = float(f"{usual * (_COARSER if way > 0 else _SHORTER):.2g}")
    return found
