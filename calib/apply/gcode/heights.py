"""A schedule followed through a file: its settings go before the first extrusion of the right layer.

The material a nozzle lays down at height z lies below z, so a layer belongs to the row that holds its middle.
"""

import math

import numpy as np

from calib.apply.gcode.codes import SETTERS, Event
from calib.apply.gcode.numbers import F64, I64, PART
from calib.apply.gcode.path import Faults, Path
from calib.apply.gcode.schedule import Plan

#: Slack on a row's edges against the rounding of heights, mm.
EDGE_SLACK_MM = 1e-6

#: Settings whose row in a schedule is a share of what the file itself asks for.
_SHARES = ("flow_percent", "speed_percent")

#: Extruding rows, their heights and how high their layers are, mm.
Layers = tuple[I64, F64, F64]


class Follower:
    """Goes through a file by a plan; remembers what the file itself asks for, and what is in force."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.interval, self.settled, self.tool = 0, False, 0
        self.own: dict[tuple[str, int], float] = {}
        self.in_force: dict[tuple[str, int], float] = {}
        self.inserted: list[tuple[int, float, str]] = []  # line, height mm, code
        self.retractions = 0
        self.drawn = (0, 0)  # retraction not yet given back, 1e-8 mm: the file's, as written

    def intervals(self, layers: Layers) -> I64:
        """Return between which edges each extruding row is (0: below all)."""
        _, z_mm, height = layers
        return np.searchsorted(self.plan.edges_mm, z_mm - height / 2 + EDGE_SLACK_MM, side="right")

    def follow(
        self, layers: Layers, events: list[Event], lines: I64
    ) -> list[tuple[int, list[str]]]:
        """Return the codes that are to go before rows of a block, given each row's line in the file."""
        at, z_mm, _ = layers
        inner = self.intervals(layers)
        turns = np.flatnonzero(np.diff(inner, prepend=self.interval))
        points = {*turns.tolist(), *np.searchsorted(at, [e[0] for e in events]).tolist()}
        if not self.settled:
            points.add(0)
        found, e = [], 0
        for k in sorted(p for p in points if p < len(at)):
            while e < len(events) and events[e][0] < at[k]:
                self._remember(events[e])
                e += 1
            codes = self._settle(int(inner[k]))
            if codes:
                found.append((int(at[k]), codes))
                line = int(lines[at[k]])
                self.inserted += [(line, float(z_mm[k]), code) for code in codes]
        for event in events[e:]:
            self._remember(event)
        if len(at):
            self.interval = int(inner[-1])
        return found

    def _remember(self, event: Event) -> None:
        _, letter, number, words = event
        if letter == "T":
            self.tool, self.settled = int(max(number, 0)), False
            return
        setting = SETTERS.get(int(number)) if letter == "M" else None
        value = words.get("S", words.get("R", math.nan))
        if number == 107:
            value = 0.0
        elif number == 106:
            value = words.get("S", 255.0) / 2.55
        if setting is None or math.isnan(value) or (number == 106 and words.get("P", 0.0) != 0.0):
            return  # M106 P is another fan than the one on the part
        tool = int(words["T"]) if words.get("T", -1) >= 0 else self.tool
        self.own[self._key(setting, tool)] = self.in_force[self._key(setting, tool)] = value
        self.settled = False

    def _key(self, setting: str, tool: int | None = None) -> tuple[str, int]:
        """Return where a setting's value is kept; each tool has its own temperature and flow."""
        per_tool = setting in ("hot_end_c", "flow_percent")
        return setting, (self.tool if tool is None else tool) if per_tool else 0

    def _settle(self, interval: int) -> list[str]:
        """Return the lines that bring every setting to what its row wants, or back to the file's own."""
        self.settled = True
        codes = []
        for setting in self.plan.rows:
            if setting == "retraction_mm" and not self.plan.job.line:
                continue
            neutral = 100.0 if setting in _SHARES else None
            own = self.own.get(self._key(setting), neutral)
            value = self.plan.value(setting, interval)
            if value is None:
                value = own
            elif setting in _SHARES and own is not None and not self.plan.job.line:
                value *= own / 100.0
            if value is not None and self.in_force.get(self._key(setting), neutral) != value:
                self.in_force[self._key(setting)] = value
                codes.append(self.plan.line(setting, value))
        return codes

    # -- retraction -------------------------------------------------------------------------

    def retract(self, path: Path, layers: Layers, faults: Faults) -> I64:
        """Return the filament of each row with other amounts on moves of E alone that draw back, and give back.

        A retraction that was changed and not given back before the next extruding move is a fault.
        """
        (own, written), at, inner = self.drawn, layers[0], self.intervals(layers)
        wanted = path.amount.copy()
        alone = ~(path.has["X"] | path.has["Y"] | path.has["Z"])
        printed = 0  # extruding rows up to the last change of what is drawn back
        for row in np.flatnonzero(~path.extruding & (path.amount != 0)).tolist():
            amount, so_far = int(path.amount[row]), int(np.searchsorted(at, row))
            if own > 0 and own != written and so_far != printed:
                faults.add(
                    at[printed],
                    "it extrudes before the retraction is given back, so that can't be set by height",
                    "slice with a retraction that is given back by a move of E alone",
                )
            printed = so_far
            interval = int(inner[so_far - 1]) if so_far else self.interval
            value_mm = self.plan.value("retraction_mm", interval) if alone[row] else None
            if amount < 0:
                back = -amount
                if value_mm is not None and own == 0:
                    back, self.retractions = round(value_mm * PART), self.retractions + 1
                own, written = own - amount, written + back
                wanted[row] = -back
            elif own > 0:
                given = min(amount, own)
                share = written * given // own
                wanted[row] = share + amount - given
                own, written = own - given, (written - share) * (own > given)
        self.drawn = own, written
        return wanted
