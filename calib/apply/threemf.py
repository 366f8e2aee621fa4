"""3MF files through a 3 x 3 map, by changing nothing but the transform of each build item.

The map has to act on the printed thing as it lies on the bed, so after every transform inside the file. In the row
vectors of the 3MF core specification (section 3.3) that is: new transform = old transform x map. Meshes, components,
colours, names, and everything this program has never heard of stay byte for byte. The price: a program that takes
apart a build item's transform into turning and scaling may drop its shear; a mesh in STL has no such problem.
"""

import re
import shutil
import xml.parsers.expat
import zipfile
import zlib
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO

import numpy as np

from calib.apply.linear import Matrix, is_identity
from calib.apply.points import F64, MARK, Moved, refuse_marked
from calib.errors import BadInput, FileError
from calib.files import Around, replacing

#: Millimetres in each unit the core specification allows.
UNITS_MM = {
    "micron": 0.001,
    "millimeter": 1.0,
    "centimeter": 10.0,
    "inch": 25.4,
    "foot": 304.8,
    "meter": 1000.0,
}

_CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
_VERTEX, _TRIANGLE, _XYZ = f"{_CORE} vertex", f"{_CORE} triangle", ["x", "y", "z"]
_PRODUCTION = "http://schemas.microsoft.com/3dmanufacturing/production/2015/06"
_START = "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"

#: Bounds against files made to do harm; real models stay far below.
MOST_ENTRIES = 20_000
MOST_BYTES = 8 * 2**30
MOST_SQUEEZED = 200  # unpacked over packed size, for entries of more than 16 MiB
MOST_PLACES = 20_000  # of meshes, counted through components

_CHUNK = 256 * 1024
_HEAD = 4096  # bytes of a model part in which it says what it is
_POINTS = 65536
_TAG_END = 64 * 1024

Key = tuple[str, str]  # part of the package, object id


@dataclass(slots=True)
class _Item:
    """A build item: which object, its transform, and where its tag stands in the part."""

    key: Key
    transform: F64  # (4, 3), row vectors
    begin: int


@dataclass(slots=True)
class _Part:
    """One model part."""

    unit_mm: float = 1.0
    components: dict[Key, list[tuple[Key, F64]]] = field(default_factory=dict)
    items: list[_Item] = field(default_factory=list)
    points: dict[Key, list[F64]] = field(default_factory=dict)  # of each mesh, in stretches


def map_3mf(
    source: Path, target: Path, matrix: Matrix, *, again: bool = False, around: Around = None
) -> Moved:
    """Write a mapped copy of a 3MF file.

    Parameters
    ----------
    matrix : Matrix
        New point = matrix times old point (column vectors), about the origin of the build.
    again : bool
        Whether a model that says it was corrected before may be corrected once more. It says so in
        the comment of its package, which the parts and their readers know nothing of.
    around : function, optional
        See `calib.files.replacing`.

    Returns
    -------
    Moved
        The box around all build items before and after, in mm.

    Raises
    ------
    FileError
        The file is no 3MF, is damaged, or looks made to do harm.
    """
    try:
        with zipfile.ZipFile(source) as package:
            if not is_identity(matrix):
                refuse_marked(package.comment, source.name, again=again)
            return _map_package(package, target, matrix, source.name, again, around)
    except OSError as err:
        raise FileError(f"can't read it ({err.strerror or err})", where=str(source)) from err
    except BadInput:
        raise
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, ValueError) as err:
        raise FileError(
            f"it is no whole 3MF ({err})", where=source.name, mend="export it again"
        ) from err
    except RuntimeError as err:  # zipfile says so of a file with a password
        raise FileError(str(err), where=source.name, mend="save it without a password") from err


def _map_package(
    package: zipfile.ZipFile, target: Path, matrix: Matrix, name: str, again: bool, around: Around
) -> Moved:
    entries = _checked_entries(package, name)
    root = _root(package, entries, name)
    if not is_identity(matrix):
        with package.open(root) as stream:
            refuse_marked(stream.read(_HEAD), name, again=again)
    parts = {root: _read_part(package, root, name)}
    wanted = {item.key[0] for item in parts[root].items}
    wanted |= {key[0] for c in parts[root].components.values() for key, _ in c}
    for path in sorted(wanted - {root}):
        if path not in entries:
            raise FileError(f"the part {path} is missing", where=name)
        parts[path] = _read_part(package, path, name)
    if not parts[root].items:
        raise FileError("nothing is to be built: the model has no build items", where=name)
    moved = _measure(parts, root, matrix, name)
    with (
        replacing(target, force=True, around=around) as stream,
        zipfile.ZipFile(stream, "w") as out,
    ):
        out.comment = package.comment
        if not (is_identity(matrix) or MARK in out.comment):
            out.comment += b" " * bool(out.comment) + MARK
        for entry in package.infolist():
            info = zipfile.ZipInfo(entry.filename, entry.date_time)
            info.compress_type = entry.compress_type
            info.external_attr, info.comment = entry.external_attr, entry.comment
            info._compresslevel = 1  # type: ignore[attr-defined]  # thrice as fast, a seventh larger
            with package.open(entry) as old, out.open(info, "w", force_zip64=True) as new:
                if entry.filename == root:
                    _copy_with_items(old, new, parts[root].items, matrix, f"{name}/{root}")
                else:
                    shutil.copyfileobj(old, new, _CHUNK)
    return moved


