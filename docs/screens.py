"""Draw the pictures of the desk for README.md: python docs/screens.py. Needs Chromium and Playwright."""

import io
import re
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

HERE = Path(__file__).parent
CHROMIUM = Path("/usr/bin/chromium")
PHONE, DESKTOP = (390, 760), (1180, 700)


@contextmanager
def desk() -> Iterator[str]:
    """Serve the invented workshop; yield its address."""
    import uvicorn

    from calib.desk.app import build
    from calib.desk.serve import listen, local_hosts
    from calib.workshop import open_workshop
    from demo.museum import fill

    with tempfile.TemporaryDirectory() as folder:
        store = Path(folder) / "desk.db"
        fill(store)
        listening = listen("127.0.0.1", 0)
        port = listening.getsockname()[1]
        app = build(open_workshop(store), hosts=local_hosts(port), warm=False)
        server = uvicorn.Server(uvicorn.Config(app, log_level="error"))
        running = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
        running.start()
        while not server.started:
            time.sleep(0.05)
        yield f"http://127.0.0.1:{port}"
        server.should_exit = True
        running.join(10)


def screens() -> dict[str, bytes]:
    """Return name -> PNG of every picture of the desk that README.md shows."""
    from playwright.sync_api import sync_playwright

    found = {}
    with desk() as base, sync_playwright() as p:
        browser = p.chromium.launch(
            executable_path=str(CHROMIUM), args=["--no-sandbox", "--disable-gpu"]
        )
        page = browser.new_page()
        page.goto(base)
        piece = re.findall(r"/piece/[0-9a-f]{32}", page.content())[0]
        who = "printer=lantern&spool=lamp-white"
        for name, path, (width, height) in (
            ("desk-measure", f"{piece}/measure", PHONE),
            ("desk-result", f"{piece}/result", PHONE),
            ("desk-values", f"/values?{who}", PHONE),
            ("desk-home", "/", DESKTOP),
        ):
            page.set_viewport_size({"width": width, "height": height})
            page.goto(base + path)
            page.wait_for_timeout(500)
            found[f"{name}.png"] = smaller(page.screenshot())
        browser.close()
    return found


def smaller(png: bytes) -> bytes:
    """Return a picture with 64 colours, which is enough for a page."""
    from PIL import Image

    data = io.BytesIO()
    Image.open(io.BytesIO(png)).convert("RGB").quantize(64).save(data, "PNG", optimize=True)
    return data.getvalue()


if __name__ == "__main__":
    if not CHROMIUM.exists():
        sys.exit(
            "The desk's pictures stay as they are: Chromium is missing (Debian: apt-get install chromium)."
        )
    for file, content in screens().items():
        (HERE / file).write_bytes(content)
