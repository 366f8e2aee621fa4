"""One file per pattern; the registry imports them all.

Lengths, holes, pins, overhangs and thin walls are feature types that ISO/ASTM 52902 (geometric
capability of additive manufacturing, from memory) asks of test artefacts; the shapes here are ours.
"""
