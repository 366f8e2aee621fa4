"""A first calibration on the public API: make, fill in, solve, keep, apply. Run it in an empty folder."""

from pathlib import Path

from calib import open_workshop
from demo import readings_of

with open_workshop("workshop.sqlite") as workshop:
    workshop.add_printer("lantern", (220, 220, 250), hot_end_max_c=260)
    workshop.add_nozzle("brass-04", bore_mm=0.4)
    workshop.add_spool("lamp-white", "PLA")
    sheet = workshop.make("corner-gauge").pieces[0].sheet
    for feature, readings in readings_of("corner-gauge"):
        for reading in readings:
            workshop.enter(sheet, feature, reading)
    for c in workshop.solve(sheet).solution.corrections:
        print(f"{c.setting}: {c.old} -> {c.new:.3f} {c.unit}, {c.verdict}")
    workshop.keep(sheet)
    segment = Path(__file__).with_name("ring-segment.stl")
    print(*workshop.apply(segment, segment.name).lines, sep="\n")
