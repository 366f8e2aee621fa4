"""Which side of a pattern lies down for its photo, where that is not the bed's side."""

#: The ladders show their windows and sails from the front, their backs lie on the mat.
USUAL_SIDES = {
    "bridge-ladder": ("back",),
    "overhang-ladder": ("back",),
    "string-posts": ("back",),
    "temperature-tower": ("back",),
}
