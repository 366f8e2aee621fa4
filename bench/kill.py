"""Kill -9 at random moments until 200 corrections were acknowledged; every one must be there."""

import random
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

WRITER = """
import sys
from calib.store import open_store
from tests.storekit import keep
with open_store(sys.argv[1]) as store:
    for i in range(100_000):
        print(*keep(store, f"{sys.argv[2]}-{i}"), flush=True)
"""


def one_round(path: Path, name: str, rng: random.Random) -> set[str]:
    """Start a writer, kill it at a random moment, return what it acknowledged."""
    command = [sys.executable, "-c", WRITER, str(path), name]
    writer = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    assert writer.stdout is not None
    said = writer.stdout.readline()
    time.sleep(rng.uniform(0.0, 0.2))
    writer.send_signal(signal.SIGKILL)
    said += writer.stdout.read()
    writer.wait()
    return set(said[: said.rfind("\n") + 1].split())


def main() -> None:
    """Kill and look until there were enough writes."""
    from calib.store import open_store
    from tests.storekit import workshop

    rng = random.Random(11)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "s.sqlite"
        with open_store(str(path)) as store:
            workshop(store)
        acknowledged: set[str] = set()
        kills = 0
        while len(acknowledged) < 200:
            acknowledged |= one_round(path, f"r{kills}", rng)
            kills += 1
            with open_store(str(path)) as store:
                held = {k.uid for k in store.history()}
                wrong = store.check()
            lost = acknowledged - held
            if lost or wrong:
                print(f"LOST {len(lost)} of {len(acknowledged)} after {kills} kills; {wrong}")
                sys.exit(1)
        print(
            f"{len(acknowledged)} acknowledged corrections, {kills} kills: all are held, checks are clean"
        )


if __name__ == "__main__":
    main()
