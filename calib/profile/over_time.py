"""How well each setting was known over time: what sheets told, and what events took away again."""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from calib.model.setting import kept_setting
from calib.profile.answers import Where, values
from calib.profile.blocks import Block
from calib.profile.events import Happened
from calib.profile.knowledge import World
from calib.profile.posterior import Posterior, solve
from calib.profile.prior import Spreads
from calib.profile.spools import SpoolSum, group_of, summed

#: So many of the newest moments are worked out; what was before them is one.
MOST_MOMENTS = 40


@dataclass(frozen=True, slots=True, kw_only=True)
class Track:
    """How well one setting was known.

    Attributes
    ----------
    halves : tuple of float
        Half of the 95 % interval from each moment on; the first is before any sheet.
    wanted : float
        What is good enough; 0 where nothing is asked.
    """

    setting: str
    unit: str
    wanted: float
    halves: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class OverTime:
    """How well settings were known.

    Attributes
    ----------
    moments : tuple of datetime
        When something was kept or happened, oldest first.
    events : mapping
        Place among the moments -> the events then, by name.
    tracks : tuple of Track
        Each with one half-width more than there are moments.
    """

    moments: tuple[datetime, ...]
    events: Mapping[int, tuple[str, ...]]
    tracks: tuple[Track, ...]


def over_time(
    blocks: Sequence[Block], world: World, where: Where, settings: Sequence[str], spreads: Spreads
) -> OverTime:
    """Work out how well settings were known at every moment at which that changed.

    Parameters
    ----------
    blocks : sequence of Block
        All that count now; what was taken back is left out throughout.
    spreads : mapping
        How much rolls differ, as it is known now.
    """
    happened = [e for e in world.events if _concerns(e, where)]
    moments = sorted({b.at for b in blocks} | {e.at for e in happened})[-MOST_MOMENTS:]
    if not moments:
        return OverTime(moments=(), events={}, tracks=())
    names: dict[int, list[str]] = defaultdict(list)
    for e in happened:
        if e.at in moments:
            names[moments.index(e.at)].append(e.kind)
    rows = []
    for at, known in _posteriors(blocks, world, moments, spreads):
        found = values(known, replace(where, at=at), settings)
        rows.append([found[s].expanded() for s in settings])
    return OverTime(
        moments=tuple(moments),
        events={i: tuple(kinds) for i, kinds in names.items()},
        tracks=tuple(
            Track(
                setting=s,
                unit=kept_setting(s).unit,
                wanted=kept_setting(s).wanted,
                halves=tuple(halves),
            )
            for s, halves in zip(settings, zip(*rows, strict=True), strict=True)
        ),
    )


def _concerns(e: Happened, where: Where) -> bool:
    return e.printer == where.printer or (not e.printer and e.spool == where.spool)


def _posteriors(
    blocks: Iterable[Block], world: World, moments: Sequence[datetime], spreads: Spreads
) -> Iterator[tuple[datetime, Posterior]]:
    """Yield what was known before the first moment and from each one on."""
    # Doubts rest on sheets that came later: before those, nothing is known but that there is one.
    waiting = sorted((b.carefully() for b in blocks), key=lambda b: (b.at, b.uid))
    by_spool: dict[str, list[Block]] = defaultdict(list)
    sums: dict[str, SpoolSum] = {}
    for n, at in enumerate([*moments[:1], *moments]):
        touched = set()
        while waiting and (waiting[0].at <= at if n else waiting[0].at < at):
            block = waiting.pop(0)
            by_spool[group_of(block)].append(block)
            touched.add(group_of(block))
        for spool in touched:
            sums |= summed(by_spool[spool], world)
        yield at, solve(sums, world, spreads)
