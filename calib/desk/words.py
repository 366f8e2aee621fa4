"""The words of the pages: what each term means where it stands, and the sentences after something was done."""

#: Term -> what it means, for someone who has never calibrated.
WORDS = {
    "spool": "One roll of filament, the plastic thread that the printer melts. Two rolls differ a little, even of the same type and colour, so each has values of its own.",
    "type of filament": "What the filament is made of; it stands on the roll or its box, such as PLA or PETG.",
    "nozzle": "The small metal tip that the melted plastic comes out of. Its hole, the bore, is 0.4 mm wide on most printers.",
    "hot end": "The heated part that melts the filament, with the nozzle at its end.",
    "bed": "The plate on which a part is printed.",
    "X, Y and Z": "The three directions of a printer: X goes left and right, Y to the front and back, Z up. Seen as you stand before the printer.",
    "calibration": "Finding out by how much a printer misses what it was told, and setting it so that parts come out true.",
    "caliper": "The sliding measuring tool with two jaws that shows a length, to 0.01 mm on most.",
    "correction": "A setting to change, with its old and its new value, and how sure the new one is.",
    "scale": "The size, in %, at which a model has to be made so that the part comes out as drawn. Plastic shrinks when it cools, so it is often a little over 100 %.",
    "steps/mm": "How many steps a motor makes for 1 mm of way. It is set in the printer itself.",
    "outline offset": "By how much every outline is moved, in mm: outward if more than 0, inward if less. The same on a small part and a large one. Slicing programs call it by many names; look for 'horizontal' or 'contour' compensation.",
    "flow": "How much plastic is pushed out, against what was planned, in %. Also called extrusion multiplier.",
    "skew": "By how many degrees two directions of the printer are not square to each other.",
    "first-layer gap": "How far the nozzle is above the bed while the first layer is printed.",
    "retraction": "Pulling the filament back a little before the nozzle moves without printing, so that no string is left behind.",
    "clearance": "The room between two parts that are to fit into one another.",
    "overhang": "A face that leans out over nothing while it is printed.",
    "bridge": "A stretch printed through the air from one support to the next.",
    "slicing program": "The program that turns a model into the moves of the printer: layers, walls, temperatures.",
    "G-code": "The file that a slicing program writes and the printer follows.",
    "±": "How sure a number is: the true value lies within this much of it 95 times in 100.",
    "inherited": "Not measured on this spool, but taken from other spools of its type; good enough to start with.",
    "stale": "It was right, but something has happened since that may have changed it.",
    "sheet": "The list of everything to be measured on a piece, with what you measured.",
    "piece": "A part that is printed only to be measured.",
    "mat": "A printed sheet of paper with marks on it. A piece that lies on it can be measured from a photo.",
    "walls": "How many lines thick the sides of a part are printed.",
    "infill": "How much of the inside of a part is filled, in %.",
    "brim": "A flat rim of some lines round the first layer, which holds the part on the bed; it is cut off afterwards.",
    "layer height": "How thick each layer is.",
    "belt pitch": "The distance from one tooth of the belt to the next. Count the teeth on 20 mm: ten teeth are 2 mm.",
    "microsteps": "Into how many small steps the electronics divide one step of the motor; often 16.",
}  # fmt: skip

#: Words as sentences have them -> the term of `WORDS` that says what they mean.
SPOKEN = {
    "outline offset": "outline offset", "flow": "flow", "retraction": "retraction", "clearance": "clearance",
    "overhang": "overhang", "bridge": "bridge", "squareness": "skew", 
    "height of the first layer": "first-layer gap", "steps of x, y and z": "steps/mm",
    "steps of the extruder": "steps/mm",
}  # fmt: skip

#: Line of a sheet's head -> what it is called on the pages.
HEAD = {
    "part_c": "temperature of the room",
    "jaws_closed_mm": "what the closed jaws show",
    "extruded_mm": "length of filament fed",
    "screws_mm": "places of the screws",
    "screw_thread": "thread of the screws",
    "allowed_sag_mm": "sag that you accept",
}

#: Name of a sentence -> the sentence that is shown after something was done.
TOLD = {
    "welcome": "Your printer and your spool are noted. This is the first thing to print.",
    "kept": "Kept. Every number of it can be looked up under “What happened”.",
    "set": "Noted: these values are set. The next pieces are made with them.",
    "left": "Noted: left as it is.",
    "turned": "Noted: the screws are turned. The bed counts as new until it is measured again.",
    "models": "Noted: this goes into your models. Bring them here before you slice them.",
    "event": "Noted. What may have changed by it is marked stale until it is measured again.",
    "undone": "Taken back. It stays in the history.",
    "changed": "Changed.",
    "retired": "Out of use. Its history stays.",
    "added": "Added.",
    "head": "Noted.",
    "dropped": "The piece is put aside. Nothing of what was kept has changed.",
    "photo": "The readings of the photo are in.",
    "taken": "The readings of the sheet are in.",
}  # fmt: skip

#: How an axis is spoken of.
AXES = {
    "X": "along X (left and right)",
    "Y": "along Y (front and back)",
    "Z": "along Z (up)",
    "XY": "in the plane of the bed",
    "XZ": "upright, seen from the front",
    "YZ": "upright, seen from the side",
}

STATES = {
    "good": "measured and good",
    "inherited": "taken from others of its type",
    "stale": "to be measured again",
    "unknown": "not measured yet",
}

VERDICTS = {
    "apply": "Change it",
    "leave": "Leave it as it is",
    "print again": "Not settled yet",
}

#: What a judgement's group is called at the head of its column, and how to judge.
GROUPS = {
    "bridge": ("Bridges", "the underside of the rung: perfect is flat and clean, bad hangs in loops"),
    "overhang": ("Overhangs", "the underside of the fin: perfect is clean, bad curls or droops"),
    "strings": ("Strings", "thin hairs across the gap: perfect is none, bad is a web"),
    "strings_short": ("Strings, short gap", "thin hairs across the short gap: perfect is none, bad is a web"),
    "surface": ("Skin", "blobs or gaps on the post's skin: perfect is even, bad is rough"),
    "strength": ("Strength", "press the thin reed with a fingernail: perfect bends and springs back, bad snaps"),
    "corner": ("Sharp edge", "perfect is straight and crisp, bad is bulged, torn or rounded"),
    "curve": ("Round end", "perfect is smooth, bad has facets, blobs or ripples"),
    "ripples": ("Smooth?", "yes where you would accept it on a part; look in light along the face, from the corner on"),
    "pass": ("Good enough?", "would you accept it on a part?"),
    "round": ("Round peg", "try it by hand, from the loosest socket on"),
    "square": ("Square peg", "try it by hand, from the loosest socket on"),
}  # fmt: skip
