"""How long sheets take: writing, reading 1,000 readings, looking for blunders, the page."""

import csv
import io
import time
from collections.abc import Callable

from calib.readings import read_sheet, sheet_csv
from calib.readings.blunders import find_blunders
from calib.report.sheet_page import sheet_html
from patterns import registry
from patterns.spec import PrintSetup


def filled(text: str, value: Callable[[float], str]) -> bytes:
    """Fill every cell for a reading, as a spreadsheet with semicolons saves it."""
    rows = list(csv.reader(io.StringIO(text)))
    for row in rows:
        if row[0].isdecimal():
            row[7:] = [value(float(row[5]))] * (len(row) - 7)
    out = io.StringIO()
    csv.writer(out, delimiter=";").writerows(rows)
    return out.getvalue().encode()


def best_ms(job: Callable[[], object], times: int = 7) -> float:
    """Return the shortest of a few runs in milliseconds."""
    took = []
    for _ in range(times):
        start = time.perf_counter()
        job()
        took.append(time.perf_counter() - start)
    return 1000 * min(took)


def main() -> None:
    """Print the figures."""
    piece = registry.get("step-gauge").piece({}, PrintSetup())
    text = sheet_csv(piece, "g1", "2026-03-12", repeats=50)
    good = filled(text, lambda nominal: f"{nominal - 0.04:.2f}".replace(".", ","))
    wrong = filled(text, lambda nominal: f"{170 - nominal:.2f}")
    inches = filled(text, lambda nominal: f"{nominal / 25.4:.4f}")
    count = len(read_sheet(good).readings)
    print(f"write a sheet of {len(piece.features)} features: "
          f"{best_ms(lambda: sheet_csv(piece, 'g1', '2026-03-12')):.2f} ms")  # fmt: skip
    print(f"read {count} readings: {best_ms(lambda: read_sheet(good)):.2f} ms")
    for name, data in (("good", good), ("inches", inches), ("wrong", wrong)):
        sheet = read_sheet(data)
        took = best_ms(lambda sheet=sheet: find_blunders(sheet))  # type: ignore[misc]
        print(f"look for blunders in {count} {name} readings: {took:.1f} ms, "
              f"{len(find_blunders(sheet))} found")  # fmt: skip
    print(f"page without its picture: {best_ms(lambda: sheet_html(piece, '', 'g1')):.1f} ms")


if __name__ == "__main__":
    main()