# -- the package ------------------------------------------------------------------------------


def _checked_entries(package: zipfile.ZipFile, name: str) -> set[str]:
    """Return the names in the package; refuse what no 3MF needs."""
    infos = package.infolist()
    if len(infos) > MOST_ENTRIES or sum(i.file_size for i in infos) > MOST_BYTES:
        raise FileError("it unpacks to more than any model needs", where=name)
    seen: set[str] = set()
    for info in infos:
        path = info.filename
        odd = "\\" in path or path.startswith("/") or ":" in path or ".." in path.split("/")
        if odd or path.lower() in seen:
            raise FileError(f"the part name {path[:80]!r} is not allowed", where=name)
        if info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
            raise FileError(f"{path[:80]} is packed in a way 3MF does not allow", where=name)
        if info.file_size > 2**24 and info.file_size > MOST_SQUEEZED * max(1, info.compress_size):
            raise FileError(f"{path[:80]} unpacks to {info.file_size} bytes", where=name)
        seen.add(path.lower())
    return {info.filename for info in infos}


def _root(package: zipfile.ZipFile, entries: set[str], name: str) -> str:
    """Return the model part that the package's relationships name as the start."""
    if "_rels/.rels" not in entries:
        raise FileError("it has no _rels/.rels, so it is no 3MF", where=name)
    found: list[str] = []

    def start(tag: str, attributes: list[str], _: int) -> None:
        given = _given(attributes)
        if tag.endswith(" Relationship") and given.get("Type") == _START:
            found.append(given.get("Target", "").lstrip("/"))

    _parse(package, "_rels/.rels", name, start)
    if not found or found[0] not in entries:
        missing = found[0] if found else "(not named)"
        raise FileError(f"its model part {missing} is missing", where=name)
    return found[0]


Start = Callable[[str, list[str], int], None]


def _parse(package: zipfile.ZipFile, path: str, name: str, start: Start) -> None:
    """Run a part through the XML parser a stretch at a time; a document type is refused.

    `start` is called for each element with its name, its attributes and their values in turns, and the offset of
    its tag.
    """
    parser = xml.parsers.expat.ParserCreate(namespace_separator=" ")
    parser.ordered_attributes = True
    where = f"{name}/{path}"

    def refuse(*_: object) -> None:
        raise FileError("it has a document type, which 3MF forbids", where=where)

    def element(tag: str, attributes: list[str]) -> None:
        if tag != _TRIANGLE:  # of these there are most, and nothing is asked of them
            start(tag, attributes, parser.CurrentByteIndex)

    parser.StartDoctypeDeclHandler = refuse
    parser.EntityDeclHandler = refuse
    parser.StartElementHandler = element
    try:
        with package.open(path) as stream:
            first = True
            while data := stream.read(_CHUNK):
                if first and data[:2] in (b"\xff\xfe", b"\xfe\xff"):
                    raise FileError("it is in UTF-16", where=where, mend="export it in UTF-8")
                first = False
                parser.Parse(data)
            parser.Parse(b"", True)
    except xml.parsers.expat.ExpatError as err:
        raise FileError(f"its XML is damaged ({err})", where=where) from err


def _given(attributes: list[str]) -> dict[str, str]:
    return dict(zip(attributes[::2], attributes[1::2], strict=True))


class _PartReader:
    """Reads the unit, the meshes' points, the components and the build items of a model part."""

    def __init__(self, path: str, where: str) -> None:
        self.path, self.where, self.part = path, where, _Part()
        self.holder: Key = (path, "")
        self.texts: list[str] = []

    def start(self, tag: str, attributes: list[str], offset: int) -> None:
        """Take one element."""
        if tag == _VERTEX:
            if attributes[::2] != _XYZ:
                given = _given(attributes)
                attributes = [part for c in _XYZ for part in (c, given.get(c, ""))]
            self.texts += attributes[1::2]
            if len(self.texts) >= 3 * _POINTS:
                self.flush()
            return
        match tag.removeprefix(_CORE + " "):
            case "model":
                unit = _given(attributes).get("unit", "millimeter")
                if unit not in UNITS_MM:
                    raise FileError(
                        f"its unit {unit!r} is not one of {', '.join(UNITS_MM)}", where=self.where
                    )
                self.part.unit_mm = UNITS_MM[unit]
            case "object":
                self.flush()
                self.holder = (self.path, _given(attributes).get("id", ""))
            case "component" if self.holder[1]:
                reference = _reference(_given(attributes), self.path, self.where)
                self.part.components.setdefault(self.holder, []).append(reference)
            case "item":
                self.part.items.append(
                    _Item(*_reference(_given(attributes), self.path, self.where), offset)
                )

    def flush(self) -> None:
        """Turn what was gathered of a mesh into points."""
        if not self.texts:
            return
        whose = f"a point of object {self.holder[1]}"
        try:
            points = np.array([float(text) for text in self.texts]).reshape(-1, 3)
        except ValueError:
            raise FileError(f"{whose} is not three numbers", where=self.where) from None
        if not np.isfinite(points).all():
            raise FileError(f"{whose} is no finite number", where=self.where)
        self.part.points.setdefault(self.holder, []).append(points)
        self.texts.clear()


