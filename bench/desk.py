"""The desk on a makerspace's store of 2,000 spools: processor time and size of each page against their limits.

A page is asked for several times: the first answer after something was kept works out what the others
show again. The median counts; both are printed.
"""

import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from bench.store import records

#: What a page may take and weigh, without its pictures.
LIMIT_MS, LIMIT_KB = 100.0, 100.0
SPOOLS, TIMES = 2000, 5
PRINTER, SPOOL = "printer=lantern-1", "spool=spool-00001"
WHO = f"{PRINTER}&nozzle=brass&{SPOOL}"
PAGES = (
    "/", "/?find=spool-001", f"/next?{WHO}", f"/values?{WHO}", f"/why?{WHO}&setting=scale_x_percent",
    f"/pieces?{WHO}", f"/spool?{SPOOL}", f"/printer?{PRINTER}", f"/history?{PRINTER}",
    f"/history/plots?{PRINTER}", f"/happened?{WHO}", "/instruments", "/words", "PIECE", "PIECE/measure",
    "PIECE/list", "PIECE/result",
)  # fmt: skip


def main() -> int:
    """Fill a store, begin a piece, ask for every page."""
    from calib.desk.app import build
    from calib.store import open_store
    from calib.workshop import open_workshop
    from tests.deskkit import HOST, Client

    with tempfile.TemporaryDirectory() as folder:
        store = Path(folder) / "desk.sqlite"
        with open_store(str(store)) as opened:
            opened.take_in(records(SPOOLS, 50 * SPOOLS))
        with open_workshop(store) as shop:
            m = shop.start("corner-gauge", printer="lantern-1", nozzle="brass", spool="spool-00001")
            for f in m.piece.by_hand:
                shop.enter(m.source, f.id, f"{f.nominal * 1.002:.2f}", 1, sure=True)
            client = Client(build(shop, hosts=[HOST], warm=False))
            pages = [p.replace("PIECE", f"/piece/{m.source}") for p in PAGES]
            return max([_ask(p, client.get, TIMES) for p in pages])


def _ask(path: str, get: Callable[..., object], times: int) -> int:
    """Print what one page takes; return 1 where it is more than it may be."""
    spent, size = [], 0
    for _ in range(times):
        start = time.process_time()
        answer = get(path)
        spent.append(1000 * (time.process_time() - start))
        assert answer.status_code == 200, (path, answer.status_code)  # type: ignore[attr-defined]
        size = len(answer.content) / 1000  # type: ignore[attr-defined]
    median = statistics.median(spent)
    over = median > LIMIT_MS or size > LIMIT_KB
    print(f"{'OVER' if over else 'ok':5}{median:7.0f} ms{spent[0]:8.0f} ms at first{size:7.0f} kB  {path}", flush=True)  # fmt: skip
    return int(over)


if __name__ == "__main__":
    sys.exit(main())
