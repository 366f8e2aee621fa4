"""Exports as files: a JSON array written and read record by record, checked against the schema."""

import contextlib
import io
import json
import math
from collections.abc import Generator, Iterable, Iterator, Mapping
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import IO, Any

from calib.errors import FileError
from calib.files import replacing

#: Version 2 added the records of where settings take effect; older ones are read as they are.
SCHEMA_VERSION = 3

_CHUNK = 1 << 18
_LARGEST_NUMBER = 1e300  # beyond it whole numbers are none that a database holds
_LARGEST = 1 << 28  # characters of one record; what is longer is no export


@cache
def schema() -> dict[str, Any]:
    """Return the published JSON Schema (draft 2020-12) of an export."""
    text = files("calib.store").joinpath("profile.schema.json").read_text(encoding="utf-8")
    loaded: dict[str, Any] = json.loads(text)
    return loaded


def write_records(path: Path, records: Iterable[Mapping[str, Any]], *, force: bool = False) -> int:
    """Write an export whole or not at all, one record a line; return how many.

    Raises
    ------
    FileError
        The file is there already, or can't be written.
    """
    with closing_items(records), replacing(path, force=force) as out:
        stream = io.TextIOWrapper(out, encoding="utf-8", newline="\n")
        count = _write_array(stream, records)
        stream.flush()
        stream.detach()  # the file itself is closed by its owner
    return count


@contextlib.contextmanager
def closing_items(items: Iterable[Any]) -> Iterator[None]:
    """Close what yields the items, also where not all of them were taken: it may hold a database open."""
    try:
        yield
    finally:
        if isinstance(items, Generator):
            items.close()


def _write_array(stream: IO[str], records: Iterable[Mapping[str, Any]]) -> int:
    count = 0
    for record in records:
        stream.write("[\n" if count == 0 else ",\n")
        stream.write(json.dumps(record, ensure_ascii=False, allow_nan=False))
        count += 1
    stream.write("\n]\n" if count else "[]\n")
    return count


def read_records(path: Path) -> Iterator[dict[str, Any]]:
    """Yield the records of an export, checked; memory stays that of one record.

    Raises
    ------
    FileError
        The file is missing, not an export, damaged, or of a newer version; says which record.
    """
    try:
        with path.open(encoding="utf-8-sig") as stream:
            yield from _checked(_elements(stream, path), path)
    except OSError as err:
        raise FileError(f"can't be read ({err.strerror})", where=str(path), mend="look at the path") from err  # fmt: skip
    except UnicodeDecodeError as err:
        raise FileError("is not UTF-8 text", where=str(path), mend="give a file that `truebead store export` wrote") from err  # fmt: skip


def _elements(stream: IO[str], path: Path) -> Iterator[Any]:
    """Yield the elements of a JSON array however it is laid out."""
    text = _More(stream, path)
    text.expect("[")
    if text.peek() != "]":
        yield text.value()
        while text.peek() != "]":
            text.expect(",")
            yield text.value()
    text.expect("]")
    text.expect_end()


class _More:
    """A window on a JSON text that slides over the file."""

    def __init__(self, stream: IO[str], path: Path) -> None:
        self._stream, self._path = stream, path
        self._text, self._at = "", 0
        self._decoder = json.JSONDecoder(parse_constant=self._no_constant)

    def _no_constant(self, name: str) -> float:
        raise self._broken(f"{name} is not JSON")

    def _broken(self, what: str) -> FileError:
        return FileError(
            f"is not an export or is damaged: {what}",
            where=str(self._path),
            mend="give a file that `truebead store export` wrote",
        )

    def _fill(self, size: int = _CHUNK) -> bool:
        more = self._stream.read(size)
        self._text = self._text[self._at :] + more
        self._at = 0
        if len(self._text) > _LARGEST:
            raise self._broken("one record is longer than any that is written")
        return bool(more)

    def peek(self) -> str:
        """Return the next character that is no space; '' at the end."""
        while True:
            while self._at < len(self._text):
                if not self._text[self._at].isspace():
                    return self._text[self._at]
                self._at += 1
            if not self._fill():
                return ""

    def expect(self, sign: str) -> None:
        """Step over one character."""
        found = self.peek()
        if found != sign:
            raise self._broken(f"expected {sign!r}, found {found or 'the end'!r}")
        self._at += 1

    def expect_end(self) -> None:
        """Refuse what follows the end."""
        if found := self.peek():
            raise self._broken(f"something follows its end, {found!r}")

    def value(self) -> Any:
        """Return the next value, reading on until it is whole."""
        self.peek()
        size = _CHUNK
        while True:
            try:
                value, self._at = self._decoder.raw_decode(self._text, self._at)
            except json.JSONDecodeError as err:
                if not self._fill(size):
                    raise self._broken(err.msg) from err
                size *= 2
            except RecursionError as err:
                raise self._broken("it is nested too deep") from err
            except FileError:
                raise
            except ValueError as err:  # more digits than Python turns into a number
                raise self._broken("a number has too many digits") from err
            else:
                return value


