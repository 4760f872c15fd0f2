"""The JSON Schema of the plant file, for editors: completion, types and unknown keys while typing.

Imports nothing of ours but `config`. `python -P -m config.schema` prints it. It knows the shape; what spans values
(does this channel exist?) is only known to `check`.
"""

from __future__ import annotations

import json
from typing import Any

from config.bus import Addresses
from config.kinds import KIND_NAMES
from config.model import Plant, Range, Span
from config.solids import LaboratoryPair

DRAFT = "https://json-schema.org/draft/2020-12/schema"


def schema() -> dict[str, Any]:
    """The schema as JSON types, by the keys the file uses."""
    body = Plant.model_json_schema(by_alias=True, mode="validation")
    defs = body["$defs"]
    for part, what in (
        (Span, "counts = current"),
        (Range, "current = value with its unit, or the value alone"),
        (LaboratoryPair, "dissolved solids = conductivity of the same sample"),
    ):  # written as one text, though the model holds their numbers apart
        defs[part.__name__] = {"type": "string", "description": what, "examples": [part.example]}
    defs["Addresses"] = {"type": "string", "description": "function and addresses", "examples": [Addresses.example]}
    _either(defs["Channel"], ["function", "address"], ["number"], ["field"])
    _either(defs["Meter"], ["pulse"], ["k_factor"])
    _either(defs["Module"], ["channels"], ["type"])
    named = defs["Module"]["properties"]["channels"]["patternProperties"]
    for pattern, channel in named.items():
        named[pattern] = {"anyOf": [channel, {"type": "string", "description": "a channel of the module's type"}]}
    body["properties"]["alarms"] = {
        "type": "object",
        "additionalProperties": False,
        "properties": {kind: {"$ref": "#/$defs/AlarmSetting"} for kind in KIND_NAMES},
    }
    cleaned = _cleaned(body)
    assert isinstance(cleaned, dict)
    return {"$schema": DRAFT, "title": "waterside plant file", **cleaned}


def _either(part: dict[str, Any], *ways: list[str]) -> None:
    """One of several sets of keys has to be written, not all of them."""
    listed = {key for way in ways for key in way}
    part["required"] = [key for key in part["required"] if key not in listed]
    part["anyOf"] = [{"required": way} for way in ways]


def _cleaned(node: Any, *, names: bool = False) -> Any:
    """Without what editors trip over: titles made from names, defaults in another type, `null` (TOML has none).

    `names`: the keys of this object are keys of the file, and "title" or "default" among them would be one too.
    """
    if isinstance(node, list):
        return [_cleaned(n) for n in node]
    if not isinstance(node, dict):
        return node
    out = {k: _cleaned(v, names=k in ("properties", "$defs") and not names) for k, v in node.items()}
    if names:
        return out
    out.pop("title", None)
    if "anyOf" in out:
        options = [o for o in out.pop("anyOf") if o != {"type": "null"}]  # for keys that may be left out
        out.update(options[0] if len(options) == 1 else {"anyOf": options})
    if "default" in out and (out["default"] is None or isinstance(out["default"], dict) or out.get("type") == "string"):
        written = out.pop("default")
        if isinstance(written, str):
            out["default"] = written
    return out


if __name__ == "__main__":
    print(json.dumps(schema(), indent=2, ensure_ascii=False))
