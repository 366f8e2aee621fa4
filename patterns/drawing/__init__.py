"""Pictures of pieces, drawn from their own geometry: where to put the caliper's jaws."""

from patterns.drawing.contact import contact_sheet
from patterns.drawing.sheet import draw_piece, drawn

__all__ = ["contact_sheet", "draw_piece", "drawn"]
