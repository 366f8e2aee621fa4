"""Kill -9 at random moments while things are added, kept, imported, put into files and restored: nothing acknowledged may be lost.

With TRUEBEAD_TEST_POSTGRESQL (`.ci/with-postgresql python -m bench.kill`) on PostgreSQL as well.
"""

import argparse
import itertools
import os
import random
import select
import signal
import sys
import tempfile
import time
import traceback
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, chdir, contextmanager
from pathlib import Path
from uuid import uuid4

from calib.files import replacing
from calib.model.place import Place
from calib.store import open_store
from calib.store.places import Saying
from calib.store.records import Spool
from calib.store.restore import restore
from calib.store.store import Store
from tests.storekit import fresh_url, keep, workshop

Act = Callable[[Store, str], str]


def add(store: Store, name: str) -> str:
    """Add a spool; return what must be there from now on."""
    return f"spool {store.add_spool(Spool(name=name, material='PLA')).name}"


def event(store: Store, name: str) -> str:
    """Write an event down."""
    return f"event {store.add_event('moved', 'lantern', note=name).uid}"


def keep_sheet(store: Store, name: str) -> str:
    """Keep a sheet with its readings and a correction."""
    return f"correction {keep(store, name)[0]}"


def take_in(store: Store, name: str) -> str:
    """Import what another store has, with a sheet of its own in it."""
    with (
        tempfile.TemporaryDirectory() as folder,
        fresh_url("sqlite", Path(folder)) as url,
        open_store(url) as other,
    ):
        uid = keep(workshop(other), name)[0]
        store.take_in(other.records())
    return f"correction {uid}"


def correct(store: Store, _name: str) -> str:
    """Write a file that a correction goes into; the file and the word on it come together."""
    value = float(uuid4().int >> 96)
    words = [Saying("flow_percent", Place.GCODE, value)]
    target = Path.cwd() / f"{value:.0f}.gcode"

    def around(draft: Path, place: Path) -> AbstractContextManager[None]:
        return store.claiming(words, draft, place, printer="lantern", spool="white-1")

    with replacing(target, around=around) as out:
        out.write(str(value).encode())
    return f"file {value:.0f}"


ACTS: tuple[Act, ...] = (add, event, keep_sheet, take_in, correct)


def held(where: str) -> Iterator[str]:
    """Yield everything a store holds, in the words of the acts."""
    with open_store(where, read_only=True) as store:
        yield from (f"spool {s.name}" for s in store.spools())
        yield from (f"event {e.uid}" for e in store.events())
        yield from (f"correction {k.uid}" for k in store.history())
        yield from (f"file {p.value or 0:.0f}" for p in store.places("lantern"))


def write(where: str, saved: Path | None, pipe: int, seed: int) -> None:
    """Act at random until killed, saying each time what was done."""
    rng = random.Random(seed)
    for number in itertools.count():
        if saved is not None and rng.random() < 0.08:
            restore(where, saved)
            done = "restored"
        else:
            with open_store(where) as store:
                done = rng.choice(ACTS)(store, f"{seed}-{number}-{uuid4().hex[:6]}")
        os.write(pipe, f"{done}\n".encode())


def killed(where: str, saved: Path | None, rng: random.Random) -> set[str]:
    """Run a writer, kill it at a random moment after its first word, return what it acknowledged."""
    reader, writer = os.pipe()
    child = os.fork()  # everything is loaded by now, so that most of its time goes into writing
    if child == 0:
        try:
            write(where, saved, writer, rng.randrange(1 << 30))
        except BaseException:
            traceback.print_exc()
        finally:
            os._exit(3)  # no clearing up: it is a writer that failed
    os.close(writer)
    select.select([reader], [], [], 60)
    time.sleep(rng.uniform(0.0, 0.15))
    os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    if not os.WIFSIGNALED(status):
        sys.exit("a writer failed by itself")
    with os.fdopen(reader, "rb") as stream:
        said = stream.read()
    return set(said[: said.rfind(b"\n") + 1].decode().splitlines()) - {"restored"}


def run(where: str, kills: int, rng: random.Random, saved: Path | None) -> str:
    """Kill so many times, looking after each; return the result in words."""
    acknowledged: set[str] = set()
    aside: dict[Path, set[str]] = {}
    for number in range(kills):
        acknowledged |= killed(where, saved, rng)
        if saved is not None:
            for path in Path(where).parent.glob("*.before-restore-*"):
                if path not in aside and not path.name.endswith(("-wal", "-shm")):
                    aside[path] = set(held(str(path)))
        with open_store(where) as store:  # settles what the kill left open
            wrong = store.check()
        found = set(held(where)).union(*aside.values())
        files = {f"file {path.stem}" for path in Path.cwd().glob("*.gcode")}
        wrong += [
            f"{f}: without its word, or its file"
            for f in files ^ {w for w in found if w.startswith("file")}
        ]
        if wrong or acknowledged - found:
            sys.exit(f"LOST {sorted(acknowledged - found)[:5]} after {number + 1} kills; {wrong}")
    return f"{len(acknowledged)} acknowledged, {kills} kills, {len(aside)} restored over: all are held, checks are clean"


@contextmanager
def working_folder() -> Iterator[Path]:
    """Give a folder and work in it."""
    with tempfile.TemporaryDirectory() as folder, chdir(folder):
        yield Path(folder)


def on_sqlite(kills: int, rng: random.Random) -> None:
    """Kill on a store in a file, restores included; see that no draft is left."""
    with working_folder() as folder:
        where, saved = str(folder / "s.sqlite"), folder / "saved.db"
        with open_store(where) as store:
            workshop(store).backup(saved)
        print("SQLite:", run(where, kills, rng, saved), flush=True)
        with open_store(where) as store:
            store.backup(folder / "last.db")  # any write into the folder sweeps it
        left = [p.name for p in folder.glob(".*")]
        if left:
            sys.exit(f"drafts are left: {left}")


def on_postgresql(kills: int, rng: random.Random) -> None:
    """Kill on a store on a server; it is restored by the server's own means."""
    with working_folder() as folder, fresh_url("postgresql", folder) as url:
        with open_store(url) as store:
            workshop(store)
        print("PostgreSQL:", run(url, kills, rng, None), flush=True)


def main() -> None:
    """Kill on each database there is."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=11)
    parser.add_argument("--server-only", action="store_true", help="leave the file out")
    asked = parser.parse_args()
    rng = random.Random(asked.seed)
    if not asked.server_only:
        on_sqlite(asked.kills, rng)
    if os.environ.get("TRUEBEAD_TEST_POSTGRESQL"):
        on_postgresql(asked.kills, rng)
    else:
        print("PostgreSQL: no server given, not tried")


if __name__ == "__main__":
    main()
