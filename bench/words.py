"""What a story of docs/profiles.md asks of its reader: commands, readings, lines to read, words of the trade.

A word of the trade is one that the desk's glossary explains (`calib.desk.words.WORDS`), or one of `MORE`.
"""

import os
import re
import shlex
import sys
import tempfile
from pathlib import Path

from typer.testing import CliRunner

from calib.cli import build_app
from calib.desk.words import WORDS
from calib.readings import read_sheet
from tests.test_profile_docs import STORY, TEXT, fill

#: Further words that somebody who has never calibrated would have to look up.
MORE = ["nominal", "deg", "chi-square", "standard uncertainty", "posterior", "carriage travel", "shrinkage", "lean of Y"]  # fmt: skip
#: What nobody has to be told.
KNOWN = {"X, Y and Z", "bed", "nozzle", "spool", "caliper", "calibration", "type of filament", "sheet", "piece"}  # fmt: skip


def trade_words(text: str) -> list[str]:
    """Return the words of the trade that stand in a text."""
    asked = [w for w in (*WORDS, *MORE) if w not in KNOWN]
    return [w for w in asked if re.search(rf"(?<!\w){re.escape(w)}(?!\w)", text, re.IGNORECASE)]


def run_story(block: str, folder: Path) -> tuple[int, int, str]:
    """Run a story's commands; return how many there are, the readings taken, and all that was said."""
    app, said, readings = build_app(), [], 0
    commands = block.splitlines()
    for line in commands:
        words = shlex.split(line.removeprefix("$ truebead "))
        said.append(CliRunner().invoke(app, words).output)
        if words[0] == "make":
            sheet = folder / (words[words.index("--out") + 1] if "--out" in words else words[1])
            fill(sheet / "sheet.csv")
            readings += len(read_sheet(sheet / "sheet.csv").readings)
    return len(commands), readings, "\n".join(said)


def main() -> int:
    """Print one line for each story."""
    titles = re.findall(r"^## (Story: .*)$", TEXT, re.MULTILINE)
    parts = re.split(r"^## Story: .*$", TEXT, flags=re.MULTILINE)[1:]
    with tempfile.TemporaryDirectory() as name:
        os.chdir(name)
        os.environ["TRUEBEAD_STORE"] = str(Path(name) / "store.sqlite")
        for title, part in zip(titles, parts, strict=True):
            block = "".join(STORY.findall(part))
            commands, readings, said = run_story(block, Path(name))
            found = trade_words(said)
            print(f"{title}\n  {commands} commands, {readings} readings, {len(said.splitlines())} lines,"
                  f" {len(found)} words: {', '.join(found)}")  # fmt: skip
    return 0


if __name__ == "__main__":
    sys.exit(main())
