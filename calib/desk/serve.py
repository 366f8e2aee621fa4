"""Start the desk: find a free port, open the browser, let phones in where that is wanted."""

import contextlib
import errno
import socket
import threading
import webbrowser
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

from calib.errors import BadInput

if TYPE_CHECKING:
    from calib.workshop.workshop import Workshop

PORT = 8642
#: Ports that are tried one after the other where none is asked for.
_TRIES = 20


def serve(
    workshop: "Workshop",
    *,
    port: int | None = None,
    lan: bool = False,
    open_browser: bool = True,
    path: str = "/",
    say: Callable[[str], None] = print,
) -> None:
    """Serve the pages until it is stopped.

    Parameters
    ----------
    port : int or None
        None: the first free one from `PORT` on.
    lan : bool
        Whether devices on the local network are let in, with a one-time code.

    Raises
    ------
    BadInput
        The port is taken or can't be used.
    """
    listening = listen("0.0.0.0" if lan else "127.0.0.1", port)
    taken = listening.getsockname()[1]
    others = [f"{address}:{taken}" for address in own_addresses()] if lan else []
    address = f"http://127.0.0.1:{taken}{path}"
    say(f"The desk is at {address} (Ctrl-C stops it)")
    # The socket takes questions from here on: what answers them is loaded while the browser starts.
    if open_browser:
        threading.Thread(target=_open, args=[address], daemon=True).start()
    threading.Thread(target=_ready, args=[workshop], daemon=True).start()
    import uvicorn

    from calib.desk.app import build

    app = build(workshop, hosts=local_hosts(taken), others=others)
    if lan:
        _tell_phones(others, app.state.desk.entrance.code(), say)
    config = uvicorn.Config(
        app, log_level="warning", access_log=False, server_header=False, timeout_graceful_shutdown=2,
        timeout_keep_alive=30, proxy_headers=False, lifespan="on", ws="none",
    )  # fmt: skip
    with contextlib.suppress(KeyboardInterrupt):
        uvicorn.Server(config).run(sockets=[listening])


def _ready(workshop: "Workshop") -> None:
    with contextlib.suppress(BadInput):  # the first page says it
        workshop.store_if_any()


def _open(address: str) -> None:
    with contextlib.suppress(webbrowser.Error):
        webbrowser.open(address)


def local_hosts(port: int) -> list[str]:
    """Return the values of Host by which this machine reaches itself."""
    return [f"127.0.0.1:{port}", f"localhost:{port}", f"[::1]:{port}"]


def listen(address: str, port: int | None) -> socket.socket:
    """Return a listening socket.

    Raises
    ------
    BadInput
        The port is taken, or none of those tried is free.
    """
    wanted = [port] if port is not None else [*range(PORT, PORT + _TRIES), 0]
    for candidate in wanted:
        listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listening.bind((address, candidate))
            listening.listen(128)
        except (OSError, OverflowError) as err:
            listening.close()
            taken = isinstance(err, OSError) and err.errno == errno.EADDRINUSE
            if port is None and taken:
                continue
            what = "is taken by another program" if taken else "can't be used"
            raise BadInput(
                f"port {candidate} {what}", where="--port", mend="leave --port out, or give another"
            ) from err
        return listening
    raise BadInput("no port is free", mend="give one with --port")


def own_addresses() -> list[str]:
    """Return this machine's addresses on the local network, the likeliest first."""
    found = dict.fromkeys(_likeliest())
    with contextlib.suppress(OSError):
        infos = socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)
        found |= dict.fromkeys(str(info[4][0]) for info in infos)
    return [a for a in found if not a.startswith("127.") and a != "0.0.0.0"]


def _likeliest() -> Iterator[str]:
    """Yield the address from which this machine would speak to others; nothing is sent for it."""
    with contextlib.suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.connect(("192.0.2.1", 9))  # an address for documentation: RFC 5737
        yield str(probe.getsockname()[0])


def _tell_phones(others: list[str], code: str, say: Callable[[str], None]) -> None:
    if not others:
        say("This machine is in no network, so no phone can reach it.")
        return
    import io

    import segno

    address = f"http://{others[0]}/in?code={code}"
    out = io.StringIO()
    segno.make(address, error="l", micro=False).terminal(out, compact=True)
    say(f"A phone in the same network gets in once with {address}\n{out.getvalue()}")
    say("What goes through the network is not encrypted: use it in one that you trust.")
