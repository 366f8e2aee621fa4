"""What a user may be after, and what matters to it."""

from dataclasses import dataclass

from calib.model.setting import TOPICS


@dataclass(frozen=True, slots=True, kw_only=True)
class Goal:
    """What the user is after, and the topics that matter to it."""

    name: str
    what: str
    topics: tuple[str, ...]


ALL = tuple(t.name for t in TOPICS if t.asked_for)
GOALS = {
    g.name: g
    for g in (
        Goal(name="all", what="everything that can be set", topics=ALL),
        Goal(
            name="fits",
            what="parts that join and slide",
            topics=("level", "first_layer", "axes", "skew", "extruder", "temperature", "flow", "scale", "outline", "holes", "clearance"),
        ),
        Goal(
            name="clean",
            what="surfaces that look clean",
            topics=("level", "first_layer", "extruder", "temperature", "retraction", "flow", "overhang", "bridge"),
        ),
        Goal(
            name="size",
            what="lengths within a tolerance",
            topics=("level", "first_layer", "skew", "flow", "scale", "outline"),
        ),
        Goal(
            name="fast",
            what="fast moves without ripples, bulges and slack",
            topics=("level", "first_layer", "extruder", "temperature", "flow", "play", "ripple", "smooth", "lag"),
        ),
    )
}  # fmt: skip