def _checked(elements: Iterable[Any], path: Path) -> Iterator[dict[str, Any]]:
    number = 0
    for number, element in enumerate(elements, 1):
        wrong = problem(element)
        if number == 1 and not wrong and element["record"] != "export":
            wrong = "the first record does not say that this is an export"
        if wrong:
            raise FileError(
                wrong, where=f"{path} record {number}", mend="give a file that `truebead store export` wrote; nothing was taken in"
            )  # fmt: skip
        yield element
    if number == 0:
        raise FileError("the export is empty", where=str(path), mend="give another file")


def problem(record: Any) -> str:
    """Say what is wrong with a record by the schema; empty where it is right."""
    if not isinstance(record, dict) or not isinstance(record.get("record"), str):
        return "is not a record"
    definition = schema()["$defs"].get(record["record"])
    if definition is None or "record" not in definition["required"]:
        return f"there is no sort of record {record['record']!r}"
    if record["record"] == "export":
        found = record.get("schema_version")
        if isinstance(found, int) and found > SCHEMA_VERSION:
            return f"the export has version {found}, known is {SCHEMA_VERSION}: update Truebead"
    return _wrong(record, definition, record["record"])


def _wrong(value: Any, rule: Mapping[str, Any], where: str) -> str:
    """Check a value by the parts of JSON Schema that the published schema uses."""
    if "$ref" in rule:
        rule = schema()["$defs"][rule["$ref"].rpartition("/")[2]]
    if "const" in rule and not _same(value, rule["const"]):
        return f"{where} must be {rule['const']!r} (got {value!r:.40})"
    if "enum" in rule and not any(_same(value, v) for v in rule["enum"]):
        return f"{where} must be one of {', '.join(map(str, rule['enum']))} (got {value!r:.40})"
    kinds = rule.get("type")
    if kinds is not None and not _is_any(value, kinds):
        return f"{where} must be a {kinds if isinstance(kinds, str) else ' or '.join(kinds)} (got {value!r:.40})"
    if isinstance(value, dict):
        for name in rule.get("required", ()):
            if name not in value:
                return f"{where} lacks {name}"
        for name, inner in rule.get("properties", {}).items():
            if name in value and (wrong := _wrong(value[name], inner, f"{where}.{name}")):
                return wrong
    if isinstance(value, list) and "items" in rule and not _all_plain(value, rule["items"]):
        for i, element in enumerate(value):
            if wrong := _wrong(element, rule["items"], f"{where}[{i}]"):
                return wrong
    return ""


_PLAIN: dict[str, set[type]] = {"string": {str}, "number": {int, float}, "null": {type(None)}}


def _all_plain(values: list[Any], rule: Mapping[str, Any]) -> bool:
    """Whether a long column is right, at a glance; False where it has to be looked at closely."""
    if set(rule) != {"type"}:
        return False
    kinds = [rule["type"]] if isinstance(rule["type"], str) else rule["type"]
    wanted = {t for k in kinds for t in _PLAIN.get(k, ())}
    if not wanted.issuperset(map(type, values)):
        return False
    if str in wanted:
        return True
    return all(type(v) is float for v in values if v is not None) and math.isfinite(
        sum(v for v in values if v is not None)
    )


def _same(a: Any, b: Any) -> bool:
    return isinstance(a, bool) == isinstance(b, bool) and bool(a == b)


_TYPES: dict[str, Any] = {"string": str, "object": dict, "array": list, "boolean": bool, "null": type(None)}  # fmt: skip


def _is_any(value: Any, kinds: str | list[str]) -> bool:
    return any(_is(value, k) for k in ([kinds] if isinstance(kinds, str) else kinds))


def _is(value: Any, kind: str) -> bool:
    if kind in ("number", "integer"):
        if (
            isinstance(value, bool)
            or not isinstance(value, int | float)
            or not -_LARGEST_NUMBER < value < _LARGEST_NUMBER
        ):
            return False
        return kind == "number" or float(value).is_integer()
    return isinstance(value, _TYPES[kind])
