"""A plant file to a Plant, or every error in it at once, each with its line.

Imports nothing of ours but `config`. What only a bad file needs is imported when there is one: start-up counts.
"""

from __future__ import annotations

import hashlib
import re
import tomllib
from pathlib import Path
from typing import Any, Final

from pydantic import ValidationError

from config import units
from config.cross import cross
from config.expand import Expanded, expand
from config.findings import Finding, Found, PlantFileError, PlantText, key_text
from config.model import Plant

__all__ = ["Finding", "PlantFileError", "PlantText", "load", "loads", "place", "read"]

_MOST_SLIPS: Final = 50  # lines of bad TOML looked at in one go


def load(path: Path) -> PlantText:
    """Read and check a plant file. Raises PlantFileError with every error, shape and cross checks alike."""
    return loads(read(path), str(path))


def loads(text: str, file: str = "plant.toml", *, rules: bool = True) -> PlantText:
    """As `load`, from text. Without `rules` only the shape counts: for a text that was in force once already."""
    whole = expand(_toml(text, file))
    context = {"atmosphere_kpa": _air(whole.raw)}
    try:
        plant = _validated(whole.raw, context)
    except ValidationError as e:
        raise PlantFileError(place(_shape_errors(e, whole, context), text, whole, file)) from e
    errors = whole.slips + ([f for f in cross(plant, whole) if f.level == "error"] if rules else [])
    if errors:
        raise PlantFileError(place(errors, text, whole, file))
    return PlantText(plant, text, hashlib.sha256(text.encode()).hexdigest(), file)


def _validated(raw: dict[str, Any], context: dict[str, float]) -> Plant:
    return Plant.model_validate(as_model_input(raw), strict=True, by_alias=True, by_name=False, context=context)


def read(path: Path) -> str:
    """The text of a plant file, a byte-order mark taken off. PlantFileError says why it cannot be read."""
    file = str(path)
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        raise _alone(file, 0, f"there is no such file (looked in {Path.cwd()}); check the name") from None
    except IsADirectoryError:
        raise _alone(file, 0, "is a folder; wants the plant file itself, like plant.toml") from None
    except PermissionError:
        raise _alone(file, 0, "may not be read by this user; check the file's owner and permissions") from None
    except (OSError, ValueError) as e:
        raise _alone(file, 0, f"cannot be read: {getattr(e, 'strerror', None) or e}") from e
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        raise _alone(file, 1, "is saved as UTF-16; save it as UTF-8")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as e:
        line = data.count(b"\n", 0, e.start) + 1
        raise _alone(file, line, f"is not UTF-8 (byte 0x{data[e.start]:02x}); save the file as UTF-8") from e


def place(found: list[Found], text: str, whole: Expanded, file: str) -> list[Finding]:
    """Findings with their lines, in the order of the file; of what came from a type of module, the type's line too."""
    if not found:
        return []
    from config.expand import shipped_text
    from config.lines import Lines

    lines = Lines(text)
    out = []
    for f in found:
        more, source = "", whole.source(f.path)
        if source is not None:
            origin, path = source
            line = (Lines(shipped_text(origin.name)) if origin.file else lines).of(path)
            more = f" (from module type {origin.name}, {origin.file or file}:{line})"
        out.append(Finding(file, lines.of(whole.written(f.path)), key_text(f.path, whole.raw), f.text + more, f.level))
    return sorted(dict.fromkeys(out), key=lambda f: f.line)


def as_model_input(value: Any) -> Any:
    """TOML lists as tuples, as the strict model wants them."""
    if isinstance(value, dict):
        return {k: as_model_input(v) for k, v in value.items()}
    if isinstance(value, list):
        return tuple(map(as_model_input, value))
    return value


def _alone(file: str, line: int, text: str) -> PlantFileError:
    return PlantFileError([Finding(file, line, "", text)])


def _air(raw: dict[str, Any]) -> float:
    """Air pressure of the site in kPa; sea level while its altitude cannot be read (which is an error of its own)."""
    site = raw.get("plant")
    try:
        height = units.quantity(site["altitude"], "length") if isinstance(site, dict) else 0.0
    except (KeyError, units.QuantityError):
        height = 0.0
    return units.atmosphere(min(max(height, -500.0), 9000.0))


def _shape_errors(error: ValidationError, whole: Expanded, context: dict[str, float]) -> list[Found]:
    """All errors of the shape, and the cross errors of what is left when they are taken out."""
    from config.plainly import plainly
    from config.prune import pruned

    found = whole.slips + _as_written(plainly(error), whole)
    plant, origin = pruned(whole.raw, error, context)
    if plant is None:
        return found
    told = [f.path for f in found]
    more = (Found(origin(f.path), f.text, f.level) for f in cross(plant, whole) if f.level == "error")
    return found + [f for f in more if not any(t[: len(f.path)] == f.path for t in told)]