def _read_part(package: zipfile.ZipFile, path: str, name: str) -> _Part:
    reader = _PartReader(path, f"{name}/{path}")
    _parse(package, path, name, reader.start)
    reader.flush()
    return reader.part


def _reference(attributes: dict[str, str], path: str, where: str) -> tuple[Key, F64]:
    other = attributes.get(f"{_PRODUCTION} path", f"/{path}").lstrip("/")
    return (other, attributes.get("objectid", "")), _transform(attributes.get("transform"), where)


def _transform(text: str | None, where: str) -> F64:
    """Read a transform: four rows of three, last row the shift; the unit matrix if there is none."""
    if text is None:
        return np.eye(4, 3)
    try:
        values = np.array([float(word) for word in text.split()])
    except ValueError:
        values = np.array([np.nan])
    if values.shape != (12,) or not np.isfinite(values).all():
        raise FileError(f"the transform {text[:60]!r} is not 12 numbers", where=where)
    if not abs(np.linalg.det(values[:9].reshape(3, 3))) > 1e-12:
        raise FileError(f"the transform {text[:60]!r} makes the model flat", where=where)
    return values.reshape(4, 3)


def _after(inner: F64, outer: F64) -> F64:
    """Return the transform that does `inner` first (row vectors)."""
    result: F64 = inner @ outer[:3]
    result[3] += outer[3]
    return result


# -- sizes ------------------------------------------------------------------------------------


def _places(parts: dict[str, _Part], root: str, name: str) -> dict[Key, list[F64]]:
    """Return, per object, every transform under which its own mesh comes onto the bed."""
    places: dict[Key, list[F64]] = {}
    count = 0
    stack: list[tuple[Key, F64, tuple[Key, ...]]]
    stack = [(item.key, item.transform, (item.key,)) for item in parts[root].items]
    while stack:
        key, transform, path = stack.pop()
        count += 1
        if count > MOST_PLACES or len(path) > 100:
            raise FileError("its components are nested beyond measure", where=name)
        places.setdefault(key, []).append(transform)
        part = parts.get(key[0])
        for inner, own in part.components.get(key, []) if part else []:
            if inner in path:
                raise FileError(f"object {key[1]} contains itself", where=name)
            stack.append((inner, _after(own, transform), (*path, inner)))
    return places


def _measure(parts: dict[str, _Part], root: str, matrix: Matrix, name: str) -> Moved:
    places = _places(parts, root, name)
    moved = Moved(parts=len(parts[root].items))
    unit_mm = parts[root].unit_mm
    turned = np.array(matrix).T
    known = {k for p in parts.values() for k in (*p.components, *p.points)}
    for key, stretches in ((k, s) for p in parts.values() for k, s in p.points.items()):
        for points in stretches:
            for transform in places.get(key, []):
                on_bed = (points @ transform[:3] + transform[3]) * unit_mm
                moved.before.take(on_bed)
                moved.after.take(on_bed @ turned)
    lost = sorted({item.key for item in parts[root].items} - known)
    if lost:
        raise FileError(f"a build item names object {lost[0][1]!r}, which is missing", where=name)
    return moved


# -- writing ----------------------------------------------------------------------------------


def _copy_with_items(
    old: IO[bytes], new: IO[bytes], items: list[_Item], matrix: Matrix, where: str
) -> None:
    """Copy a model part, with the tag of each build item given its new transform."""
    at, outer = 0, np.vstack([np.array(matrix).T, np.zeros(3)])
    for item in items:
        left = item.begin - at
        while left:
            data = old.read(min(left, _CHUNK))
            new.write(data)
            left -= len(data)
        tag = bytearray()
        while not (tag.endswith(b">") and _closed(bytes(tag))):
            byte = old.read(1)
            tag += byte
            if not byte or len(tag) > _TAG_END:
                raise FileError("a build item has no end", where=where)
        at = item.begin + len(tag)
        new.write(_with_transform(bytes(tag), _after(item.transform, outer)))
    shutil.copyfileobj(old, new, _CHUNK)


def _closed(tag: bytes) -> bool:
    """Tell whether the > at the end is outside of quotes."""
    bare = re.sub(rb"\"[^\"]*\"|'[^']*'", b"", tag)
    return b'"' not in bare and b"'" not in bare


def _with_transform(tag: bytes, transform: F64) -> bytes:
    text = " ".join(repr(float(v) + 0.0) for v in transform.ravel()).encode()
    new = b' transform="' + text + b'"'
    found = re.search(rb"\stransform\s*=\s*(?:\"[^\"]*\"|'[^']*')", tag)
    if found:
        return tag[: found.start()] + new + tag[found.end() :]
    name = re.match(rb"<[^\s/>]+", tag)
    cut = name.end() if name else len(tag)
    return tag[:cut] + new + tag[cut:]
