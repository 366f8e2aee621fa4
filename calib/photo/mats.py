"""What was measured of printed mats: one small JSON file, a line for each mat's name."""

import json
import os
from pathlib import Path

from calib.errors import FileError
from calib.files import write_atomic
from calib.photo.scale import PaperScale, from_bars
from patterns.errors import BadInput

_VERSION = 1


def mats_file() -> Path:
    """Return where mats are kept: TRUEBEAD_MATS, or the user's data folder."""
    import platformdirs

    given = os.environ.get("TRUEBEAD_MATS")
    return Path(given) if given else Path(platformdirs.user_data_dir("truebead")) / "mats.json"


def read_mats(path: Path) -> dict[str, tuple[float, float]]:
    """Return name -> measured bars (x, y) in mm; empty where nothing was kept yet.

    Raises
    ------
    FileError
        The file is damaged.
    """
    if not path.exists():
        return {}
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
        if data["schema_version"] != _VERSION:
            raise FileError("made by a newer version", where=str(path), mend="update Truebead")
        kept = {
            str(k): (float(v["bar_x_mm"]), float(v["bar_y_mm"])) for k, v in data["mats"].items()
        }
    except FileError:
        raise
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as err:
        raise FileError(
            f"can't be read ({type(err).__name__})",
            where=str(path),
            mend="delete it and measure the mats' bars again",
        ) from err
    return kept


def keep_bars(path: Path, name: str, x_mm: float, y_mm: float) -> PaperScale:
    """Keep the measured bars of a mat; BadInput where they can't be right."""
    scale = from_bars(x_mm, y_mm)
    mats = read_mats(path) | {name: (x_mm, y_mm)}
    rows = {k: {"bar_x_mm": x, "bar_y_mm": y} for k, (x, y) in sorted(mats.items())}
    path.parent.mkdir(parents=True, exist_ok=True)
    text = json.dumps({"schema_version": _VERSION, "mats": rows}, indent=2)
    write_atomic(path, text + "\n", force=True)
    return scale


def scale_of(path: Path, name: str) -> PaperScale | None:
    """Return the scale of a mat whose bars were measured; None where they were not."""
    bars = read_mats(path).get(name)
    try:
        return from_bars(*bars) if bars else None
    except BadInput as err:
        raise FileError(err.what, where=f"{path} ({name})", mend=err.mend) from None
