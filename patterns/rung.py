"""What is judged and measured on one rung of a ladder or one band of a tower: by eye, by caliper, by a photo."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from patterns.feature import Feature, Kind, Point
from patterns.schedule import ScheduleRow


@dataclass(frozen=True, slots=True)
class RungFeatures:
    """Makes the features of one rung.

    Attributes
    ----------
    number : int
        From 0, the lowest or first.
    value : float
        What it stands for, such as a temperature.
    name : str
        As people read it: ``band 210 degC``.
    """

    number: int
    value: float
    name: str

    def score(self, group: str, start: Point, end: Point, where: str) -> Feature:
        """Return a score of 0 to 10 by eye."""
        return Feature(
            id=f"{group}_{self.number + 1}", kind=Kind.SCORE, axis="", nominal=10.0,
            where=f"{self.name}: {where}; 0 worst, 10 best", start=start, end=end, view="front",
            jaws="", rung=self.value, group=group,
        )  # fmt: skip

    def accept(
        self, start: Point, end: Point, where: str, id_: str = "pass", group: str = "pass"
    ) -> Feature:
        """Return a judgement of yes or no."""
        return Feature(
            id=f"{id_}_{self.number + 1}", kind=Kind.PASS, axis="", nominal=1.0,
            where=f"{self.name}: {where}", start=start, end=end, view="front", jaws="",
            rung=self.value, group=group,
        )  # fmt: skip

    def sag(self, start: Point, end: Point, nominal: float, where: str, by: str = "") -> Feature:
        """Return the thickness of what hangs, sag included; by="photo": a photo alone sees it."""
        return Feature(
            id=f"sag_{self.number + 1}", kind=Kind.STEP, axis="Z", nominal=nominal,
            where=f"{self.name}: {where}", start=start, end=end, view="front", rung=self.value,
            group="sag", by=by,
        )  # fmt: skip

    def flaw(self, group: str, kind: Kind, start: Point, end: Point, where: str) -> Feature:
        """Return what only a photo measures, in mm or (strings) in mm2; 0 is best."""
        unit = "mm2" if kind is Kind.STRANDS else "mm"
        return Feature(
            id=f"{group}_{unit}_{self.number + 1}", kind=kind, axis="", nominal=0.0,
            where=f"{self.name}: {where}", start=start, end=end, view="front", jaws="",
            rung=self.value, group=group,
        )  # fmt: skip


def schedule_by_band(
    setting: str, values: Sequence[float], floor: Callable[[int], float], first_mm: float = 0.0
) -> tuple[ScheduleRow, ...]:
    """Return a row for each band of a tower.

    Parameters
    ----------
    floor : callable
        Number of a band -> height of its lower edge, mm.
    first_mm : float
        Height from which the first band's value holds.
    """
    edges = [first_mm, *(round(floor(k), 6) for k in range(1, len(values) + 1))]
    return tuple(
        ScheduleRow(z_from_mm=a, z_to_mm=b, setting=setting, value=v)
        for a, b, v in zip(edges, edges[1:], values, strict=False)
    )