def _as_written(found: list[Found], whole: Expanded) -> list[Found]:
    """Errors of the shape where they were written: those of a type at the type alone; none of channels not known."""
    unsure = {("module", i, "channels") for i in whole.unsure}
    out = []
    for f in found:
        if f.path not in unsure:
            source = whole.source(f.path)
            out.append(Found(source[1], f.text, f.level) if source is not None and not source[0].file else f)
    return list(dict.fromkeys(out))


def _toml(text: str, file: str) -> dict[str, Any]:
    """The text as TOML, or an error for each line that is none."""
    try:
        text.encode()
        raw = tomllib.loads(text)
    except UnicodeEncodeError:
        raise _alone(file, 0, "holds half a character pair; save the file as UTF-8") from None
    except RecursionError:
        raise _alone(file, 0, "lists or tables are nested too deep; a plant file needs three levels") from None
    except ValueError as e:  # TOMLDecodeError, and numbers too long for Python
        slips, rest = _slips(text, file, e)
        raise PlantFileError(sorted(slips + _beside(rest, file), key=lambda f: f.line)) from e
    if not raw:
        raise _alone(file, 1, "is empty; wants at least [plant], [[link]] and [[module]]")
    return raw


def _slips(text: str, file: str, error: ValueError) -> tuple[list[Finding], str]:
    """Each bad line of a text that is not TOML, and the text with these lines put aside, "" when it stays bad.

    A line that is bad by itself is put aside and the rest is read on; after a slip that runs over lines there is no
    telling what is meant.
    """
    lines = text.split("\n")
    out: list[Finding] = []
    while len(out) < _MOST_SLIPS:
        line, said = _where(error, lines)
        out.append(Finding(file, line, "", said))
        if not _bad_alone(lines[line - 1], said):
            break
        # keys under a bad header must not fall into the table above it
        lines[line - 1] = f"[slip-{line}]" if lines[line - 1].lstrip().startswith("[") else ""
        try:
            tomllib.loads("\n".join(lines))
        except RecursionError:
            break
        except ValueError as e:
            error = e
        else:
            return out, "\n".join(lines)
    return out, ""


def _beside(rest: str, file: str) -> list[Finding]:
    """What is wrong in shape in the lines that are TOML; nothing that a line put aside could have cured."""
    raw = {k: v for k, v in tomllib.loads(rest).items() if not k.startswith("slip-")} if rest else {}
    whole = expand(raw)
    try:
        if raw:
            _validated(whole.raw, {"atmosphere_kpa": _air(raw)})
    except ValidationError as e:
        from config.plainly import plainly

        wholes = {tuple(x["loc"]) for x in e.errors(include_url=False) if isinstance(x["input"], dict | tuple)}
        found = [f for f in plainly(e) if f.path not in wholes and "missing" not in f.text[:7]]
        return place(_as_written(found, whole), rest, whole, file)
    return []


def _bad_alone(line: str, said: str) -> bool:
    if '"""' in line or "'''" in line:
        return False
    try:
        tomllib.loads(line)
    except RecursionError:
        return False
    except ValueError:
        return True
    return "key is written twice" in said


_TOML_WORDS: Final = (
    ("Cannot overwrite a value", "this key is written twice; keep one"),
    ("Cannot mutate immutable", "this key is written twice; keep one"),
    ("Cannot declare", "this table is written twice; one [table], or [[table]] for each of several"),
    ("Duplicate inline table key", "a key is written twice in this { ... }; keep one"),
    ("Expected '=' after a key", "wants key = value; there is no = after the key"),
    ("Invalid statement", "wants key = value, [table] or # a comment"),
    ("Invalid value", 'wants a value after the =: text in "quotes", a number, true or false, [ ... ] or { ... }'),
    ("Illegal character '\\n'", "a quote is not closed on this line"),
    ("Illegal character", "holds a character that TOML does not allow here; take it out"),
    ("Unclosed array", "a [ is not closed, or a comma is missing; the slip may be some lines above"),
    ("Unclosed inline table", "a { is not closed, or a comma is missing; { ... } stays on one line"),
    ("Unterminated string", "a quote is not closed"),
    ("Unescaped '\\'", "a backslash in \"quotes\" is written twice; or use 'single quotes'"),
    ("Expected newline or end of document", "wants nothing more on this line; one key = value a line, text in quotes"),
    ("Expected ']", "wants a ] at the end of the table's name"),
    ("Invalid initial character for a key", "wants a key: letters, digits, _ and -"),
    ("Exceeds the limit", "a number is too long"),
)


def _where(error: ValueError, lines: list[str]) -> tuple[int, str]:
    message = str(error)
    at = re.search(r"\(at line (\d+), column (\d+)\)", message)
    if at:
        line = min(int(at[1]), len(lines))
    else:  # the end of the text, or a number too long, which Python refuses without saying where
        long = (n for n, text in enumerate(lines, 1) if re.search(r"[\d_]{4000}", text))
        line = next(long, len(lines)) if message.startswith("Exceeds") else len(lines)
    words = next((w for begin, w in _TOML_WORDS if message.startswith(begin)), "")
    bare = re.sub(r"\s*\(at .*\)$", "", message)
    return line, f"is not TOML: {words or bare}" + (f" (column {at[2]})" if at else "")
