"""The desk on a makerspace's store of 2,000 spools: processor time and size of each page against their limits.

Each page is asked for when all is loaded, again after something happened to a spool (what rests on it is then
worked out anew), and a few times more, of which the median counts. Before that a desk is started, and
asked for its first page as soon as it listens.
"""

import os
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Callable
from pathlib import Path

from bench.store import records

#: What a page may take, usually and after a change, and weigh without its pictures; the start to the first page.
LIMIT_MS, AFTER_MS, LIMIT_KB, START_MS = 100.0, 1000.0, 100.0, 1500.0
SPOOLS, TIMES = 2000, 5
PRINTER, SPOOL = "printer=lantern-1", "spool=spool-00001"
WHO = f"{PRINTER}&nozzle=brass&{SPOOL}"
PAGES = (
    "/", "/?find=spool-001", f"/next?{WHO}", f"/next?{PRINTER}", f"/values?{WHO}", f"/why?{WHO}&setting=scale_x_percent",
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
        over = [_start(Path(folder) / "nothing.sqlite"), _start(store)]
        with open_workshop(store) as shop:
            m = shop.start("corner-gauge", printer="lantern-1", nozzle="brass", spool="spool-00001")
            for f in m.piece.by_hand:
                shop.enter(m.source, f.id, f"{f.nominal * 1.002:.2f}", 1, sure=True)
            client = Client(build(shop, hosts=[HOST], warm=False))
            pages = [p.replace("PIECE", f"/piece/{m.source}") for p in PAGES]
            for page in pages:  # what they import is loaded once
                client.get(page)
            for page in pages:
                shop.event("stored-damp", spool="spool-00001")
                over.append(_ask(page, client.get))
    return int(any(over))


def _start(store: Path) -> bool:
    """Print the processor time from the command to the first page; return whether it is too much."""
    port = "8793"
    command = [sys.executable, "-m", "calib", "desk", "--no-open", "--port", port, "--store", str(store)]  # fmt: skip
    desk = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    assert desk.stdout is not None
    desk.stdout.readline()  # from here on it listens
    begun = time.perf_counter()
    with urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=60) as answer:
        answer.read()
    waited = 1000 * (time.perf_counter() - begun)
    desk.terminate()
    _, _, used = os.wait4(desk.pid, 0)
    desk.returncode = 0
    spent = 1000 * (used.ru_utime + used.ru_stime)
    print(f"{_said(spent > START_MS)}{spent:7.0f} ms to the first page ({waited:.0f} ms of waiting) {store.stem}", flush=True)  # fmt: skip
    return spent > START_MS


def _ask(path: str, get: Callable[[str], object]) -> bool:
    """Print what one page takes, first after a change; return whether it is more than it may be."""
    spent, size = [], 0.0
    for _ in range(1 + TIMES):
        start = time.process_time()
        answer = get(path)
        spent.append(1000 * (time.process_time() - start))
        assert answer.status_code == 200, (path, answer.status_code)  # type: ignore[attr-defined]
        size = len(answer.content) / 1000  # type: ignore[attr-defined]
    median = statistics.median(spent[1:])
    over = median > LIMIT_MS or spent[0] > AFTER_MS or size > LIMIT_KB
    print(f"{_said(over)}{median:7.0f} ms{spent[0]:8.0f} ms after a change{size:7.0f} kB  {path}", flush=True)  # fmt: skip
    return over


def _said(over: bool) -> str:
    return "OVER " if over else "ok   "


if __name__ == "__main__":
    sys.exit(main())
